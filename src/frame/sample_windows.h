#pragma once
/// A few windows of the burst side by side, as a small burst of their own: for what needs texture,
/// but not all of it.

#include <opencv2/core.hpp>
#include <vector>

#include "ringsweep/profiles.h"

namespace ringsweep {

struct SampleWindows {
  cv::Mat mosaic;  ///< CV_32FC1, grid.size
  TileGrid grid;
  std::vector<TileMeasures> frames;  ///< N; valid only in the windows' cores, whose blur is whole
};

/// The windows whose texture is strongest throughout: of all cores those with the highest median of
/// the mosaic's sharpness. Fewer where the picture has no room for as many.
/// @param frames N, capture order; empty for frames that were not measured
[[nodiscard]] SampleWindows sample_windows(const Mosaic& mosaic,
                                           const std::vector<TileMeasures>& frames,
                                           const TileGrid& grid);

}  // namespace ringsweep
