#pragma once
/// Trembling: parts that go to and fro from one frame to the next.

#include <vector>

#include "burst/patch_course.h"
#include "burst/tile_fields.h"

namespace ringsweep {

/// Before a tile's own scatter is heeded (widen_by_tile), which is what is sought here.
[[nodiscard]] std::vector<Found> find_trembling(const TileFields& burst,
                                                const MovementOptions& options);

}  // namespace ringsweep
