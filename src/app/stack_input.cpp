#include "app/stack_input.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace ringsweep::app {
namespace {

bool has(const FrameAnalysis& frame, FrameFlag flag) {
  return std::ranges::find(frame.flags, flag) != frame.flags.end();
}

/// One a sweep: it is not needed, and visibly differs from those that are complete.
std::vector<bool> sweeps_left_out(const BurstAnalysis& burst) {
  std::vector<bool> left_out(burst.sweeps.size(), false);
  const std::vector<std::size_t>& complete = burst.complete_sweeps;
  if (complete.empty()) return left_out;
  const auto differs = [&](std::size_t sweep) { return burst.sweeps[sweep].difference.any(); };
  const bool complete_differ = std::ranges::any_of(complete, differs);
  for (std::size_t i = 0; i < left_out.size(); ++i)
    left_out[i] =
        std::ranges::find(complete, i) == complete.end() && (complete_differ || differs(i));
  return left_out;
}

WhyLeftOut fault_of(const FrameAnalysis& frame, bool without_moved) {
  if (frame.usable && !(without_moved && has(frame, FrameFlag::moved)))
    return WhyLeftOut::in_the_list;
  static constexpr std::array<std::pair<FrameFlag, WhyLeftOut>, 8> kFaults{
      {{FrameFlag::unreadable, WhyLeftOut::unreadable},
       {FrameFlag::other_picture, WhyLeftOut::other_picture},
       {FrameFlag::other_settings, WhyLeftOut::other_settings},
       {FrameFlag::dark, WhyLeftOut::dark},
       {FrameFlag::partly_lit, WhyLeftOut::partly_lit},
       {FrameFlag::shaken, WhyLeftOut::shaken},
       {FrameFlag::dim, WhyLeftOut::dim},
       {FrameFlag::moved, WhyLeftOut::moved}}};
  for (const auto& [flag, why] : kFaults)
    if (has(frame, flag)) return why;
  return WhyLeftOut::no_position;
}

}  // namespace

double as_reported(double value) { return std::round(1000.0 * value) / 1000.0; }

std::optional<DepthRange> wanted_depths(const BurstAnalysis& burst) {
  if (burst.fit_status != FitStatus::converged || !burst.coverage.has_subject) return std::nullopt;
  DepthRange wanted{.low_px = as_reported(burst.coverage.subject_low_px),
                    .high_px = as_reported(burst.coverage.subject_high_px)};
  const double blur_limit_px = as_reported(burst.blur_limit_px);
  for (const End& end : burst.coverage.ends) {
    if (end.open || !burst.frames[end.frame].focus_px) continue;
    const double q_px = as_reported(*burst.frames[end.frame].focus_px);
    // The subject's end is known to about the blur limit: as far beyond it as the burst goes. And
    // an end that the verdict calls covered may lie beyond the limit by less than is sure.
    if (end.low)
      wanted.low_px = q_px <= wanted.low_px ? std::max(wanted.low_px - blur_limit_px, q_px)
                                            : std::max(wanted.low_px, q_px - blur_limit_px);
    else
      wanted.high_px = q_px >= wanted.high_px ? std::min(wanted.high_px + blur_limit_px, q_px)
                                              : std::min(wanted.high_px, q_px + blur_limit_px);
  }
  if (!(wanted.low_px <= wanted.high_px)) return std::nullopt;
  return wanted;
}

std::vector<DepthRange> empty_depths(const BurstAnalysis& burst) {
  std::vector<std::size_t> order;
  for (std::size_t k = 0; k < burst.frames.size(); ++k)
    if (burst.frames[k].usable && burst.frames[k].focus_px) order.push_back(k);
  std::ranges::stable_sort(order, {}, [&](std::size_t k) { return *burst.frames[k].focus_px; });
  std::vector<DepthRange> empty;
  for (std::size_t i = 1; i < order.size(); ++i) {
    const double blur_limit_px = as_reported(burst.blur_limit_px);
    const double low_px = as_reported(*burst.frames[order[i - 1]].focus_px) + blur_limit_px;
    const double high_px = as_reported(*burst.frames[order[i]].focus_px) - blur_limit_px;
    const bool is_gap = std::ranges::any_of(burst.coverage.gaps, [&](const Gap& gap) {
      return gap.lower == order[i - 1] && gap.upper == order[i];
    });
    if (low_px < high_px && !is_gap) empty.push_back({.low_px = low_px, .high_px = high_px});
  }
  return empty;
}

std::vector<StackFrame> stack_frames(const BurstAnalysis& burst) {
  const bool without_moved = burst.verdict.kind == VerdictKind::complete_without;
  const std::vector<bool> left_out = sweeps_left_out(burst);
  std::vector<StackFrame> frames;
  std::size_t sweep = 0;
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    while (sweep < burst.sweeps.size() && k > burst.sweeps[sweep].last) ++sweep;
    frames.push_back(
        {.q_px = frame.focus_px ? std::optional(as_reported(*frame.focus_px)) : std::nullopt,
         .fault = fault_of(frame, without_moved),
         .idle = has(frame, FrameFlag::idle),
         .sweep = sweep,
         .pose = frame.pose,
         .moved = has(frame, FrameFlag::moved),
         .shake_px = as_reported(frame.shake_px.value_or(0.0)),
         .gain_ev = as_reported(frame.gain_ev.value_or(0.0))});
    if (sweep < left_out.size() && left_out[sweep] &&
        frames.back().fault == WhyLeftOut::in_the_list)
      frames.back().fault = WhyLeftOut::other_sweep;
  }
  return frames;
}

}  // namespace ringsweep::app
