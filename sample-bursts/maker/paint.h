#pragma once
/// Solid textures: functions of a point, with detail at every scale down to a given one.

#include <cmath>
#include <cstdint>
#include <opencv2/core.hpp>

namespace ringsweep::maker {

/// Smooth noise of unit wavelength, about -1..1, mean 0.
[[nodiscard]] float noise(const cv::Vec3f& point, std::uint64_t seed);

/// Octaves of noise from wavelength `longest` down to `shortest`, all alike in amplitude: in a
/// picture that is the 1/f amplitude spectrum of natural surfaces. About -1..1.
[[nodiscard]] float natural_noise(const cv::Vec3f& point, float longest, float shortest,
                                  std::uint64_t seed);

/// The cell a point lies in, cells about one unit wide around scattered centres.
struct Cell {
  std::uint64_t id = 0;  ///< a hash, the same all over the cell
  float edge = 0.0F;    ///< distance to the next cell's centre minus that to this one's; 0 = border
  float centre = 0.0F;  ///< distance to this cell's centre
};
[[nodiscard]] Cell cell_at(const cv::Vec3f& point, std::uint64_t seed);

/// Uniform 0..1 from a cell's id; `k` chooses among independent ones.
[[nodiscard]] float cell_value(const Cell& cell, std::uint64_t k);

[[nodiscard]] inline float smooth_step(float from, float to, float x) {
  float t = (x - from) / (to - from);
  t = t < 0.0F ? 0.0F : (t > 1.0F ? 1.0F : t);
  return t * t * (3.0F - 2.0F * t);
}

/// Noise as a factor of brightness.
[[nodiscard]] inline float contrast(float noise_value, float strength) {
  return std::exp(strength * noise_value);
}

[[nodiscard]] inline cv::Vec3f mix(const cv::Vec3f& a, const cv::Vec3f& b, float t) {
  return a * (1.0F - t) + b * t;
}

}  // namespace ringsweep::maker
