#pragma once
/// Where tiles lie, the frames held.

#include <cstddef>
#include <span>

#include "burst/fit_state.h"

namespace ringsweep {

/// Seeks each of these tiles' positions: on a grid of trial positions, then between them; its
/// amplitudes follow in closed form at each. Sets `u`, `amplitude` and `placed`.
/// @param reach_px how far a tile may lie beyond the first or the last frame.
void place_tiles(const FitInput& input, FitState& state, std::span<const std::size_t> tiles,
                 double reach_px);

}  // namespace ringsweep
