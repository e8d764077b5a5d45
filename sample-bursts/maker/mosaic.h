#pragma once
/// One colour a photosite: red, green / green, blue, from the upper left.

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/core.hpp>

#include "maker/random.h"
#include "maker/recipe.h"

namespace ringsweep::maker {

/// What one photosite makes of light: photon noise and read noise.
class Photosite {
 public:
  explicit Photosite(const Sensor& sensor)
      : well_(static_cast<float>(sensor.full_well_e)),
        read_variance_(static_cast<float>(sensor.read_noise_e * sensor.read_noise_e)) {}

  /// Share of the full well, not clipped.
  /// @param light   share of the full well without noise
  /// @param random  of this photosite in this frame
  [[nodiscard]] float operator()(float light, std::uint64_t random) const {
    const float electrons = std::max(0.0F, light) * well_;
    // Photon noise as a normal deviate of the same variance: thousands of electrons per pixel.
    const float noisy =
        electrons + std::sqrt(electrons + read_variance_) * normal_from_hash(random);
    return noisy / well_;
  }

 private:
  float well_, read_variance_;
};

/// Names a channel of a pixel, for its random number.
[[nodiscard]] constexpr std::uint64_t place_of(int x, int y, int channel) {
  return (static_cast<std::uint64_t>(y) << 32U) | static_cast<std::uint64_t>(x * 3 + channel);
}

/// 0 red, 1 green, 2 blue.
[[nodiscard]] constexpr int colour_at(int x, int y) { return (x & 1) + (y & 1); }

/// What the photosites hold of linear RGB light times `gain`: CV_32F, shares of the full well with
/// noise, which is below 0 in the dark as above a camera's black level; clipped at 1.
[[nodiscard]] cv::Mat mosaic_of(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                                std::uint64_t noise_seed);

/// Every pixel's missing colours as the mean of the nearest that have them (bilinear): CV_32FC3
/// RGB. Mirrored beyond the edge, which keeps the pattern.
[[nodiscard]] cv::Mat interpolated(const cv::Mat& mosaic);

}  // namespace ringsweep::maker
