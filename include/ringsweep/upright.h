#pragma once
/// Upright: from the sensor's pixels to those of the picture as it is looked at. Exif orientation
/// 1 to 8: CIPA DC-008, tag 0x0112; others count as 1.

#include <opencv2/core.hpp>

namespace ringsweep {

/// @param sensor width and height, px
[[nodiscard]] inline cv::Size upright_size(cv::Size sensor, int orientation) {
  return orientation >= 5 && orientation <= 8 ? cv::Size(sensor.height, sensor.width) : sensor;
}

/// The centre of the first pixel is (0, 0), in both.
[[nodiscard]] inline cv::Point2d upright_from_sensor(cv::Point2d p, cv::Size sensor,
                                                     int orientation) {
  const double right = sensor.width - 1.0 - p.x, bottom = sensor.height - 1.0 - p.y;
  switch (orientation) {
    case 2:
      return {right, p.y};
    case 3:
      return {right, bottom};
    case 4:
      return {p.x, bottom};
    case 5:
      return {p.y, p.x};
    case 6:
      return {bottom, p.x};
    case 7:
      return {bottom, right};
    case 8:
      return {p.y, right};
    default:
      return p;
  }
}

}  // namespace ringsweep
