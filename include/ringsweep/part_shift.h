#pragma once
/// How far a part moved that is thin, or moved by more than its width, before ground that stands
/// still: where tile_shifts.h averages both, or finds nothing.
///
/// Two pictures of one place, before and after. Each px of either is explained by standing still,
/// or by a shift; a shift is that of the part when it explains much of what standing still does
/// not: at the part's own px in the first picture, and at those where it is now in the second
/// (block matching; two layers: J. Y. A. Wang, E. H. Adelson, IEEE Trans. Image Processing 3
/// (1994) 625, from memory). Ground that the part covers or uncovers is explained by neither.
/// A leg turns about its joint: its shift changes along it, linearly for a small turn.

#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/tile_shifts.h"

namespace ringsweep {

/// A part's shift where it is seen.
struct PartShift {
  bool known = false;
  /// Share of the pictures' difference that the shift explains, in that picture of which it
  /// explains less: half where a part moved off its old place, all where it hardly uncovers
  /// anything; of what came or went, in one of them hardly any. 0..1.
  double explained = 0.0;
  std::vector<std::size_t> tiles{};  ///< that show it, as given
  std::vector<cv::Vec2d> shift{};    ///< of each, full-size px
  double shift_px = 0.0;             ///< 90th percentile over the part's px, full-size px
};

/// @param pairs  frames before and after, blurred alike there; not empty
/// @param tiles  where the pictures changed
/// @param level  of the pyramid
[[nodiscard]] PartShift find_part_shift(std::span<const ShiftFrame> frames,
                                        std::span<const FramePair> pairs,
                                        std::span<const ShiftTile> all,
                                        std::span<const std::size_t> tiles, int level,
                                        double full_px_per_px);

}  // namespace ringsweep
