#pragma once
/// Animal and perch told apart beside a perch that goes through the picture as a strip: a stem, a
/// blade, a seed-head. A leg, a feeler, a body that lies as deep as the perch lies beside the
/// strip; what sticks out of the strip on the other side, or along it where no animal is, belongs
/// to it.

#include <optional>
#include <vector>

#include "burst/depth_tiles.h"

namespace ringsweep {

/// @param known  of each tile: whether it is known to lie on the perch
/// @param among  of each tile: whether it is subject or perch
/// @return of each tile: whether it is no animal: perch, or a speck far from both. Nothing where
/// what is known is no strip, or no animal is to be seen beside it.
/// Same input, same result: random pairs come from `seed`.
[[nodiscard]] std::optional<std::vector<bool>> perch_of_strip(const DepthTiles& field,
                                                              const std::vector<bool>& known,
                                                              const std::vector<bool>& among,
                                                              unsigned seed);

}  // namespace ringsweep
