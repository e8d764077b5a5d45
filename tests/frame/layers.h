#pragma once
/// Made pictures of layers at known depths, as a lens shows them.

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "ringsweep/profiles.h"

namespace ringsweep {

/// Pictures by rising position, as edge_picture() makes them.
struct Stack {
  std::vector<cv::Mat> pictures{};
  std::vector<double> q_px{};
};

/// CV_32FC1, each pixel spread over a disc.
inline cv::Mat out_of_focus(const cv::Mat& picture, double diameter_px) {
  cv::Mat blurred;
  cv::filter2D(picture, blurred, CV_32F, disc_kernel(diameter_px), {-1, -1}, 0, cv::BORDER_REFLECT);
  return blurred;
}

}  // namespace ringsweep
