#pragma once
/// Depth look: small pictures of all frames of a burst, and what they say of each pixel: where it
/// is sharpest, and how sharp. Depth edges and the background are found in it.

#include <cstddef>
#include <opencv2/core.hpp>
#include <span>

#include "ringsweep/for_each.h"

namespace ringsweep {

/// A picture of at most this many bytes for each of the frames of a burst.
inline constexpr std::size_t kEdgePicturesBytes = std::size_t{64} << 20U;

/// By how much to shrink the grid's pictures so that `num_frames` of them are held, and no longer
/// edge than 1000 px: steps of depth are a few px wide there.
[[nodiscard]] int edge_picture_reduction(cv::Size grid, std::size_t num_frames);

/// CV_8UC1: square root of the luminance, 255 is 1. Shrunk by the mean over squares.
[[nodiscard]] cv::Mat edge_picture(const cv::Mat& luminance, int reduction);

/// What the frames say of each pixel.
struct DepthLook {
  cv::Mat frame;       ///< CV_16UC1, where it is sharpest
  cv::Mat energy;      ///< CV_32FC1, in that frame
  cv::Mat mean;        ///< CV_32FC1, of all frames
  cv::Mat lowest;      ///< CV_32FC1, of all frames
  cv::Mat highest;     ///< CV_8UC1, brightest of all frames
  double noise = 0.0;  ///< energy that is nothing but noise, in the frame where it is highest
};

/// @param pictures N, CV_8UC1, one size, by rising position.
/// @return empty for none.
/// @throws std::invalid_argument where sizes differ.
/// Cost O(N x pixels).
[[nodiscard]] DepthLook look_at_depth(std::span<const cv::Mat> pictures,
                                      const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
