#pragma once
/// From light on the sensor to a file: exposure, noise, mosaic, tone, sharpening, sRGB, Exif.

#include <cstdint>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "maker/recipe.h"

namespace ringsweep::maker {

/// sRGB transfer function, linear 0..1 to code value 0..1 (IEC 61966-2-1:1999).
[[nodiscard]] float srgb_encode(float linear);

/// Code value 0..1 after the S around middle grey (0.18 of the light): both ends and middle grey
/// stay, the slope there is 1 + strength.
[[nodiscard]] float tone_curve(float code, double strength);

/// 8-bit BGR picture of linear RGB light: gain, photon and read noise, clipping, the mosaic and
/// what interpolates it, sRGB, tone curve, sharpening of the luma.
/// @param noise_seed  one per frame
[[nodiscard]] cv::Mat develop(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                              std::uint64_t noise_seed);

/// The same with 16 bits.
[[nodiscard]] cv::Mat develop_16_bit(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                                     std::uint64_t noise_seed);

/// JPEG (4:2:0) with the Exif fields a camera behind a manual lens writes: no f-number, no maker.
/// @throws std::runtime_error  the encoder refuses
[[nodiscard]] std::vector<unsigned char> jpeg_with_exif(const cv::Mat& bgr, const Sensor& sensor,
                                                        const std::string& time);

/// TIFF of an 8- or 16-bit picture, with the same fields.
/// @throws std::runtime_error  the encoder refuses
[[nodiscard]] std::vector<unsigned char> tiff_with_exif(const cv::Mat& bgr,
                                                        const std::string& time);

/// The file of a frame, in the format of the recipe.
/// @throws std::runtime_error  the encoder refuses
[[nodiscard]] std::vector<unsigned char> frame_file(const cv::Mat& linear_rgb, double gain,
                                                    const Sensor& sensor, std::uint64_t noise_seed,
                                                    const std::string& time);

}  // namespace ringsweep::maker
