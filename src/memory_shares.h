#pragma once
/// What of MeasureOptions::memory_bytes goes where.

#include <algorithm>
#include <cstddef>
#include <cstdint>

#include "ringsweep/measured_burst.h"

namespace ringsweep {

struct MemoryShares {
  std::size_t frames_at_once = 1;  ///< being read and measured; more make no machine busier
  double kept_bytes = 0.0;         ///< of pictures kept for later steps; the others are read again
  double step_bytes = 0.0;  ///< of pictures that a step after the fit holds all at once; it is left
                            ///< out where they are more

  /// How many packed pictures of so many px that is. Those held from the first look to the second
  /// give their room, one by one, to those kept from then on.
  /// @param beside_bytes  of what is held at the same time; with it no more than half as much again
  [[nodiscard]] std::size_t pictures_kept(double px, double beside_bytes = 0.0) const {
    const double bytes = std::clamp(1.5 * kept_bytes - beside_bytes, 0.0, kept_bytes);
    return static_cast<std::size_t>(bytes / (sizeof(std::uint16_t) * std::max(1.0, px)));
  }
};

/// In the same proportion whatever there is. The shares of the usual memory are ours, no source: a
/// sixth to keep what is not to be read twice, half for the steps, and the rest for four frames of
/// 24 megapixels on their way and what is measured on them.
[[nodiscard]] inline MemoryShares share_memory(std::size_t memory_bytes) {
  constexpr std::size_t kMostFrames = 4;
  constexpr double kUsuallyKept = 320.0 * 1048576.0;
  constexpr double kStepShare = 0.5;
  const double of_usual =
      static_cast<double>(memory_bytes) / static_cast<double>(kUsualMemoryBytes);
  return {.frames_at_once =
              std::clamp(static_cast<std::size_t>(static_cast<double>(kMostFrames) * of_usual),
                         std::size_t{1}, kMostFrames),
          .kept_bytes = kUsuallyKept * of_usual,
          .step_bytes = kStepShare * static_cast<double>(memory_bytes)};
}

}  // namespace ringsweep
