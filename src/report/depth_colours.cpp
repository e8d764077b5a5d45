#include "report/depth_colours.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <opencv2/core.hpp>

#include "ringsweep/upright.h"

namespace ringsweep {
namespace {

/// CIE 15:2004, 8.2.1.1, turned round; white is D65.
cv::Vec3d xyz_of_lab(double l, double a, double b) {
  constexpr double kEdge = 6.0 / 29.0;
  const auto cube = [](double f) {
    return f > kEdge ? f * f * f : 3.0 * kEdge * kEdge * (f - 4.0 / 29.0);
  };
  const double y = (l + 16.0) / 116.0;
  return {0.95047 * cube(y + a / 500.0), cube(y), 1.08883 * cube(y - b / 200.0)};
}

/// IEC 61966-2-1: primaries and transfer.
cv::Vec3b bgr_of_xyz(const cv::Vec3d& xyz) {
  const cv::Matx33d bgr_from_xyz(0.0557, -0.2040, 1.0570, -0.9689, 1.8758, 0.0415, 3.2406, -1.5372,
                                 -0.4986);
  const cv::Vec3d linear = bgr_from_xyz * xyz;
  cv::Vec3b bgr;
  for (int i = 0; i < 3; ++i) {
    const double c = std::max(linear[i], 0.0);
    const double encoded = c <= 0.0031308 ? 12.92 * c : 1.055 * std::pow(c, 1.0 / 2.4) - 0.055;
    bgr[i] = cv::saturate_cast<std::uint8_t>(255.0 * encoded);
  }
  return bgr;
}

}  // namespace

std::array<cv::Vec3b, kDepthColours> depth_colours() {
  std::array<cv::Vec3b, kDepthColours> colours;
  for (std::size_t i = 0; i < colours.size(); ++i) {
    const double t = static_cast<double>(i) / (kDepthColours - 1.0);
    const double chroma = 36.0 + 18.0 * std::sin(std::numbers::pi * t);
    const double hue = (290.0 + 165.0 * t) * std::numbers::pi / 180.0;
    // By hand: before its first picture in this space OpenCV fills tables for a tenth of a second.
    colours[i] =
        bgr_of_xyz(xyz_of_lab(20.0 + 73.0 * t, chroma * std::cos(hue), chroma * std::sin(hue)));
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
