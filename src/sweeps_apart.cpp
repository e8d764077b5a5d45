#include "sweeps_apart.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <utility>

#include "burst/common_axis.h"
#include "ringsweep/session.h"
#include "tiles_in_common.h"

namespace ringsweep {
namespace {

constexpr double kLeastWeight = SubjectOptions{}.min_weight;

void shift(Verdict& verdict, std::size_t by) {
  for (auto* list : {&verdict.reasons, &verdict.notes})
    for (Reason& reason : *list) {
      reason.first_frame += by, reason.last_frame += by;
      reason.calm_first += by, reason.calm_last += by;
    }
}

void shift(std::vector<Gap>& gaps, std::size_t by) {
  for (Gap& gap : gaps) gap.lower += by, gap.upper += by;
}

void shift(RingAdvice& advice, std::size_t by) {
  const auto move = [by](RingStep& step) { step.from += by, step.to += by; };
  for (SweepTurn& turn : advice.sweeps) {
    std::ranges::for_each(turn.too_quick, move);
    if (turn.jump) move(*turn.jump);
  }
  if (advice.flash) advice.flash->first_frame += by;
}

/// Frames counted from `by` on.
void shift(BurstAnalysis& burst, std::size_t by) {
  burst.reference += by;
  if (burst.haze) burst.haze->first_frame += by;
  shift(burst.coverage.gaps, by);
  for (Step& step : burst.coverage.steps) step.lower += by, step.upper += by;
  for (End& end : burst.coverage.ends) end.frame += by;
  for (Sweep& sweep : burst.sweeps) {
    sweep.first += by;
    sweep.last += by;
    shift(sweep.verdict, by);
    shift(sweep.gaps, by);
  }
  for (auto* list : {&burst.drops.lost, &burst.drops.appeared})
    for (DropChange& drop : *list) drop.before += by, drop.after += by;
  for (MovedPart& part : burst.movement.parts) {
    part.frame += by;
    for (std::size_t& k : part.moves) k += by;
  }
  for (WholeShift& jump : burst.whole_shifts) jump.frame += by;
  shift(burst.verdict, by);
  shift(burst.advice, by);
}

/// Positions of the tiles that both see, in the order of the rows.
std::vector<TwoPositions> positions_in_common(const BurstAnalysis& a, const BurstAnalysis& b,
                                              const cv::Matx33d& a_from_b) {
  std::vector<TwoPositions> result;
  for (const TwoTiles& t : tiles_in_common(a.depth, b.depth, a_from_b, kLeastWeight))
    result.push_back({.a_px = a.depth.q_px.at<float>(t.a), .b_px = b.depth.q_px.at<float>(t.b)});
  return result;
}

std::string percent(double share) { return std::to_string(std::lround(100.0 * share)) + " %"; }

/// What differs between two sweeps on one axis that do not go together.
SweepDifference difference(const CommonAxis& axis) {
  constexpr double kSame = 0.04;
  SweepDifference result;
  const double more = std::abs(axis.ratio) - 1.0;
  if (std::abs(more) > std::max(kSame, 2.0 * axis.ratio_sd))
    result.blur = -more;
  else
    result.light_from_elsewhere = true;
  return result;
}

std::string difference_words(std::size_t sweep, const std::optional<CommonAxis>& axis) {
  const std::string name = "Sweep " + std::to_string(sweep + 1);
  if (!axis) return name + " shows the subject otherwise: it was moved, or the camera was.";
  const double more = difference(*axis).blur;
  if (more == 0.0)
    return name + " goes with the best one in depth, but its light or its blur differ.";
  return name + " has " + percent(std::abs(more)) + (more < 0.0 ? " less" : " more") +
         " blur for the same depth: another aperture.";
}

/// The sweeps of one part of the burst that was judged by itself, by their place in the whole's.
struct Part {
  std::size_t first_sweep = 0, end_sweep = 0;
  bool may_fill = false;  ///< on the best one's axis, and nothing moved in it
};

bool lacks_depth_only(const Verdict& verdict) {
  return std::ranges::all_of(verdict.reasons, [](const Reason& reason) {
    return reason.kind == ReasonKind::gap || reason.kind == ReasonKind::gap_from_dark ||
           reason.kind == ReasonKind::open_end || reason.kind == ReasonKind::covered;
  });
}

/// What the best sweep lacks, filled by frames of others that focus there.
class MadeUp {
 public:
  MadeUp(BurstAnalysis& burst, std::size_t best, std::span<const Part> parts)
      : burst_(burst), best_(best), parts_(parts) {}

  /// Where that makes it complete, says so: the fewest sweeps, the best one among them.
  void complete() {
    if (burst_.verdict.kind != VerdictKind::reshoot || !lacks_depth_only(burst_.verdict)) return;
    std::vector<std::size_t> all;
    for (std::size_t i = 0; i < parts_.size(); ++i)
      if (i != best_ && parts_[i].may_fill) all.push_back(i);
    for (const std::size_t i : all)
      if (filled_by({i})) return told({i});
    if (all.size() > 1 && filled_by(all)) told(all);
  }

 private:
  [[nodiscard]] double at(std::size_t frame) const { return *burst_.frames[frame].focus_px; }

  /// Positions of usable frames that are well enough known, between two positions.
  [[nodiscard]] std::vector<double> between(double low, double high,
                                            const std::vector<std::size_t>& of_parts) const {
    std::vector<double> inside;
    for (const std::size_t i : of_parts)
      for (std::size_t s = parts_[i].first_sweep; s < parts_[i].end_sweep; ++s)
        for (std::size_t k = burst_.sweeps[s].first; k <= burst_.sweeps[s].last; ++k) {
          const FrameAnalysis& frame = burst_.frames[k];
          if (!frame.usable || !frame.focus_px || !frame.focus_sd_px) continue;
          if (*frame.focus_sd_px > 0.5 * burst_.blur_limit_px) continue;
          if (*frame.focus_px > low && *frame.focus_px < high) inside.push_back(*frame.focus_px);
        }
    std::ranges::sort(inside);
    return inside;
  }

  [[nodiscard]] bool no_step_too_wide(const std::vector<double>& positions) const {
    return std::ranges::adjacent_find(positions, [&](double a, double b) {
             return b - a > burst_.allowed_step_px;
           }) == positions.end();
  }

  [[nodiscard]] bool fills(const Reason& reason, const std::vector<std::size_t>& of_parts) const {
    if (reason.kind != ReasonKind::open_end) {
      const auto [low, high] = std::minmax({at(reason.first_frame), at(reason.last_frame)});
      std::vector<double> positions = between(low, high, of_parts);
      positions.insert(positions.begin(), low);
      positions.push_back(high);
      return no_step_too_wide(positions);
    }
    const auto end = std::ranges::find_if(burst_.coverage.ends, [&](const End& e) {
      return e.open && e.frame == reason.first_frame;
    });
    if (end == burst_.coverage.ends.end()) return false;
    const double from = at(end->frame), way = end->low ? -1.0 : 1.0;
    const double to = from + way * (end->beyond_px + burst_.allowed_step_px);
    std::vector<double> positions = between(std::min(from, to), std::max(from, to), of_parts);
    positions.insert(end->low ? positions.end() : positions.begin(), from);
    const double outermost = end->low ? positions.front() : positions.back();
    return no_step_too_wide(positions) &&
           way * (outermost - from) >= end->beyond_px - burst_.blur_limit_px;
  }

  [[nodiscard]] bool filled_by(const std::vector<std::size_t>& of_parts) const {
    return std::ranges::all_of(burst_.verdict.reasons,
                               [&](const Reason& reason) { return fills(reason, of_parts); });
  }

  void told(const std::vector<std::size_t>& of_parts) {
    for (const Reason& reason : burst_.verdict.reasons)
      for (End& end : burst_.coverage.ends)
        if (reason.kind == ReasonKind::open_end && end.frame == reason.first_frame)
          end.open = false, end.beyond_px = 0.0, end.subject_share = 0.0;
    std::erase_if(burst_.coverage.gaps, [](const Gap& gap) { return !gap.soft; });
    burst_.verdict.kind = VerdictKind::complete;
    burst_.verdict.reasons = {{.kind = ReasonKind::covered}};
    std::vector<bool> in(parts_.size(), false);
    in[best_] = true;
    for (const std::size_t i : of_parts) in[i] = true;
    burst_.complete_sweeps.clear();
    for (std::size_t i = 0; i < parts_.size(); ++i)
      for (std::size_t s = parts_[i].first_sweep; in[i] && s < parts_[i].end_sweep; ++s)
        burst_.complete_sweeps.push_back(s);
  }

  BurstAnalysis& burst_;
  std::size_t best_;
  std::span<const Part> parts_;
};

}  // namespace

BurstAnalysis put_together(const BurstAnalysis& whole, std::vector<SweepAlone> sweeps) {
  std::size_t best = 0;
  for (std::size_t i = 1; i < sweeps.size(); ++i)
    if (better(sweeps[i].analysis, sweeps[best].analysis)) best = i;
  for (SweepAlone& sweep : sweeps) shift(sweep.analysis, sweep.first);
  BurstAnalysis result = sweeps[best].analysis;
  result.start_s = whole.start_s;
  result.frames.clear();
  result.sweeps.clear();
  result.complete_sweeps.clear();
  result.advice.sweeps.clear();
  std::vector<Part> parts(sweeps.size());
  std::size_t poses_before = 0;  // conflicts in the sweeps so far
  for (std::size_t i = 0; i < sweeps.size(); ++i) {
    BurstAnalysis& part = sweeps[i].analysis;
    std::optional<CommonAxis> axis;
    if (i != best && part.fit_status == FitStatus::converged) {
      const cv::Matx33d best_from_part =
          whole.frames[sweeps[best].analysis.reference].reference_from_frame.inv() *
          whole.frames[part.reference].reference_from_frame;
      axis = common_axis(positions_in_common(sweeps[best].analysis, part, best_from_part));
      result.notes.push_back(difference_words(result.sweeps.size(), axis));
    }
    for (std::size_t k = 0; k < part.frames.size(); ++k) {
      FrameAnalysis frame = std::move(part.frames[k]);
      const FrameAnalysis& seen = whole.frames[sweeps[i].first + k];
      frame.time_s = seen.time_s;
      frame.reference_from_frame = seen.reference_from_frame;
      frame.scale = seen.scale;
      frame.pose += poses_before;
      if (i != best) {
        // Without a common axis their positions mean nothing beside the others'.
        if (axis && frame.focus_px) {
          const double scale_sd =
              std::hypot(result.scale_sd.value_or(0.0), part.scale_sd.value_or(0.0));
          if (frame.focus_sd_px)
            frame.focus_sd_px = std::hypot(axis->ratio * *frame.focus_sd_px,
                                           axis->sd_px(*frame.focus_px, scale_sd));
          frame.focus_px = axis->offset_px + axis->ratio * *frame.focus_px;
        } else {
          frame.focus_px.reset();
          frame.focus_sd_px.reset();
        }
      }
      result.frames.push_back(std::move(frame));
    }
    if (!result.frames.empty()) poses_before = result.frames.back().pose;
    const bool turned = axis && axis->ratio < 0.0;
    part.advice.sweeps.resize(part.sweeps.size());
    for (SweepTurn& turn : part.advice.sweeps)
      result.advice.sweeps.push_back(in_px_of(std::move(turn), axis ? std::abs(axis->ratio) : 1.0));
    parts[i].first_sweep = result.sweeps.size();
    parts[i].end_sweep = result.sweeps.size() + part.sweeps.size();
    parts[i].may_fill = axis && lacks_depth_only(part.verdict);
    for (Sweep& sweep : part.sweeps) {
      if (axis) sweep.difference = difference(*axis);
      if (turned) sweep.rising = !sweep.rising;
      if (i == best && sweep.verdict.kind == VerdictKind::complete &&
          result.complete_sweeps.empty())
        result.complete_sweeps = {result.sweeps.size()};
      result.sweeps.push_back(std::move(sweep));
    }
  }
  choose_sweep(result.advice);
  MadeUp(result, best, parts).complete();
  result.notes.insert(
      result.notes.begin(),
      "The sweeps do not go together: each was judged by itself, and " +
          std::string(result.complete_sweeps.size() > 1 ? "the best one lacks what others have."
                                                        : "the best one is the answer."));
  return result;
}

}  // namespace ringsweep
