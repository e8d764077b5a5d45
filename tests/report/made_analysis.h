#pragma once
/// Analyses made by hand: what the report is given, without a picture or a fit.

#include <cstddef>
#include <string>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::made {

inline Reason reason(ReasonKind kind, std::size_t first = 0, std::size_t last = 0) {
  Reason result;
  result.kind = kind;
  result.first_frame = first;
  result.last_frame = last;
  return result;
}

/// 2024-06-16, 04:52:00.5, on a camera's clock: 19890 days after 1970-01-01 (54 years of 365 days,
/// 13 leap days, 167 days of 2024 before it).
inline constexpr double kEightMinutesToFive = 19890 * 86400.0 + 4 * 3600.0 + 52 * 60.0 + 0.5;

/// `count` usable frames, DSC0<first>.JPG and on, one allowed step apart, all covered.
inline BurstAnalysis complete_burst(int first = 1207, std::size_t count = 25) {
  BurstAnalysis burst;
  burst.folder = "meadow";
  burst.full_size = {6000, 4000};
  burst.blur_limit_px = 2.4;
  burst.allowed_step_px = 4.8;
  burst.fit_status = FitStatus::converged;
  burst.scale_sd = 0.031;
  for (std::size_t k = 0; k < count; ++k) {
    FrameAnalysis frame;
    frame.file = "DSC0" + std::to_string(first + static_cast<int>(k)) + ".JPG";
    frame.time_s = 0.2 * static_cast<double>(k);
    frame.focus_px = 3.0 * static_cast<double>(k);
    frame.focus_sd_px = 0.07;
    frame.gain_ev = -0.02;
    frame.usable = true;
    burst.frames.push_back(frame);
  }
  burst.reference = count / 2;
  burst.coverage.has_subject = true;
  burst.coverage.subject_low_px = 4.0;
  burst.coverage.subject_high_px = 3.0 * static_cast<double>(count) - 5.0;
  burst.coverage.ends = {{.low = true, .open = false, .beyond_px = 0.0, .frame = 0},
                         {.low = false, .open = false, .beyond_px = 0.0, .frame = count - 1}};
  for (std::size_t k = 1; k < count; ++k)
    if (*burst.frames[k].focus_px > burst.coverage.subject_low_px &&
        *burst.frames[k - 1].focus_px < burst.coverage.subject_high_px)
      burst.coverage.steps.push_back({.lower = k - 1, .upper = k, .width_px = 3.0});
  burst.verdict = {.kind = VerdictKind::complete, .reasons = {reason(ReasonKind::covered)}};
  burst.sweeps = {
      {.first = 0, .last = count - 1, .rising = true, .verdict = burst.verdict, .gaps = {}}};
  burst.advice.step_px = 3.6;
  burst.advice.largest_step_px = 3.0;
  burst.advice.turn_factor = 1.2;
  burst.advice.sweeps = {{.frames_on_subject = count,
                          .turn_px = 3.0 * static_cast<double>(count - 1),
                          .evenness = 0.0,
                          .largest_step_px = 3.0,
                          .turn_factor = 1.2}};
  return burst;
}

/// 1301 to 1324 with nothing sharp between 1310 and 1311; the ring turned twice as far as it
/// should, everywhere.
inline BurstAnalysis gapped_burst() {
  BurstAnalysis burst = complete_burst(1301, 24);
  Reason gap = reason(ReasonKind::gap, 9, 10);
  gap.width_px = 7.0;
  gap.width_sd_px = 0.3;
  gap.subject_share = 0.12;
  burst.verdict = {.kind = VerdictKind::reshoot, .reasons = {gap}};
  burst.coverage.gaps = {{.lower = 9,
                          .upper = 10,
                          .width_px = 7.0,
                          .width_sd_px = 0.3,
                          .subject_share = 0.12,
                          .probability = 0.99,
                          .soft = false,
                          .box_px = {3000, 1000, 500, 400}}};
  burst.sweeps.front().verdict = burst.verdict;
  burst.sweeps.front().gaps = burst.coverage.gaps;
  burst.advice.largest_step_px = 7.0;
  burst.advice.turn_factor = 3.6 / 7.0;
  burst.advice.frames_for_same_turn = 47;
  burst.advice.sweeps[0].turn_factor = burst.advice.turn_factor;
  burst.advice.sweeps[0].frames_for_same_turn = 47;
  return burst;
}

inline BurstAnalysis with_reasons(BurstAnalysis burst, VerdictKind kind,
                                  std::vector<Reason> reasons) {
  burst.verdict = {.kind = kind, .reasons = std::move(reasons)};
  return burst;
}

inline void flag(BurstAnalysis& burst, std::size_t frame, FrameFlag flag, bool usable) {
  burst.frames.at(frame).flags.push_back(flag);
  burst.frames.at(frame).usable = usable;
}

}  // namespace ringsweep::made
