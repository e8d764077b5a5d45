#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep {

/// The same place in two depth maps: column and row.
struct TwoTiles {
  cv::Point a, b;
};

/// Tiles of the same places that weigh enough in both, in the order of b's rows.
/// @param a_from_b full-size px of the reference frames
[[nodiscard]] std::vector<TwoTiles> tiles_in_common(const DepthMap& a, const DepthMap& b,
                                                    const cv::Matx33d& a_from_b,
                                                    double least_weight);

}  // namespace ringsweep
