#pragma once
/// Which frames cover depth at a blur limit: those that moved while they were exposed do not.

#include "ringsweep/focal_positions.h"

namespace ringsweep {

/// A movement is known no better than this: on real stacks shot from a stand, where nothing shakes,
/// up to 2.4 px are read, and no frame is to be thrown away for that. Beyond the blur limit, px.
inline constexpr double kShakeErrorPx = 1.0;

[[nodiscard]] inline bool shook(const FocalPosition& frame, double blur_limit_px) {
  return frame.shake_px.value_or(0.0) > blur_limit_px + kShakeErrorPx;
}

/// Frames that shook are not usable.
[[nodiscard]] inline FocalPositions without_shaken(FocalPositions focus, double blur_limit_px) {
  for (FocalPosition& frame : focus.frames)
    frame.usable = frame.usable && !shook(frame, blur_limit_px);
  return focus;
}

}  // namespace ringsweep
