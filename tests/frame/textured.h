#pragma once
/// A picture made up for tests: band-limited texture of several sizes, so that blur and sub-pixel
/// shifts are exactly defined.

#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

namespace ringsweep {

/// Luminance 0.05 to 1, CV_32FC1: noise of three sizes, each a Gaussian of `sigma` px or more.
inline cv::Mat textured(cv::Size size, unsigned seed, double sigma = 1.2) {
  cv::RNG random(seed);
  cv::Mat sum = cv::Mat::zeros(size, CV_32FC1);
  for (const double scale : {1.0, 4.0, 16.0}) {
    cv::Mat noise(size, CV_32FC1);
    random.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
    cv::GaussianBlur(noise, noise, {}, sigma * scale, sigma * scale, cv::BORDER_REFLECT);
    cv::Scalar mean, sd;
    cv::meanStdDev(noise, mean, sd);
    sum += noise / sd[0];
  }
  sum = sum * 0.09 + 0.4;
  return cv::max(cv::min(sum, 1.0), 0.05);
}

}  // namespace ringsweep
