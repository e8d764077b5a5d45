#pragma once
/// Our scene: a small beetle on a grass seed-head in a mountain meadow at dawn, all of it computed.

#include <cstdint>
#include <vector>

#include "maker/scene.h"

namespace ringsweep::maker {

struct Meadow {
  std::vector<Object> objects;
  int drops = 0;  ///< dew drops on the camera's side
};

/// The beetle stands on the seed-head's upper side, its head to the left and nearer than its tail;
/// the seed-head runs through the picture from lower left (near) to upper right (far).
[[nodiscard]] Meadow beetle_on_seed_head(std::uint64_t seed);

/// The far meadow, and a blade of grass in front that is never sharp.
void hang_veils(std::uint64_t seed, const SceneFrame& frame, Scene& scene);

}  // namespace ringsweep::maker
