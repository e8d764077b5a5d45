#pragma once
/// The blur disc of a round pupil and the hexagon of a stopped-down one as convolution kernels,
/// sub-pixel diameters included.

#include <opencv2/core.hpp>

namespace ringsweep::maker {

/// Kernel of a uniform disc, (2 n + 1) x (2 n + 1), CV_32F, sum 1.
///
/// Edge pixels hold the share of their area inside the disc. Integrating over pixels alone would
/// widen the disc by 1/12 px^2; the drawn radius is chosen so that the variance along an axis is
/// radius^2 / 4, that of the disc itself, from zero diameter on.
/// @param radius_px  >= 0
/// @throws std::invalid_argument  radius_px negative or not finite
[[nodiscard]] cv::Mat disc_kernel(double radius_px);

/// The same of a regular hexagon of the disc's area, two corners on the x axis. Its own variance
/// along an axis is kHexagonVariance * radius^2, and so is the kernel's.
[[nodiscard]] cv::Mat hexagon_kernel(double radius_px);
/// 5 / 24 of the squared circumradius, which is 2 pi / sqrt 27 of the disc's squared radius.
inline constexpr double kHexagonVariance = 5.0 / 24.0 * 1.2091995761561452;

}  // namespace ringsweep::maker
