#pragma once
/// Sweeps apart: the sweeps of one burst, each analysed as if it were a burst -> one analysis.
///
/// Sweeps with another aperture, in other light or of an animal that was pushed have no common fit.
/// Each then has a verdict of its own, the best is the burst's, and the positions of the others are
/// brought to its axis by the tiles that both see.

#include <cstddef>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep {

/// One sweep's analysis, its frames counted from `first` of the burst.
struct SweepAlone {
  std::size_t first = 0;
  BurstAnalysis analysis;
};

/// @param whole of the burst, its fit not trusted; frames and registration are taken from it
/// @param sweeps by rising frame, together all frames; at least one with a fit that converged
[[nodiscard]] BurstAnalysis put_together(const BurstAnalysis& whole,
                                         std::vector<SweepAlone> sweeps);

}  // namespace ringsweep
