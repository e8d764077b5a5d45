#pragma once
/// Where tiles of one frame lie in another, to a small part of a px: what is left of the subject's
/// own movement once frames are registered.
///
/// B. D. Lucas, T. Kanade, Proc. 7th IJCAI (1981) 674: least squares on brightness, linear in the
/// shift; here symmetric in the two pictures. Beside the shift each window has a gain, an offset
/// and the difference of two blurs free: of two Gaussians, whose variances differ by v, the wider
/// is the narrower plus v / 2 of its Laplacian, to first order. So a tile that is a little less
/// sharp in one of the frames (what its focal position says) is not taken for a shifted one.

#include <cstddef>
#include <cstdint>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/for_each.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

inline constexpr int kShiftLevels = 3;  ///< of a pyramid; coarse ones see what is far out of focus

/// Steps of a prepared frame from black to white. A whole burst of them is held, so they have two
/// bytes a px: roots up to 4, 16 times white. Rounding to a step errs by 1 / (16384 sqrt(12)) =
/// 2e-5; that of the files' 8 bits alone by 1 / (255 sqrt(12)) = 1e-3 a px, 3e-4 once smoothed.
inline constexpr double kShiftRoot = 16384.0;

/// A frame prepared for comparison: the root of its light (as noisy in the dark as in the light),
/// smoothed, on a pyramid. Empty: not measured.
struct ShiftFrame {
  /// CV_16UC1, kShiftRoot times the root; tiles are 8 px of the first.
  std::vector<cv::Mat> levels;
  std::vector<cv::Mat> masks;  ///< CV_8UC1, 255 where seen and not near clipped light, else 0
};
[[nodiscard]] ShiftFrame prepare_for_shifts(const PackedPicture& picture, const TileGrid& grid);

/// A tile of which the depth is known.
struct ShiftTile {
  int row = 0;
  int col = 0;
  double q_px = 0.0;  ///< full-size px of blur, as the frames' positions
};

/// What a tile did from one frame to another.
struct TileShift {
  std::int8_t level = -1;  ///< of the pyramid; -1: too blurred, or too differently, to be compared
  cv::Vec2f shift_px{};    ///< full-size px; the tile's middle is midway between both places
  /// Information, 1 / variance in full-size px^-2: xx, xy, yy; from the scatter that is left.
  cv::Vec3f information{};
  float before = 0.0F;  ///< mean square of the difference with no shift
  float after = 0.0F;   ///< the same with it
};

/// Two frames, by their indices.
struct FramePair {
  std::size_t first = 0;
  std::size_t second = 0;
};

/// @param frames N; @param q_px N, positions, full-size px.
/// @return for each pair M shifts, order of `tiles`.
[[nodiscard]] std::vector<std::vector<TileShift>> measure_shifts(
    std::span<const ShiftFrame> frames, std::span<const double> q_px,
    std::span<const ShiftTile> tiles, std::span<const FramePair> pairs, const TileGrid& grid,
    double full_px_per_px, const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
