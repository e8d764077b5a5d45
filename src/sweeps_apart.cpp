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

/// What can be said of two sweeps that do not go together.
std::string difference(std::size_t sweep, const std::optional<CommonAxis>& axis) {
  const std::string name = "Sweep " + std::to_string(sweep + 1);
  if (!axis) return name + " shows the subject otherwise: it was moved, or the camera was.";
  constexpr double kSame = 0.04;
  const double more = std::abs(axis->ratio) - 1.0;
  if (std::abs(more) <= std::max(kSame, 2.0 * axis->ratio_sd))
    return name + " goes with the best one in depth, but its light or its blur differ.";
  return name + " has " + percent(std::abs(more)) + (more > 0.0 ? " less" : " more") +
         " blur for the same depth: another aperture.";
}

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
  result.notes.push_back(
      "The sweeps do not go together: each was judged by itself, and the best one is the answer.");
  std::size_t poses_before = 0;  // conflicts in the sweeps so far
  for (std::size_t i = 0; i < sweeps.size(); ++i) {
    BurstAnalysis& part = sweeps[i].analysis;
    std::optional<CommonAxis> axis;
    if (i != best && part.fit_status == FitStatus::converged) {
      const cv::Matx33d best_from_part =
          whole.frames[sweeps[best].analysis.reference].reference_from_frame.inv() *
          whole.frames[part.reference].reference_from_frame;
      axis = common_axis(positions_in_common(sweeps[best].analysis, part, best_from_part));
      result.notes.push_back(difference(result.sweeps.size(), axis));
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
    for (Sweep& sweep : part.sweeps) {
      if (turned) sweep.rising = !sweep.rising;
      if (i == best && sweep.verdict.kind == VerdictKind::complete &&
          result.complete_sweeps.empty())
        result.complete_sweeps = {result.sweeps.size()};
      result.sweeps.push_back(std::move(sweep));
    }
  }
  choose_sweep(result.advice);
  return result;
}

}  // namespace ringsweep
