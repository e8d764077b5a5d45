#pragma once
/// Our scene: a small beetle on a grass seed-head in a mountain meadow at dawn, all of it computed.

#include <cstdint>
#include <vector>

#include "maker/cast.h"
#include "maker/scene.h"
#include "maker/shaders.h"

namespace ringsweep::maker {

/// The beetle stands on the seed-head's upper side, its head to the left and nearer than its tail;
/// the seed-head runs through the picture from lower left (near) to upper right (far).
[[nodiscard]] Cast beetle_on_seed_head(std::uint64_t seed, const Light& light);

/// The far meadow, and, where wanted, a blade of grass in front that is never sharp.
void hang_veils(std::uint64_t seed, const SceneFrame& frame, bool blade, Scene& scene);

}  // namespace ringsweep::maker
