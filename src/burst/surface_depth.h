#pragma once
/// How deep the surface lies at a place between tiles of known depth.

#include <opencv2/core.hpp>
#include <optional>

namespace ringsweep {

/// Of a plane through the depths of the tiles around, the near ones above all; those of another
/// surface count nothing: least squares, reweighted in rounds (P. J. Huber, Robust Statistics,
/// 1981, from memory).
/// @param tile_q_px CV_32FC1, NaN where not known.
/// @param tile_px   edge of a tile, > 0
/// @param at        px of the picture that the tiles divide
/// @return nothing where fewer than three tiles are known
[[nodiscard]] std::optional<double> surface_depth_px(const cv::Mat& tile_q_px, int tile_px,
                                                     cv::Point at);

}  // namespace ringsweep
