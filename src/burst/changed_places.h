#pragma once
/// Changed places: tiles that are another picture from a frame on, where no shift of theirs
/// explains it, and the parts that moved there.

#include <vector>

#include "burst/patch_course.h"
#include "burst/tile_fields.h"

namespace ringsweep {

/// Parts that moved once, each with its shift.
[[nodiscard]] std::vector<Found> find_changed(const TileFields& burst, const ForEach& for_each);

/// A place whose change no shift explains.
struct UnexplainedPlace {
  std::size_t c = 0;  ///< the first frame, of `order`, that shows it changed
  FramePair pair{};   ///< of `order`: the one that shows it best
  std::vector<std::size_t> tiles{};
};

[[nodiscard]] std::vector<UnexplainedPlace> find_unexplained(const TileFields& burst,
                                                             const ForEach& for_each);

/// Measures a part that moved once, or trembles, anew: its shift before the ground around it.
void measure_before_ground(const TileFields& burst, Found& part);

}  // namespace ringsweep
