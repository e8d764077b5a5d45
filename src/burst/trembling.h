#pragma once
/// Trembling: parts that go to and fro from one frame to the next.

#include <span>
#include <vector>

#include "burst/patch_course.h"
#include "burst/tile_fields.h"

namespace ringsweep {

/// Before a tile's own scatter is heeded (widen_by_tile), which is what is sought here.
[[nodiscard]] std::vector<Found> find_trembling(const TileFields& burst,
                                                const MovementOptions& options);

/// The sd of a part's places, about the mean of each run of steps: between runs the way is not
/// known.
/// @param steps  in time
[[nodiscard]] double scatter_px(std::span<const TremorStep> steps);

}  // namespace ringsweep
