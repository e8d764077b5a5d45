#pragma once
/// From light on the sensor to a JPEG file: exposure, noise, sRGB, Exif.

#include <cstdint>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "maker/recipe.h"

namespace ringsweep::maker {

/// sRGB transfer function, linear 0..1 to code value 0..1 (IEC 61966-2-1:1999).
[[nodiscard]] float srgb_encode(float linear);

/// 8-bit BGR picture of linear RGB light: gain, photon and read noise, clipping, sRGB.
/// @param noise_seed  one per frame
[[nodiscard]] cv::Mat develop(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                              std::uint64_t noise_seed);

/// JPEG (4:2:0) with the Exif fields a camera behind a manual lens writes: no f-number, no maker.
/// @throws std::runtime_error  the encoder refuses
[[nodiscard]] std::vector<unsigned char> jpeg_with_exif(const cv::Mat& bgr, const Sensor& sensor,
                                                        const std::string& time);

}  // namespace ringsweep::maker
