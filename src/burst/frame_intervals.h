#pragma once
/// What the camera's clock tells of the time between frames.

#include <cstddef>
#include <optional>
#include <span>

namespace ringsweep {

struct FrameIntervals {
  std::size_t count = 0;      ///< neighbours that both have a time
  double usual_s = 0.0;       ///< their median; 0 where there are none
  bool whole_seconds = true;  ///< the clock counts no fractions of a second
};

/// @param time_s  N, capture order
[[nodiscard]] FrameIntervals frame_intervals(std::span<const std::optional<double>> time_s);

}  // namespace ringsweep
