#pragma once
/// Scenes drawn from a seed: an animal on a perch, many kinds of both.

#include <cstdint>

#include "maker/cast.h"
#include "maker/recipe.h"

namespace ringsweep::maker {

/// Body, eyes, legs, antennae, fur, surface and drops are drawn from the seed. Parts: "perch",
/// "abdomen", "chest", "head" (carries eyes and antennae), "antenna-1", "antenna-2", "leg-1" to
/// "leg-6". The perch, stem, leaf or seed-head, runs out of the picture on both sides: it is
/// subject as far as the animal's own depth goes, as are the drops on it, and no farther.
/// @param width_px  of the pictures: drops get radii of 2 to 15 px
[[nodiscard]] Cast varied_cast(std::uint64_t seed, Perch perch, const Light& light, int width_px);

/// From the animal's farthest to its nearest point, u.
struct DepthRange {
  double far_u = 0.0;
  double near_u = 0.0;
  [[nodiscard]] double depth_u() const { return near_u - far_u; }
};
[[nodiscard]] DepthRange depth_range(const Cast& cast);

}  // namespace ringsweep::maker
