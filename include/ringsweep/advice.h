#pragma once
/// Ring advice: how far to turn the ring per frame next time.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/coverage.h"
#include "ringsweep/focal_positions.h"

namespace ringsweep {

struct RingAdvice {
  double step_px = 0.0;                 ///< 0.75 x allowed step: the step to aim at
  std::optional<double> turn_factor{};  ///< step_px / largest step on the subject; < 1: turn less
  std::optional<std::size_t> frames_for_same_turn{};  ///< frames needed for the subject's depth so
  double largest_step_px = 0.0;            ///< at the burst's rate, dark frames shared out
  bool dark_frames_are_the_cause = false;  ///< the gap is the flash's doing: wait for it instead
};

/// @param subject_px positions of the subject's tiles. A frame is on the subject when 0.5 % of them
/// lie within the blur limit of it.
/// @param skipped N: true for frames that the ring passed but that show nothing (dark, unreadable).
[[nodiscard]] RingAdvice advise(const FocalPositions& focus, const Coverage& coverage,
                                std::span<const double> subject_px,
                                const std::vector<bool>& skipped, double blur_limit_px);

}  // namespace ringsweep
