#include "report/depth_colours.h"

#include <cmath>
#include <cstdint>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "ringsweep/upright.h"

namespace ringsweep {

std::array<cv::Vec3b, kDepthColours> depth_colours() {
  cv::Mat lab(1, kDepthColours, CV_32FC3);
  for (int i = 0; i < kDepthColours; ++i) {
    const double t = i / (kDepthColours - 1.0);
    const double lightness = 20.0 + 73.0 * t;
    const double chroma = 36.0 + 18.0 * std::sin(std::numbers::pi * t);
    const double hue = (290.0 + 165.0 * t) * std::numbers::pi / 180.0;
    lab.at<cv::Vec3f>(i) = {static_cast<float>(lightness),
                            static_cast<float>(chroma * std::cos(hue)),
                            static_cast<float>(chroma * std::sin(hue))};
  }
  cv::Mat bgr;
  cv::cvtColor(lab, bgr, cv::COLOR_Lab2BGR);
  std::array<cv::Vec3b, kDepthColours> colours;
  for (int i = 0; i < kDepthColours; ++i) {
    const auto c = bgr.at<cv::Vec3f>(i);
    for (int j = 0; j < 3; ++j) {
      colours[static_cast<std::size_t>(i)][j] = cv::saturate_cast<std::uint8_t>(255.0F * c[j]);
    }
  }
  return colours;
}

TileRole role_at(const DepthMap& depth, int row, int col) {
  return depth.role.empty() ? TileRole::subject
                            : static_cast<TileRole>(depth.role.at<std::uint8_t>(row, col));
}

cv::Matx33d upright_matrix(cv::Size sensor, int orientation) {
  const cv::Point2d o = upright_from_sensor({0.0, 0.0}, sensor, orientation);
  const cv::Point2d x = upright_from_sensor({1.0, 0.0}, sensor, orientation) - o;
  const cv::Point2d y = upright_from_sensor({0.0, 1.0}, sensor, orientation) - o;
  return {x.x, y.x, o.x, x.y, y.y, o.y, 0.0, 0.0, 1.0};
}

cv::Mat upright(const cv::Mat& picture, int orientation) {
  cv::Mat result = picture;
  if (orientation >= 5 && orientation <= 8) cv::transpose(picture, result);
  switch (orientation) {
    case 2:
    case 6:
      cv::flip(result, result, 1);
      break;
    case 3:
    case 7:
      cv::flip(result, result, -1);
      break;
    case 4:
    case 8:
      cv::flip(result, result, 0);
      break;
    default:
      break;
  }
  return result;
}

}  // namespace ringsweep
