#pragma once
/// Sweep differences: what is visibly not the same in two sweeps of one burst. Frames of both in
/// one stack then show it: a seam of light, an edge seen twice.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

/// How a frame shows the scene.
struct FrameView {
  double log_scale = 0.0;  ///< of its picture
  double rotation_deg = 0.0;
  double shift_x = 0.0;  ///< of its picture, in widths of the picture
  double shift_y = 0.0;
  std::optional<double> light_ev{};
};

/// Of a sweep against the first one; 0: no visible difference.
struct SweepDifference {
  double light_ev = 0.0;      ///< positive is lighter
  double size = 0.0;          ///< relative, of the picture where both focus alike
  double rotation_deg = 0.0;  ///< of the camera about the line of sight
  double shift = 0.0;         ///< of the picture, in its widths: seen from another place, maybe
  double viewpoint_px = 0.0;  ///< Movement::parallax_px, where that is more than the blur limit
  [[nodiscard]] bool any() const {
    return light_ev != 0.0 || size != 0.0 || rotation_deg != 0.0 || shift != 0.0 ||
           viewpoint_px != 0.0;
  }
};

/// From where on a difference counts as visible. Ours, no source.
struct SweepDifferenceOptions {
  double light_ev = 0.5;
  double size = 0.01;
  double rotation_deg = 1.0;
  double shift = 0.03;
};

/// Medians over the usable frames of each sweep; sizes are compared at equal positions, since the
/// ring changes them too (breathing).
/// @param views N, order of the frames
/// @return one a sweep, the first without a difference
[[nodiscard]] std::vector<SweepDifference> compare_sweeps(
    const FocalPositions& focus, std::span<const SweepRange> sweeps,
    std::span<const FrameView> views, const SweepDifferenceOptions& options = {});

}  // namespace ringsweep
