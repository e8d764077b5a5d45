#include "report/action.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <initializer_list>
#include <optional>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include "report/wording.h"

namespace ringsweep::wording {
namespace {

bool holds(const FrameAnalysis& frame, FrameFlag flag) {
  return std::ranges::find(frame.flags, flag) != frame.flags.end();
}

bool unlit(const FrameAnalysis& frame) {
  return holds(frame, FrameFlag::dark) || holds(frame, FrameFlag::partly_lit);
}

std::size_t previous_usable(const BurstAnalysis& burst, std::size_t frame) {
  for (std::size_t k = frame; k-- > 0;) {
    if (burst.frames[k].usable) return k;
  }
  return frame;
}

std::size_t next_usable(const BurstAnalysis& burst, std::size_t frame) {
  for (std::size_t k = frame + 1; k < burst.frames.size(); ++k) {
    if (burst.frames[k].usable) return k;
  }
  return frame;
}

bool neighbours_in_time(const BurstAnalysis& burst, std::size_t first, std::size_t last) {
  return next_usable(burst, first) == last;
}

/// "8 a second", "2.5 a second", "one every 3 s".
std::string rate_words(double per_s) {
  constexpr double kWhole = 2.75;  // nobody sets a camera to 8.1 a second
  if (per_s >= kWhole) return fmt::format("{:.0f} a second", per_s);
  const double halves = std::round(2.0 * per_s) / 2.0;
  if (halves > 1.0) return fmt::format("{:g} a second", halves);
  if (per_s > 2.0 / 3.0) return "1 a second";
  return fmt::format("one every {:.0f} s", 1.0 / per_s);
}

/// A rate not above this one that a camera may be set to, per s.
double safe_rate_per_s(double per_s) {
  if (per_s >= 3.0) return std::floor(per_s);
  if (per_s >= 1.0) return std::floor(2.0 * per_s) / 2.0;
  return 1.0 / std::ceil(1.0 / per_s);
}

/// "half the flash power at twice the ISO"; whole stops, since the flash has no finer ones to count
/// on.
std::string power_words(double ev) {
  static constexpr std::array<std::string_view, 4> kWords{
      "half the flash power at twice the ISO", "a quarter of the flash power at four times the ISO",
      "an eighth of the flash power at eight times the ISO",
      "a sixteenth of the flash power at sixteen times the ISO"};
  const double stops = std::ceil(-ev - 0.05);  // a twentieth of a stop is no stop
  if (stops > static_cast<double>(kWords.size())) return "far less flash power at a higher ISO";
  return std::string(kWords[static_cast<std::size_t>(std::max(1.0, stops)) - 1]);
}

/// "a fifth of that turn", rounded up; a run-in too long costs frames, one too short the animal.
std::string share_of_turn(double share) {
  struct Fraction {
    double value;
    std::string_view words;
  };
  static constexpr std::array<Fraction, 7> kFractions{{{1.0 / 10.0, "a tenth of that turn"},
                                                       {1.0 / 5.0, "a fifth of that turn"},
                                                       {1.0 / 4.0, "a quarter of that turn"},
                                                       {1.0 / 3.0, "a third of that turn"},
                                                       {1.0 / 2.0, "half of that turn"},
                                                       {3.0 / 4.0, "three quarters of that turn"},
                                                       {1.0, "as much again"}}};
  for (const Fraction& fraction : kFractions) {
    if (share <= fraction.value) return std::string(fraction.words);
  }
  return "twice as much again";
}

/// A stretch that must be shot again, by frames of this burst.
struct Stretch {
  std::size_t from = 0;
  std::size_t to = 0;
  bool starts_before = false;  ///< from well before `from`
  bool goes_past = false;      ///< to well past `to`
};

/// How many frames more at the ring's present rate, or the one to aim at where that is slower;
/// nothing where the rate is unknown or the number would help nobody.
std::optional<int> frames_beyond(const BurstAnalysis& burst, const Reason& reason) {
  constexpr double kMost = 30.0;
  const RingAdvice& advice = burst.advice;
  if (!(advice.largest_step_px > 0.0) || !(advice.step_px > 0.0)) return std::nullopt;
  const double frames =
      std::ceil(reason.width_px / std::min(advice.largest_step_px, advice.step_px));
  if (!(frames >= 1.0) || frames > kMost) return std::nullopt;
  return static_cast<int>(frames);
}

struct Plan {
  std::vector<Stretch> stretches;
  std::vector<std::string> by_depth;  ///< gaps between frames of different sweeps
  std::optional<int> frames_before;
  std::optional<int> frames_past;
  std::optional<double> beyond_start_px;
  std::optional<double> beyond_end_px;
  bool turn_less = false;        ///< too quick as a whole, or nobody knows why
  bool flash_missed = false;     ///< a gap is the flash's doing
  bool camera_paused = false;    ///< ... the camera's, which left frames out
  bool moved = false;            ///< a part of the subject is elsewhere in some frames
  bool drops_lost = false;       ///< frames with and without a drop show it sharp
  bool swayed = false;           ///< ... the wind's
  std::optional<RingStep> jump;  ///< ... one jump of the ring
};

bool within(const RingStep& step, const Reason& gap) {
  return gap.first_frame <= step.from && step.to <= gap.last_frame;
}

/// What made a gap between two frames shot one after the other, though not the flash.
void find_cause(const BurstAnalysis& burst, const Reason& gap, Plan& plan) {
  for (const SweepTurn& turn : burst.advice.sweeps) {
    if (turn.jump && within(*turn.jump, gap)) {
      plan.jump = turn.jump;
      return;
    }
    for (const RingStep& step : turn.too_quick) {
      const auto frames = static_cast<double>(step.to - step.from);
      const double at_rate_px = step.step_px * frames / (frames + static_cast<double>(step.lost));
      if (within(step, gap) && step.lost > 0 && at_rate_px <= burst.allowed_step_px) {
        plan.camera_paused = true;
        return;
      }
    }
  }
  const auto swayed = [&](std::size_t k) { return burst.frames[k].scale_off_px.has_value(); };
  const bool even =
      burst.advice.largest_step_px > 0.0 && burst.advice.largest_step_px <= burst.allowed_step_px;
  if (even && (swayed(gap.first_frame) || swayed(gap.last_frame))) {
    plan.swayed = true;
  } else {
    plan.turn_less = true;
  }
}

Plan plan_reshoot(const BurstAnalysis& burst, std::span<const std::string> labels) {
  Plan plan;
  for (const Reason& reason : burst.verdict.reasons) {
    switch (reason.kind) {
      case ReasonKind::gap:
      case ReasonKind::gap_from_dark:
        if (reason.kind == ReasonKind::gap_from_dark) {
          plan.flash_missed = true;
        } else if (neighbours_in_time(burst, reason.first_frame, reason.last_frame)) {
          find_cause(burst, reason, plan);
        } else {
          plan.turn_less = true;
        }
        if (neighbours_in_time(burst, reason.first_frame, reason.last_frame)) {
          // One frame of overlap on either side, so that the new frames join the old ones.
          plan.stretches.push_back({.from = previous_usable(burst, reason.first_frame),
                                    .to = next_usable(burst, reason.last_frame)});
        } else {
          plan.by_depth.push_back(
              fmt::format("{} and {}", labels[reason.first_frame], labels[reason.last_frame]));
        }
        break;
      case ReasonKind::open_end:
        if (reason.at_start) {
          plan.stretches.push_back({.from = reason.first_frame,
                                    .to = next_usable(burst, reason.first_frame),
                                    .starts_before = true});
          plan.frames_before = frames_beyond(burst, reason);
          plan.beyond_start_px = reason.width_px;
        } else {
          plan.stretches.push_back({.from = previous_usable(burst, reason.first_frame),
                                    .to = reason.first_frame,
                                    .goes_past = true});
          plan.frames_past = frames_beyond(burst, reason);
          plan.beyond_end_px = reason.width_px;
        }
        break;
      case ReasonKind::moved:
        plan.moved = true;
        break;
      case ReasonKind::drop_lost:
        plan.drops_lost = true;
        break;
      case ReasonKind::covered:
      case ReasonKind::trembled:
      case ReasonKind::waking:
      case ReasonKind::soft_place:
      case ReasonKind::perch_goes_on:
      case ReasonKind::outside_picture:
      case ReasonKind::ends_not_told:
      case ReasonKind::too_few_frames:
      case ReasonKind::no_subject:
      case ReasonKind::no_sweep:
      case ReasonKind::fit_not_trusted:
      case ReasonKind::pictures_too_small:
        break;
    }
  }

  std::ranges::sort(plan.stretches, {}, &Stretch::from);
  std::vector<Stretch> merged;
  for (const Stretch& stretch : plan.stretches) {
    if (!merged.empty() && stretch.from <= merged.back().to) {
      merged.back().to = std::max(merged.back().to, stretch.to);
      merged.back().starts_before |= stretch.starts_before;
      merged.back().goes_past |= stretch.goes_past;
    } else {
      merged.push_back(stretch);
    }
  }
  plan.stretches = std::move(merged);
  return plan;
}

std::string frames_count(int count) {
  return count == 1 ? "1 frame" : fmt::format("{} frames", count);
}

/// Where in its sweep a stretch lies, for a hand that knows its turn and not the numbers of frames:
/// "half-way through the sweep"; "" where the positions do not tell, or it is an end.
std::string_view way_words(const BurstAnalysis& burst, const Stretch& stretch) {
  struct Way {
    double up_to;  ///< share of the turn
    std::string_view words;
  };
  static constexpr std::array<Way, 7> kWays{{{0.12, "soon after the sweep began"},
                                             {0.29, "at a quarter of the sweep"},
                                             {0.42, "at a third of the sweep"},
                                             {0.58, "half-way through the sweep"},
                                             {0.71, "at two thirds of the sweep"},
                                             {0.88, "at three quarters of the sweep"},
                                             {1.0, "shortly before the sweep ended"}}};
  if (stretch.starts_before || stretch.goes_past) return {};
  const auto sweep = std::ranges::find_if(burst.sweeps, [&](const Sweep& s) {
    return s.first <= stretch.from && stretch.to <= s.last;
  });
  if (sweep == burst.sweeps.end()) return {};
  std::optional<double> began, ended;
  for (std::size_t k = sweep->first; k <= sweep->last; ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    if (!frame.usable || !frame.focus_px) continue;
    if (!began) began = frame.focus_px;
    ended = frame.focus_px;
  }
  const std::optional<double>& from = burst.frames[stretch.from].focus_px;
  const std::optional<double>& to = burst.frames[stretch.to].focus_px;
  if (!from || !to || began == ended) return {};  // or neither is known
  const double share = (0.5 * (*from + *to) - *began) / (*ended - *began);
  const auto found = std::ranges::find_if(kWays, [&](const Way& w) { return share <= w.up_to; });
  return found == kWays.end() ? std::string_view() : found->words;
}

/// "from 1419 to well past 1420"
std::string frames_words(const Plan& plan, const Stretch& stretch,
                         std::span<const std::string> labels) {
  std::string from = labels[stretch.from];
  if (stretch.starts_before) {
    from = plan.frames_before
               ? fmt::format("at least {} before {}", frames_count(*plan.frames_before), from)
               : fmt::format("well before {}", from);
  }
  std::string to = labels[stretch.to];
  if (stretch.goes_past) {
    to = plan.frames_past ? fmt::format("at least {} past {}", frames_count(*plan.frames_past), to)
                          : fmt::format("well past {}", to);
  }
  return fmt::format("from {} to {}", from, to);
}

/// The sweep that the advice speaks of.
const SweepTurn* turn_of(const BurstAnalysis& burst) {
  const RingAdvice& advice = burst.advice;
  if (advice.sweep >= advice.sweeps.size()) return nullptr;
  const SweepTurn& turn = advice.sweeps[advice.sweep];
  return turn.frames_on_subject > 0 && turn.turn_px > 0.0 ? &turn : nullptr;
}

/// "start a fifth of that turn earlier and end a third of that turn later"; "" where both ends are
/// covered.
std::string ends_again(const BurstAnalysis& burst, const Plan& plan) {
  const SweepTurn* turn = turn_of(burst);
  std::vector<std::string> parts;
  const auto add = [&](const std::optional<double>& beyond_px, std::string_view verb,
                       std::string_view when) {
    if (!beyond_px) return;
    // To the end of what is missing, and an allowed step of air.
    const std::string share =
        turn == nullptr ? "well"
                        : share_of_turn((*beyond_px + burst.allowed_step_px) / turn->turn_px);
    parts.push_back(fmt::format("{} {} {}", verb, share, when));
  };
  add(plan.beyond_start_px, "start", "earlier");
  add(plan.beyond_end_px, "end", "later");
  return joined(parts);
}

/// Frames for the same turn, and the rate that the flash keeps up with.
struct Again {
  std::size_t frames = 0;
  std::size_t instead_of = 0;
  std::optional<double> rate_per_s;
};

std::optional<Again> frames_again(const BurstAnalysis& burst) {
  constexpr std::size_t kMostFrames = 500;  // no hand does that
  const SweepTurn* turn = turn_of(burst);
  const RingAdvice& advice = burst.advice;
  if (turn == nullptr || !advice.turn_factor || !advice.frames_for_same_turn) return std::nullopt;
  Again again{.frames = std::max(turn->frames_on_subject, *advice.frames_for_same_turn),
              .instead_of = turn->frames_on_subject,
              .rate_per_s = advice.rate_per_s};
  if (again.frames > kMostFrames) return std::nullopt;
  if (advice.flash && advice.flash->held_rate_per_s)
    again.rate_per_s = safe_rate_per_s(*advice.flash->held_rate_per_s);
  return again;
}

/// "about 6 s at 8 a second".
std::string time_words(const Again& again) {
  const double seconds = static_cast<double>(again.frames) / *again.rate_per_s;
  return fmt::format("about {:.0f} s at {}", std::max(1.0, std::round(seconds)),
                     rate_words(*again.rate_per_s));
}

/// "2.4 degrees of the ring a frame", or in mm of depth; "" where the lens is not known.
std::string per_frame_words(const StepSize& step) {
  if (step.turn_deg) return fmt::format("{:.2g} degrees of the ring a frame", *step.turn_deg);
  if (step.subject_mm) return fmt::format("{:.2g} mm of depth a frame", *step.subject_mm);
  return {};
}

/// The whole sweep, and how.
/// @param flash  what the hand does about the flash; may be ""
std::string whole_sweep(const BurstAnalysis& burst, const Plan& plan, const std::string& flash) {
  constexpr double kAsBefore = 0.9;  // a hand does not turn to a tenth
  const std::optional<double>& factor = burst.advice.turn_factor;
  const std::optional<Again> again = frames_again(burst);
  const std::string ends = ends_again(burst, plan);
  const StepSize step = ring_step(burst.advice.step_px, burst.ring);
  const std::string_view again_words =
      plan.moved ? "When all is still, sweep again" : "Whole sweep again";
  if (step.hardly_moves) return fmt::format("{}. {}", again_words, kRingHardlyMovesPlane);
  std::string how;
  const bool less = plan.turn_less && (!factor || *factor < kAsBefore);
  const bool slower_rate =
      plan.flash_missed && burst.advice.flash && burst.advice.flash->held_rate_per_s.has_value();
  if (again && (less || slower_rate)) {
    how = fmt::format("the same turn in {} frames", again->frames);
    if (less) how += fmt::format(" instead of {}", again->instead_of);
    if (again->rate_per_s) how += ", " + time_words(*again);
    if (const std::string words = per_frame_words(step); less && !words.empty())
      how += fmt::format(" ({})", words);
  } else if (less) {
    how = factor ? fmt::format("turn the ring {} per frame", turn_words(*factor))
                 : std::string("turn the ring less per frame");
  }
  for (const std::string& more : {flash, ends})
    if (!more.empty()) how += how.empty() ? more : "; " + more;
  std::string text =
      how.empty() ? fmt::format("{}.", again_words) : fmt::format("{}: {}.", again_words, how);
  // Of these a stack can be made, if with one place seen twice.
  if (plan.moved || plan.drops_lost) text += " Keep the frames you have.";
  constexpr double kLongS = 15.0;  // longer, and hand, animal and air will not keep still
  if (less && again && again->rate_per_s &&
      static_cast<double>(again->frames) > kLongS * *again->rate_per_s) {
    // A stop smaller makes every blur, and so every step, smaller by the square root of 2.
    const auto fewer =
        static_cast<std::size_t>(std::ceil(static_cast<double>(again->frames) / std::sqrt(2.0)));
    const bool diffraction =
        burst.quarter_wave_blur_px.value_or(0.0) * std::sqrt(2.0) > burst.blur_limit_px;
    text += diffraction
                ? " If that is too slow: half the flash power at twice the ISO, and a quicker rate."
                : fmt::format(" If that is too slow: one stop smaller, and {} frames will do.",
                              std::max(fewer, again->instead_of));
  }
  return text;
}

/// What to do about the flash.
struct FlashOrder {
  std::string how;      ///< as a sentence goes on: "at 7 a second"; or ""
  std::string then;     ///< a sentence, or ""
  std::string instead;  ///< a sentence, or ""
  std::string why;      ///< a sentence, or ""
};

FlashOrder flash_order(const BurstAnalysis& burst) {
  const std::optional<FlashBehind>& flash = burst.advice.flash;
  if (!flash)
    return {.how = {}, .then = "Wait for the flash before each frame.", .instead = {}, .why = {}};
  const std::string at_rate =
      burst.advice.rate_per_s ? fmt::format(" at {}", rate_words(*burst.advice.rate_per_s)) : "";
  const std::string after =
      flash->lit_before == 0
          ? fmt::format("The flash fell behind from the first frame{}", at_rate)
          : fmt::format("The flash fell behind after {}{}",
                        frames_count(static_cast<int>(flash->lit_before)), at_rate);
  const std::string power = power_words(flash->held_power_ev);
  if (flash->pattern == FlashPattern::gave_up) {
    if (flash->lit_before == 0)
      return {.how = {}, .then = "Check the flash first.", .instead = {}, .why = "It never fired."};
    return {.how = "with " + power,
            .then = {},
            .instead = "Or wait for the flash before each frame.",
            .why = after + " and did not come back."};
  }
  const std::string rate = flash->held_rate_per_s
                               ? rate_words(safe_rate_per_s(*flash->held_rate_per_s))
                               : "a lower rate";
  const std::string same_rate = at_rate.empty() ? " at the old rate" : at_rate;
  return {.how = fmt::format("at {}", rate),
          .then = "Turn slower.",
          .instead = fmt::format("Or stay{}, with {}.", same_rate, power),
          .why = after + "."};
}

/// Frames that stood still at an open end, as a sentence; "" where the ring went on.
std::string at_its_stop(const BurstAnalysis& burst, const Plan& plan,
                        std::span<const std::string> labels) {
  constexpr std::size_t kFewest = 3;  // fewer may be a hand that had come to its end
  for (std::size_t i = 0; i < burst.sweeps.size() && i < burst.advice.sweeps.size(); ++i) {
    const Sweep& sweep = burst.sweeps[i];
    const SweepTurn& turn = burst.advice.sweeps[i];
    const bool same_way = sweep.rising == burst.sweeps.front().rising;
    const auto stopped = [&](bool first_end) { return first_end == same_way; };
    const auto told = [&](std::size_t from, std::size_t to, bool first_end) {
      const std::string_view side = near_or_far(burst, first_end);
      const std::string_view where = side == "near " ? " back" : side == "far " ? " forward" : "";
      return fmt::format(
          "The ring stood still from {} to {}, perhaps at its stop: move the camera{} a little, "
          "then the whole sweep again.",
          labels[from], labels[to], where);
    };
    if (turn.still_at_start >= kFewest && sweep.first + turn.still_at_start <= sweep.last &&
        (stopped(true) ? plan.beyond_start_px : plan.beyond_end_px)) {
      return told(sweep.first, sweep.first + turn.still_at_start, stopped(true));
    }
    if (turn.still_at_end >= kFewest && sweep.first + turn.still_at_end <= sweep.last &&
        (stopped(true) ? plan.beyond_end_px : plan.beyond_start_px)) {
      return told(sweep.last - turn.still_at_end, sweep.last, !stopped(true));
    }
  }
  return {};
}

/// Whether so much is to be shot again that it is better to do all of it.
bool all_again(const BurstAnalysis& burst, const Plan& plan) {
  constexpr std::size_t kMostStretches = 3;  // more than this nobody remembers beside the tripod
  std::size_t frames = 0;
  for (const Stretch& stretch : plan.stretches) frames += stretch.to - stretch.from + 1;
  const std::size_t places = plan.stretches.size() + plan.by_depth.size();
  if (places == 0 || places > kMostStretches) return true;
  // Nor is it worth fiddling with ends where nearly all of it is wanted.
  return 4 * frames > 3 * burst.frames.size() || (places > 1 && 2 * frames > burst.frames.size());
}

/// Those of the sentences that are not empty.
std::string one_after_another(std::initializer_list<std::string> sentences) {
  std::string text;
  for (const std::string& sentence : sentences) {
    if (!text.empty() && !sentence.empty()) text += ' ';
    text += sentence;
  }
  return text;
}

std::string reshoot_action(const BurstAnalysis& burst, std::span<const std::string> labels) {
  const Plan plan = plan_reshoot(burst, labels);
  if (std::string stop = at_its_stop(burst, plan, labels); !stop.empty()) return stop;
  const FlashOrder flash = plan.flash_missed ? flash_order(burst) : FlashOrder{};
  // A hand that was too quick in one place was nearly so in others, and an animal that waits for a
  // part waits for all of it.
  if (plan.turn_less || plan.moved || plan.drops_lost || all_again(burst, plan)) {
    const bool rate_said =
        burst.advice.flash && burst.advice.flash->held_rate_per_s && frames_again(burst);
    const FlashOrder order = rate_said ? FlashOrder{} : flash;
    return one_after_another(
        {whole_sweep(burst, plan, order.how), order.then, flash.instead, flash.why});
  }
  std::vector<std::string> parts, frames;
  for (const Stretch& stretch : plan.stretches) {
    const std::string_view way = way_words(burst, stretch);
    if (way.empty()) {
      parts.push_back(frames_words(plan, stretch, labels));
      continue;
    }
    // A hand knows its turn; the numbers may be read afterwards.
    parts.emplace_back(way);
    frames.push_back(fmt::format("{} to {}", labels[stretch.from], labels[stretch.to]));
  }
  for (const std::string& pair : plan.by_depth) {
    parts.push_back(fmt::format("across the depth between {}", pair));
  }
  std::string how, why;
  if (plan.jump) {
    how = ", turning evenly";
    why = fmt::format("The ring jumped {}: it stuck, or you took a new grip.",
                      parts.size() == 1 ? "there"
                                        : fmt::format("between {} and {}", labels[plan.jump->from],
                                                      labels[plan.jump->to]));
  } else if (plan.camera_paused) {
    how = ", at a lower rate";
    why = "The camera left frames out.";
  } else if (plan.swayed) {
    how = ", when the air is still";
    why = "Camera or subject swayed.";
  }
  // One thing a sentence: the first is what is read in a hurry.
  if (!flash.how.empty()) how += ", " + flash.how;
  return one_after_another(
      {fmt::format("Add frames {}{}.", joined(parts), how), flash.then,
       frames.empty() ? std::string() : fmt::format("About where {} were.", joined(frames)),
       "Keep the frames you have.", flash.instead, flash.why, why});
}

std::string cannot_tell_action(const BurstAnalysis& burst) {
  const std::size_t half = (burst.frames.size() + 1) / 2;
  const auto count = [&](auto matches) {
    return static_cast<std::size_t>(std::ranges::count_if(burst.frames, matches));
  };
  const ReasonKind kind = burst.verdict.reasons.empty() ? ReasonKind::fit_not_trusted
                                                        : burst.verdict.reasons.front().kind;
  if (kind == ReasonKind::too_few_frames || kind == ReasonKind::no_subject) {
    if (count([](const auto& f) { return holds(f, FrameFlag::unreadable); }) >= half) {
      return "Try another card or reader; while the animal stays, sweep again.";
    }
    if (count(unlit) >= half) {
      return "Check the flash, then sweep again and wait for it before each frame.";
    }
  }
  switch (kind) {
    case ReasonKind::too_few_frames:
      return "Sweep again with more frames, from a little before the subject to a little past it.";
    case ReasonKind::no_subject:
      return "Sweep again, from a little before the subject to a little past it.";
    case ReasonKind::pictures_too_small:
      return burst.full_size_from == FullSizeFrom::unknown
                 ? "Check the files on the camera's card; if these are they, say --full-size."
                 : "Check the files on the camera's card.";
    case ReasonKind::no_sweep:
      return "Turn the ring while you shoot, from a little before the subject to a little past it.";
    default:
      return "Sweep again, one way and without stopping, camera and subject held still.";
  }
}

std::string keep_action(const BurstAnalysis& burst, std::span<const std::string> labels) {
  if (burst.frames.empty()) return "Nothing to shoot again.";
  struct Run {
    std::size_t first = 0;
    std::size_t last = 0;
  };
  std::vector<Run> runs;
  for (const std::size_t i : burst.complete_sweeps) {  // the others are not needed
    const Sweep& sweep = burst.sweeps[i];
    if (runs.empty() || sweep.first > runs.back().last + 1) runs.push_back({.first = sweep.first});
    runs.back().last = sweep.last;
  }
  if (runs.empty()) runs.push_back({0, burst.frames.size() - 1});
  std::vector<std::string> words;
  std::vector<std::size_t> without;
  for (Run& run : runs) {
    while (run.first < run.last && !burst.frames[run.first].usable) ++run.first;
    while (run.last > run.first && !burst.frames[run.last].usable) --run.last;
    words.push_back(fmt::format("{} to {}", labels[run.first], labels[run.last]));
    for (std::size_t k = run.first; k <= run.last; ++k) {
      const FrameAnalysis& frame = burst.frames[k];
      if (!frame.usable && !holds(frame, FrameFlag::idle)) without.push_back(k);
    }
  }
  const bool all = runs[0].last - runs[0].first + 1 == burst.frames.size() && without.empty();
  std::string text = fmt::format(
      "Keep {}{}", all ? fmt::format("all {} frames, ", burst.frames.size()) : "", joined(words));
  constexpr std::size_t kMostNamed = 8;
  if (without.size() > kMostNamed) {
    text += ", without the frames named above";
  } else if (!without.empty()) {
    text += fmt::format(", without {}", list_of_frames(without, labels));
  }
  return text + ".";
}

}  // namespace

std::string turn_words(double turn_factor) {
  struct Fraction {
    double value;
    std::string_view words;
  };
  static constexpr std::array<Fraction, 8> kFractions{{{1.0, "as far as before"},
                                                       {3.0 / 4.0, "about three quarters as far"},
                                                       {2.0 / 3.0, "about two thirds as far"},
                                                       {1.0 / 2.0, "about half as far"},
                                                       {1.0 / 3.0, "about a third as far"},
                                                       {1.0 / 4.0, "about a quarter as far"},
                                                       {1.0 / 5.0, "about a fifth as far"},
                                                       {1.0 / 10.0, "about a tenth as far"}}};
  if (!(turn_factor > 0.0)) return "far less";
  // A hand turns by ratios, so the nearest fraction is the one with the smallest ratio to it.
  const auto& nearest = *std::ranges::min_element(kFractions, {}, [&](const Fraction& fraction) {
    return std::abs(std::log(turn_factor / fraction.value));
  });
  if (turn_factor < 0.07) return "far less";
  if (turn_factor < 0.9 && nearest.value == 1.0) return std::string(kFractions[1].words);
  return std::string(nearest.words);
}

std::string action(const BurstAnalysis& burst) {
  const std::vector<std::string> labels = frame_labels(burst);
  switch (burst.verdict.kind) {
    case VerdictKind::complete:
      return keep_action(burst, labels);
    case VerdictKind::complete_without: {
      if (flagged(burst, FrameFlag::moved).empty()) return keep_action(burst, labels);
      const FramesThatGo go = frames_that_go_together(burst, labels);
      if (!go.one_run) return fmt::format("Stack {}.", go.words);
      const bool all = std::ranges::none_of(burst.verdict.notes, [](const Reason& note) {
        return note.kind == ReasonKind::open_end || note.kind == ReasonKind::soft_place;
      });
      return fmt::format("At home, stack only {}{}.", go.words, all ? ": they cover it all" : "");
    }
    case VerdictKind::reshoot:
      return reshoot_action(burst, labels);
    case VerdictKind::cannot_tell:
      break;
  }
  return cannot_tell_action(burst);
}

}  // namespace ringsweep::wording
