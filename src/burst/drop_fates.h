#pragma once
/// What became of drops: one that went and is nearby from then on rolled there, one that is back
/// later on was there all the time.

#include <opencv2/core.hpp>

#include "ringsweep/drops.h"

namespace ringsweep {

/// Of things that went or came: two lights, or light and rim, of one drop.
[[nodiscard]] bool at_one_place(cv::Point2d a, double a_radius_px, cv::Point2d b,
                                double b_radius_px);

/// Of all that was found to go or to come: what went and is nearby from then on rolled, and is told
/// once; what went and comes back to its place is told neither as gone nor as come. Puts all in
/// order: by frame, then by row.
void settle_fates(Drops& drops);

}  // namespace ringsweep
