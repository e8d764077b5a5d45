#pragma once
/// Subject: which tiles of the picture the photographer wants sharp.

#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

struct SubjectOptions {
  double min_weight = 0.05;  ///< tiles that fit the model worse do not count
  double island_gap_px =
      6.0;                 ///< beyond an end, what lies this far behind empty depth is no subject
  double reach_px = 14.0;  ///< farther beyond an end, blur is too strong to tell a depth
};

/// Positions of the subject's tiles, px, rising.
///
/// Inside the sweep every tile that is sharp somewhere counts: what the photographer turned the
/// ring through, he wanted. Beyond the first and last frame only what goes on without a break
/// counts; a far background and a blade that stays blurred lie apart.
[[nodiscard]] std::vector<double> subject_positions(const Profiles& profiles,
                                                    const FocalPositions& focus,
                                                    const SubjectOptions& options = {});

}  // namespace ringsweep
