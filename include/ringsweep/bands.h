#pragma once
/// Bands: which tiles lie on something that runs out of the picture as a band: stem, blade or leaf.
///
/// A band looks much the same along its length. From a tile's middle the light across the local
/// direction is followed, step by step, to the border of the picture: while it stays like what was
/// followed so far, the band goes on, however blurred it is there. The local direction is that of
/// the structure tensor: J. Bigun, G. H. Granlund, Proc. ICCV 1987, p. 433, from memory.

#include <opencv2/core.hpp>

#include "ringsweep/for_each.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

/// @param picture CV_32FC1, grid.size, linear light: the mosaic
/// @param all_see CV_8UC1, grid rows x cols, 255 where all frames see the tile: its edge is the
/// border. Empty: the whole grid.
/// @return CV_8UC1, grid rows x cols, 255 where what is seen at the tile goes on to the border
[[nodiscard]] cv::Mat find_bands(const cv::Mat& picture, const TileGrid& grid,
                                 const cv::Mat& all_see,
                                 const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
