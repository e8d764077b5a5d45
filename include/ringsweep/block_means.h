#pragma once
/// Block means: a picture -> a smaller one.

#include <opencv2/core.hpp>

namespace ringsweep {

/// Means of whole blocks of `times` x `times` px, of any type; what is left over at the right and
/// lower edge is dropped. A picture smaller than a block is one block.
/// @param times  >= 1; 1 gives the picture itself, not a copy
[[nodiscard]] cv::Mat block_means(const cv::Mat& picture, int times);

}  // namespace ringsweep
