#pragma once
/// Pieces that animals are built from. Lengths in u (scene.h).

#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "maker/random.h"
#include "maker/scene.h"
#include "maker/shaders.h"
#include "maker/vectors.h"

namespace ringsweep::maker {

struct Body {
  cv::Vec3f ahead, up, side;  ///< unit vectors; side points to the camera's half
  cv::Vec3f back;             ///< centre of the wing cases

  [[nodiscard]] cv::Vec3f at(const cv::Vec3f& origin, float forward, float upward,
                             float sideward) const {
    return origin + ahead * forward + up * upward + side * sideward;
  }
  [[nodiscard]] cv::Matx33f axes() const { return columns(ahead, up, side); }
};

struct LegLook {
  float thickness = 1.0F;
  int bristles = 46;
  cv::Vec3f colour{0.20F, 0.105F, 0.05F};
};

struct AntennaLook {
  float length = 205.0F;
  float thickness = 1.0F;
  cv::Vec3f colour{0.24F, 0.12F, 0.055F};
};

/// Hairs on the camera's side of an ellipsoid, combed backwards.
void comb(const Light& light, const Ellipsoid& e, const Body& body, int count, float length,
          Stream& r, std::vector<Object>& objects);

/// Thigh, shin, foot of four beads and two claws.
void add_leg(const Light& light, const Body& body, const LegLook& look, const cv::Vec3f& hip,
             const cv::Vec3f& knee, const cv::Vec3f& heel, const cv::Vec3f& toe, Stream& r,
             std::vector<Object>& objects);

/// A string of beads that starts in one direction and ends in another.
void add_antenna(const Light& light, const cv::Vec3f& root, const cv::Vec3f& first,
                 const cv::Vec3f& then, const AntennaLook& look, Stream& r,
                 std::vector<Object>& objects);

/// Marks the objects from number `first` on as belonging to a part.
void tag(std::vector<Object>& objects, std::size_t first, std::uint8_t part);

}  // namespace ringsweep::maker
