#include "ringsweep/advice.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "burst/difference_variance.h"
#include "burst/frame_intervals.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// @param turn  with a turn factor
std::size_t frames_for_same_turn(const SweepTurn& turn) {
  return static_cast<std::size_t>(
      std::lround(static_cast<double>(turn.frames_on_subject) / *turn.turn_factor));
}

constexpr double kAimed = 0.75;          // of the allowed step: by definition
constexpr double kOnSubject = 0.01;      // of the subject's tiles; see advise()
constexpr double kStandsStill = 0.1;     // of the allowed step, and within 2 sd: `idle`
constexpr double kLoosePx = 1.0;         // of a frame that is not usable; ours, no source
constexpr double kPausePeriods = 4.5;    // longer is a pause: the hand rests, the flash fills up
constexpr std::size_t kFewestSteps = 4;  // fewer show no evenness
constexpr double kJumpRatio = 1.8;       // against the next largest step; ours, no source
constexpr double kJumpSds = 2.5;         // against the scatter of all others; ours, no source

/// Interval of the shutter, s; nothing where the camera's clock does not show it.
std::optional<double> shutter_interval_s(std::span<const std::optional<double>> time_s) {
  const FrameIntervals intervals = frame_intervals(time_s);
  if (intervals.count < 2 || intervals.whole_seconds || !(intervals.usual_s > 0.0))
    return std::nullopt;
  return intervals.usual_s;
}

/// The ring's way from one frame that shows it to the next.
struct Leg {
  RingStep step;
  double way_px = 0.0;  ///< signed, whole
  double sd_px = 0.0;
  bool on_subject = false;
  bool still = false;
  bool play = false;
};

class Turn {
 public:
  explicit Turn(const TurnSeen& seen)
      : seen_(seen),
        allowed_px_(2.0 * seen.blur_limit_px),
        interval_s_(shutter_interval_s(seen.time_s)),
        subject_(seen.subject_px.begin(), seen.subject_px.end()) {
    std::ranges::sort(subject_);
    place_ring();
  }

  [[nodiscard]] std::optional<double> rate_per_s() const {
    return interval_s_ ? std::optional(1.0 / *interval_s_) : std::nullopt;
  }
  [[nodiscard]] double allowed_px() const { return allowed_px_; }
  [[nodiscard]] double step_px() const { return kAimed * allowed_px_; }
  [[nodiscard]] std::vector<Leg> legs() const;
  [[nodiscard]] SweepTurn of(const SweepRange& sweep, const std::vector<Leg>& legs) const;

 private:
  void place_ring();
  /// Whether the frame shows where the ring stood.
  [[nodiscard]] bool shows(std::size_t k) const { return ring_[k].has_value(); }
  [[nodiscard]] bool on_subject(double q) const {
    return much_between(q - seen_.blur_limit_px, q + seen_.blur_limit_px);
  }
  /// A step over subject that neither frame shows is the one that matters most.
  [[nodiscard]] bool across_subject(double a, double b) const {
    return much_between(std::min(a, b) + seen_.blur_limit_px, std::max(a, b) - seen_.blur_limit_px);
  }
  [[nodiscard]] bool much_between(double low, double high) const {
    const auto from = std::ranges::lower_bound(subject_, low);
    const auto to = std::ranges::upper_bound(subject_, high);
    return to > from &&
           static_cast<double>(to - from) >= kOnSubject * static_cast<double>(subject_.size());
  }
  /// Frames that the camera left out between two that it shot, by its clock.
  [[nodiscard]] std::size_t lost(std::size_t from, std::size_t to) const;
  [[nodiscard]] std::vector<double> ring_px(const SweepRange& sweep,
                                            std::vector<bool>& known) const;
  void count_frames(SweepTurn& turn, const SweepRange& sweep, const std::vector<Leg>& legs) const;
  void find_jump(SweepTurn& turn, const std::vector<Leg>& own) const;

  const TurnSeen& seen_;
  double allowed_px_;
  std::optional<double> interval_s_;
  std::vector<double> subject_;
  std::vector<std::optional<double>> ring_;  ///< N, where the ring stood
};

/// Most frames show where the ring stood. Those that swayed, or are not usable, show it within some
/// px only: they go where an even turn between the others puts them, unless that is farther off.
void Turn::place_ring() {
  const auto& frames = seen_.focus.frames;
  ring_.resize(frames.size());
  std::vector<double> loose_px(frames.size(), -1.0);
  for (std::size_t k = 0; k < frames.size(); ++k) {
    const FocalPosition& f = frames[k];
    if (!f.q_px || f.vague) continue;
    if (f.usable && !f.scale_off_px) {
      ring_[k] = f.q_px;
    } else {
      loose_px[k] = f.scale_off_px ? std::abs(*f.scale_off_px) : kLoosePx;
    }
  }
  for (;;) {
    std::optional<std::size_t> farthest, before;
    double most_px = 0.0, pinned_px = 0.0;
    for (std::size_t k = 0; k < frames.size(); ++k) {
      if (!ring_[k]) continue;
      for (std::size_t i = before ? *before + 1 : k; i < k; ++i) {
        if (loose_px[i] < 0.0) continue;
        const double share = static_cast<double>(i - *before) / static_cast<double>(k - *before);
        const double even_px = *ring_[*before] + share * (*ring_[k] - *ring_[*before]);
        const double low_px = *frames[i].q_px - loose_px[i];
        const double high_px = *frames[i].q_px + loose_px[i];
        const double off_px = std::max(low_px - even_px, even_px - high_px);
        if (off_px <= most_px) continue;
        farthest = i, most_px = off_px, pinned_px = std::clamp(even_px, low_px, high_px);
      }
      before = k;
    }
    if (!farthest) return;
    ring_[*farthest] = pinned_px;
  }
}

std::size_t Turn::lost(std::size_t from, std::size_t to) const {
  if (!interval_s_ || !seen_.time_s[from] || !seen_.time_s[to]) return 0;
  const double periods = std::round((*seen_.time_s[to] - *seen_.time_s[from]) / *interval_s_);
  return periods > static_cast<double>(to - from) ? static_cast<std::size_t>(periods) - (to - from)
                                                  : 0;
}

std::vector<Leg> Turn::legs() const {
  std::vector<Leg> legs;
  std::optional<std::size_t> before;
  for (std::size_t k = 0; k < seen_.focus.frames.size(); ++k) {
    if (!shows(k)) continue;
    if (before) {
      Leg leg{.step = {.from = *before, .to = k, .lost = lost(*before, k)}};
      leg.way_px = *ring_[k] - *ring_[*before];
      leg.sd_px = std::sqrt(scatter_variance_px2(seen_.focus, *before, k));
      leg.step.step_px = std::abs(leg.way_px) / static_cast<double>(k - *before);
      leg.on_subject = (on_subject(*ring_[*before]) && on_subject(*ring_[k])) ||
                       across_subject(*ring_[*before], *ring_[k]);
      leg.still = std::abs(leg.way_px) < kStandsStill * allowed_px_ &&
                  std::abs(leg.way_px) <= 2.0 * leg.sd_px;
      legs.push_back(leg);
    }
    before = k;
  }
  // Standing still between two ways in opposite directions is play.
  for (std::size_t i = 0; i < legs.size();) {
    if (!legs[i].still) {
      ++i;
      continue;
    }
    std::size_t end = i;
    while (end < legs.size() && legs[end].still) ++end;
    const bool turned = i > 0 && end < legs.size() && legs[i - 1].way_px * legs[end].way_px < 0.0;
    for (std::size_t j = i; j < end; ++j) legs[j].play = turned;
    i = end;
  }
  return legs;
}

/// Where the ring stood at each frame of the sweep, index from its first one; between frames that
/// show it, evenly.
std::vector<double> Turn::ring_px(const SweepRange& sweep, std::vector<bool>& known) const {
  const std::size_t n = sweep.last - sweep.first + 1;
  std::vector<double> q(n, 0.0);
  known.assign(n, false);
  std::optional<std::size_t> before;
  for (std::size_t i = 0; i < n; ++i) {
    if (!shows(sweep.first + i)) continue;
    q[i] = *ring_[sweep.first + i];
    known[i] = true;
    if (before) {
      for (std::size_t j = *before + 1; j < i; ++j) {
        const double share = static_cast<double>(j - *before) / static_cast<double>(i - *before);
        q[j] = q[*before] + share * (q[i] - q[*before]);
        known[j] = true;
      }
    }
    before = i;
  }
  // Beyond the outermost, a frame's own position is all there is.
  for (std::size_t i = 0; i < n; ++i) {
    const std::optional<double>& own = seen_.focus.frames[sweep.first + i].q_px;
    if (!known[i] && own) q[i] = *own, known[i] = true;
  }
  return q;
}

void Turn::count_frames(SweepTurn& turn, const SweepRange& sweep,
                        const std::vector<Leg>& legs) const {
  std::vector<bool> known;
  const std::vector<double> q = ring_px(sweep, known);
  std::optional<std::size_t> first, last;
  for (std::size_t i = 0; i < q.size(); ++i) {
    if (!known[i] || !on_subject(q[i])) continue;
    if (!first) first = i;
    last = i;
    ++turn.frames_on_subject;
  }
  if (!first) return;
  turn.frames_before = *first;
  turn.frames_after = q.size() - 1 - *last;
  turn.turn_px = std::abs(q[*last] - q[*first]);
  for (const Leg& leg : legs) {
    if (leg.step.from < sweep.first || leg.step.to > sweep.last) continue;
    // A pause is no row of lost frames.
    if (leg.on_subject && static_cast<double>(leg.step.lost) < kPausePeriods)
      turn.frames_on_subject += leg.step.lost;
  }
}

void Turn::find_jump(SweepTurn& turn, const std::vector<Leg>& own) const {
  std::vector<Leg> moved;
  std::ranges::copy_if(own, std::back_inserter(moved), [](const Leg& leg) { return !leg.still; });
  std::ranges::sort(moved, std::greater{}, [](const Leg& leg) { return leg.step.step_px; });
  if (moved.size() < kFewestSteps + 1) return;
  const RingStep& largest = moved[0].step;
  const double next_px = moved[1].step.step_px;
  if (largest.step_px <= step_px() || next_px > allowed_px_) return;
  if (largest.step_px < kJumpRatio * next_px) return;
  double mean = 0.0, square = 0.0;
  const auto others = static_cast<double>(moved.size() - 1);
  for (std::size_t i = 1; i < moved.size(); ++i) {
    const double log_step = std::log(moved[i].step.step_px);
    mean += log_step / others;
    square += log_step * log_step / others;
  }
  const double sd = std::sqrt(std::max(0.0, square - mean * mean));
  if (std::log(largest.step_px) - mean < kJumpSds * sd) return;
  // Where frames are lost it is the camera that paused, unless the ring went farther all the same.
  const double shared = static_cast<double>(largest.to - largest.from + largest.lost) /
                        static_cast<double>(largest.to - largest.from);
  if (largest.step_px / shared < kJumpRatio * next_px && largest.lost > 0) return;
  turn.jump = largest;
}

/// Largest step on the subject at the burst's rate. The largest of steps that scatter is too large:
/// all are drawn towards their mean, so that they vary as much as the hand did and not as much as
/// hand and positions together (T. A. Louis, J. Am. Stat. Assoc. 79, 1984, p. 393: to shrink each
/// by what is best for it alone would make the extremes too small; from memory). Steps that no
/// scatter explains stay.
double largest_step_px(const std::vector<Leg>& own) {
  std::vector<double> steps, variances;
  for (const Leg& leg : own) {
    if (leg.still) continue;
    const auto share = static_cast<double>(leg.step.to - leg.step.from + leg.step.lost);
    steps.push_back(std::abs(leg.way_px) / share);
    variances.push_back(std::pow(leg.sd_px / share, 2));
  }
  if (steps.empty()) return 0.0;
  if (steps.size() < kFewestSteps) return *std::ranges::max_element(steps);
  const auto n = static_cast<double>(steps.size());
  double mean = 0.0, square = 0.0, noise = 0.0, largest = 0.0;
  for (const double step : steps) mean += step / n;
  for (const double step : steps) square += (step - mean) * (step - mean) / (n - 1.0);
  for (const double variance : variances) noise += variance / n;
  // A variance from n steps is known to this share of itself only: none is known to be nothing.
  const double own_px2 = std::max(square - noise, square * std::sqrt(2.0 / (n - 1.0)));
  for (std::size_t i = 0; i < steps.size(); ++i) {
    const double off = steps[i] - mean, all = own_px2 + variances[i];
    const bool scatter = variances[i] > 0.0 && off * off <= 9.0 * all;  // 3 sd
    largest = std::max(largest, scatter ? mean + off * std::sqrt(own_px2 / all) : steps[i]);
  }
  return largest;
}

SweepTurn Turn::of(const SweepRange& sweep, const std::vector<Leg>& legs) const {
  SweepTurn turn;
  count_frames(turn, sweep, legs);
  std::vector<Leg> own;
  for (const Leg& leg : legs) {
    if (leg.step.from < sweep.first || leg.step.to > sweep.last) continue;
    if (leg.still) ++(leg.play ? turn.play : turn.standing_still);
    if (leg.on_subject) own.push_back(leg);
  }
  // A run that reaches over the sweep's end belongs to both.
  for (std::size_t i = 0; i < legs.size();) {
    std::size_t end = i;
    while (end < legs.size() && legs[end].still) ++end;
    if (end > i) {
      const std::size_t from = legs[i].step.from, to = legs[end - 1].step.to;
      const auto holds = [&](std::size_t frame) { return from <= frame && frame <= to; };
      if (holds(sweep.first)) turn.still_at_start = end - i;
      if (holds(sweep.last)) turn.still_at_end = end - i;
    }
    i = end + 1;
  }

  find_jump(turn, own);
  turn.largest_step_px = largest_step_px(own);
  std::vector<double> log_steps;
  double noise = 0.0;
  for (const Leg& leg : own) {
    const auto share = static_cast<double>(leg.step.to - leg.step.from + leg.step.lost);
    const double at_rate_px = std::abs(leg.way_px) / share;
    if (leg.step.step_px > allowed_px_) turn.too_quick.push_back(leg.step);
    const bool jumped = turn.jump && turn.jump->from == leg.step.from;
    const bool back = (leg.way_px > 0.0) != sweep.rising;
    if (leg.still || back || jumped) continue;
    log_steps.push_back(std::log(at_rate_px));
    noise += std::pow(leg.sd_px / leg.way_px, 2);
  }
  if (log_steps.size() >= kFewestSteps) {
    const auto n = static_cast<double>(log_steps.size());
    double mean = 0.0, square = 0.0;
    for (const double v : log_steps) mean += v / n;
    for (const double v : log_steps) square += (v - mean) * (v - mean) / (n - 1.0);
    turn.evenness = std::sqrt(std::max(0.0, square - noise / n));
  }
  if (turn.largest_step_px > 0.0) {
    turn.turn_factor = step_px() / turn.largest_step_px;
    turn.frames_for_same_turn = frames_for_same_turn(turn);
  }
  return turn;
}

/// Light of each frame against a full flash, 0..1, over frames without a pause between.
struct FlashRun {
  std::size_t first = 0;
  std::vector<double> light{};
  std::vector<bool> full{};
};

std::vector<FlashRun> flash_runs(const TurnSeen& seen, std::optional<double> interval_s) {
  std::vector<FlashRun> runs;
  std::optional<double> before_s;
  for (std::size_t k = 0; k < seen.exposure.size(); ++k) {
    const std::optional<double> now_s = seen.time_s.empty() ? std::nullopt : seen.time_s[k];
    const bool pause =
        interval_s && now_s && before_s && *now_s - *before_s > kPausePeriods * *interval_s;
    if (runs.empty() || pause) runs.push_back({.first = k});
    before_s = now_s;
    const FrameExposure& e = seen.exposure[k];
    // A frame lit in part met the shutter's edge, and says nothing of the flash's store.
    runs.back().full.push_back(!e.dark && !e.dim);
    runs.back().light.push_back(e.dark               ? 0.0
                                : e.dim && e.gain_ev ? std::exp2(std::min(0.0, *e.gain_ev))
                                                     : 1.0);
  }
  return runs;
}

/// Shortest period, in frames, at which lit and missed frames follow each other; 0: none.
std::size_t period(const std::vector<bool>& lit) {
  constexpr std::size_t kLongest = 6;
  constexpr double kSame = 0.85;  // a frame out of step now and then is no other order
  for (std::size_t p = 2; p <= kLongest && 2 * p <= lit.size(); ++p) {
    std::size_t same = 0;
    for (std::size_t i = 0; i + p < lit.size(); ++i) {
      const auto from = lit.begin() + static_cast<std::ptrdiff_t>(i);
      const auto to = from + static_cast<std::ptrdiff_t>(p);
      // All alike is no order either.
      const bool both = std::find(from, to, true) != to && std::find(from, to, false) != to;
      same += both && lit[i] == lit[i + p] ? 1U : 0U;
    }
    if (static_cast<double>(same) >= kSame * static_cast<double>(lit.size() - p)) return p;
  }
  return 0;
}

std::optional<FlashBehind> flash_behind(const FlashRun& run, std::optional<double> rate_per_s) {
  const auto missed = static_cast<std::size_t>(std::ranges::count(run.full, false));
  if (missed < 2) return std::nullopt;
  FlashBehind behind;
  const auto at = static_cast<std::size_t>(std::ranges::find(run.full, false) - run.full.begin());
  behind.first_frame = run.first + at;
  behind.lit_before = at;
  const std::size_t since = run.full.size() - at;
  const std::vector<bool> full(run.full.begin() + static_cast<std::ptrdiff_t>(at), run.full.end());
  const std::vector<double> light(run.light.begin() + static_cast<std::ptrdiff_t>(at),
                                  run.light.end());
  const auto mean = [&](std::size_t from, std::size_t to) {
    double sum = 0.0;
    for (std::size_t i = from; i < to; ++i) sum += light[i];
    return sum / static_cast<double>(to - from);
  };
  const double most = *std::ranges::max_element(light);
  const double least = *std::ranges::min_element(light);
  if (most == 0.0) {
    behind.pattern = FlashPattern::gave_up;
    // Its store lasted for `lit_before` flashes: with less each, it lasts for all of them.
    const auto lasted = static_cast<double>(std::max<std::size_t>(1, at));
    behind.held_power_ev = std::log2(lasted / static_cast<double>(run.full.size()));
    return behind;
  }
  behind.supply = mean(0, since);
  if (least > 0.0 && 2 * missed > since) {
    behind.pattern = FlashPattern::sagging;
    // What it had in store at first is gone at last.
    behind.supply = mean(since - (since + 2) / 3, since);
  } else if (const std::size_t p = period(full); p > 0) {
    behind.pattern = FlashPattern::every_nth;
    behind.of = p;
    behind.supply = mean(0, since - since % p);
    const auto lit = static_cast<double>(std::ranges::count(full, true));
    behind.fired = static_cast<std::size_t>(
        std::lround(lit / static_cast<double>(since) * static_cast<double>(p)));
  }
  if (rate_per_s) behind.held_rate_per_s = *rate_per_s * behind.supply;
  behind.held_power_ev = std::log2(behind.supply);
  return behind;
}

}  // namespace

RingAdvice advise(const TurnSeen& seen) {
  const Turn ring(seen);
  RingAdvice advice{.step_px = ring.step_px(), .rate_per_s = ring.rate_per_s()};
  const std::vector<Leg> legs = ring.legs();
  for (const SweepRange& sweep : seen.sweeps) advice.sweeps.push_back(ring.of(sweep, legs));
  choose_sweep(advice);
  std::size_t most = 0;
  const auto interval_s =
      advice.rate_per_s ? std::optional(1.0 / *advice.rate_per_s) : std::nullopt;
  for (const FlashRun& run : flash_runs(seen, interval_s)) {
    const auto missed = static_cast<std::size_t>(std::ranges::count(run.full, false));
    if (missed <= most) continue;
    most = missed;
    advice.flash = flash_behind(run, advice.rate_per_s);
  }
  return advice;
}

SweepTurn in_px_of(SweepTurn turn, double ratio) {
  const auto scale = [ratio](RingStep& step) { step.step_px *= ratio; };
  turn.turn_px *= ratio;
  turn.largest_step_px *= ratio;
  if (turn.turn_factor) {
    *turn.turn_factor /= ratio;
    turn.frames_for_same_turn = frames_for_same_turn(turn);
  }
  std::ranges::for_each(turn.too_quick, scale);
  if (turn.jump) scale(*turn.jump);
  return turn;
}

void choose_sweep(RingAdvice& advice) {
  advice.sweep = 0;
  advice.largest_step_px = 0.0;
  advice.turn_factor.reset();
  advice.frames_for_same_turn.reset();
  for (std::size_t i = 0; i < advice.sweeps.size(); ++i) {
    const SweepTurn& turn = advice.sweeps[i];
    if (turn.largest_step_px <= advice.largest_step_px) continue;
    advice.sweep = i;
    advice.largest_step_px = turn.largest_step_px;
    advice.turn_factor = turn.turn_factor;
    advice.frames_for_same_turn = turn.frames_for_same_turn;
  }
}

}  // namespace ringsweep
