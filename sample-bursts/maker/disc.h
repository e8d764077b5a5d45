#pragma once
/// The blur disc of a round pupil as a convolution kernel, sub-pixel diameters included.

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

}  // namespace ringsweep::maker
