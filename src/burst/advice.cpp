#include "ringsweep/advice.h"

#include <algorithm>
#include <cmath>

namespace ringsweep {

RingAdvice advise(const FocalPositions& focus, const Coverage& coverage,
                  std::span<const double> subject_px, const std::vector<bool>& skipped,
                  double blur_limit_px) {
  RingAdvice advice{.step_px = 0.75 * 2.0 * blur_limit_px};
  std::vector<double> subject(subject_px.begin(), subject_px.end());
  std::ranges::sort(subject);
  const auto on_subject = [&](double q) {
    const auto from = std::ranges::lower_bound(subject, q - blur_limit_px);
    const auto to = std::ranges::upper_bound(subject, q + blur_limit_px);
    return static_cast<double>(to - from) >= 0.005 * static_cast<double>(subject.size()) &&
           to > from;
  };
  std::optional<std::size_t> before;
  std::size_t between = 0;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    if (!focus.frames[k].q_px) {
      if (skipped[k]) ++between;
      continue;
    }
    if (before && on_subject(*focus.frames[*before].q_px) && on_subject(*focus.frames[k].q_px)) {
      const double step = std::abs(*focus.frames[k].q_px - *focus.frames[*before].q_px) /
                          static_cast<double>(between + 1);
      advice.largest_step_px = std::max(advice.largest_step_px, step);
    }
    before = k;
    between = 0;
  }
  if (advice.largest_step_px > 0.0) {
    advice.turn_factor = advice.step_px / advice.largest_step_px;
    const double depth = coverage.subject_high_px - coverage.subject_low_px;
    if (coverage.has_subject)
      // The subject's depth at the step to aim at, and a frame before and after it.
      advice.frames_for_same_turn = static_cast<std::size_t>(std::ceil(depth / advice.step_px)) + 3;
  }
  advice.dark_frames_are_the_cause =
      !coverage.gaps.empty() && advice.turn_factor && advice.largest_step_px <= 2.0 * blur_limit_px;
  return advice;
}

}  // namespace ringsweep
