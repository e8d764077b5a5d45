#pragma once

#include "ringsweep/analyse.h"
#include "upright_map.h"

namespace ringsweep {

/// What the depth picture is drawn from. Parameters are those of one burst; positions as judged.
[[nodiscard]] DepthMap depth_map(const MeasuredBurst& burst, const FocalPositions& focus,
                                 const Subject& subject, double blur_limit_px,
                                 const UprightMap& upright);

}  // namespace ringsweep
