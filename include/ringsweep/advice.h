#pragma once
/// Ring advice: how far to turn the ring per frame next time.

#include <cstddef>
#include <optional>

namespace ringsweep {

struct RingAdvice {
  double step_px = 0.0;                       ///< 0.75 x allowed step: the step to aim at
  std::optional<double> turn_factor;          ///< step_px / largest step on the subject; < 1: turn less
  std::optional<std::size_t> frames_for_same_turn;  ///< frames needed for the subject's depth so
  double largest_step_px = 0.0;               ///< at the burst's rate, dark frames shared out
  bool dark_frames_are_the_cause = false;     ///< the gap is the flash's doing: wait for it instead
};

}  // namespace ringsweep
