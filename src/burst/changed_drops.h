#pragma once
/// Changed drops: those that are seen to go or to come by their whole picture, where no light of
/// theirs tells it.

#include <span>
#include <vector>

#include "ringsweep/drops.h"

namespace ringsweep {

/// Adds what went or came at places that changed, where it has the shape of a drop, stays so, and
/// is not told yet. Parameters as in find_drops().
void add_changed_drops(Drops& drops, std::span<const DropFrame> frames,
                       std::span<const PackedPicture> pictures,
                       std::span<const std::vector<Spot>> spots,
                       std::span<const ChangedPlace> changed, const cv::Mat& tile_q_px, int tile_px,
                       const ForEach& for_each);

}  // namespace ringsweep
