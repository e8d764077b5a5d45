#pragma once
/// Who is on stage: objects in named parts that can move, and drops that can be lost. Lengths in u
/// (scene.h).

#include <cstdint>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "maker/scene.h"
#include "maker/shaders.h"

namespace ringsweep::maker {

inline constexpr std::uint8_t kPerchPart = 0;

struct Part {
  std::string name;
  cv::Vec3f joint;                    ///< where it turns
  std::vector<std::uint8_t> carries;  ///< parts that move along
};

struct Drop {
  cv::Vec3f centre;
  float radius = 0.0F;
  std::uint64_t seed = 0;
  std::uint8_t part = kPerchPart;  ///< it sits on, and moves with
};

struct Cast {
  std::vector<Object> objects;  ///< without the drops
  std::vector<Part> parts;      ///< the perch first
  std::vector<Drop> drops;
  float glint = 2.2F;  ///< radiance of the lights in the drops; 1 is white
};

/// A turn about the part's joint, then a shift.
struct Motion {
  std::uint8_t part = kPerchPart;
  cv::Matx33f turn = cv::Matx33f::eye();
  cv::Vec3f shift{0, 0, 0};

  [[nodiscard]] bool operator==(const Motion&) const = default;
};

/// What is different from the cast as it was built.
struct Pose {
  std::vector<Motion> motions;
  cv::Vec3f sway{0, 0, 0};            ///< of everything, u
  std::vector<std::uint16_t> absent;  ///< drops, from 1
  struct DropShift {
    std::uint16_t drop = 0;
    cv::Vec3f shift{0, 0, 0};
    float growth = 1.0F;
    [[nodiscard]] bool operator==(const DropShift&) const = default;
  };
  std::vector<DropShift> changed;
  float drop_growth = 1.0F;
  float light_turn_deg = 0.0F;
  Approach approach{};  ///< last, of everything: the camera's and the subject's own
  Approach camera{};    ///< of that, what is the camera's: nears the surroundings too

  [[nodiscard]] bool operator==(const Pose&) const = default;
};

/// Parts that move with `part`, itself first.
[[nodiscard]] std::vector<std::uint8_t> moving_with(const Cast& cast, std::uint8_t part);

/// Where a point of a part is in a pose.
[[nodiscard]] cv::Vec3f posed(const Cast& cast, const Pose& pose, std::uint8_t part,
                              const cv::Vec3f& point);

/// All objects of a pose, drops included.
[[nodiscard]] std::vector<Object> objects_of(const Cast& cast, const Pose& pose,
                                             const Light& light);

}  // namespace ringsweep::maker
