#pragma once
/// Common axis: two sets of positions of the same tiles, fitted apart -> one axis.

#include <cstddef>
#include <optional>
#include <span>

namespace ringsweep {

/// A tile's position in both.
struct TwoPositions {
  double a_px = 0.0;
  double b_px = 0.0;
};

/// a = offset + ratio b. Blur per way of the ring is as 1 / f-number: |ratio| is that of the
/// apertures; < 0 where the two grow towards other sides.
struct CommonAxis {
  double ratio = 1.0;
  double ratio_sd = 0.0;
  double offset_px = 0.0;
  double middle_px = 0.0;   ///< of b, where the line is known best
  double scatter_px = 0.0;  ///< of the tiles about the line, 1 sigma
  std::size_t tiles = 0;    ///< that lie on it
  /// 1 sigma of where the line puts b. @param scale_sd  of both, relative, where each was measured
  /// by itself
  [[nodiscard]] double sd_px(double b_px, double scale_sd) const;
};

/// Robust line through the tiles: least squares, those farther than 2.5 sigma (by the median
/// deviation) left out, until nothing changes. Nothing where fewer than 20 tiles or less than half
/// of them lie on a line, where the line explains less than twice their scatter, or b has no depth.
[[nodiscard]] std::optional<CommonAxis> common_axis(std::span<const TwoPositions> tiles);

}  // namespace ringsweep
