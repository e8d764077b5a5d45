#pragma once
/// Small vector geometry of the scenes.

#include <numbers>
#include <opencv2/core.hpp>

namespace ringsweep::maker {

inline constexpr float kPi = std::numbers::pi_v<float>;

[[nodiscard]] inline cv::Vec3f unit(const cv::Vec3f& v) {
  return v * (1.0F / static_cast<float>(cv::norm(v)));
}

/// v without its component along the unit vector `along`, normalised.
[[nodiscard]] inline cv::Vec3f square_to(const cv::Vec3f& v, const cv::Vec3f& along) {
  return unit(v - along * v.dot(along));
}

[[nodiscard]] inline cv::Matx33f columns(const cv::Vec3f& a, const cv::Vec3f& b,
                                         const cv::Vec3f& c) {
  return {a[0], b[0], c[0], a[1], b[1], c[1], a[2], b[2], c[2]};
}

/// Rotation by `angle` radians about a unit vector (Rodrigues).
[[nodiscard]] inline cv::Matx33f turned(const cv::Vec3f& axis, float angle) {
  const float c = std::cos(angle), s = std::sin(angle);
  const cv::Matx33f cross(0, -axis[2], axis[1], axis[2], 0, -axis[0], -axis[1], axis[0], 0);
  return cv::Matx33f::eye() + cross * s + cross * cross * (1.0F - c);
}

}  // namespace ringsweep::maker
