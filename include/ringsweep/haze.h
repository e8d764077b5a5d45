#pragma once
/// Haze: contrast that all frames from one on have lost, as when dew settles on the front lens.

#include <cstddef>
#include <optional>
#include <span>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

struct Haze {
  std::size_t first_frame = 0;  ///< by index in capture order: from here on
  double contrast_lost = 0.0;   ///< share of the amplitude, 0..1; in the last frame where it grows
  bool grows = false;           ///< little by little up to the last frame; else at once
};

/// Looks for the frame from which on contrast (FocalPosition::log_contrast) against the light is
/// lower for good, alike in all directions and whatever the position: that is no shake, which
/// passes, and no defocus. It falls at once and stays, or falls evenly up to the last frame.
///
/// Least squares, the change where the squares are least, beside an offset, a drift with the
/// position and its square, and an offset wherever the focus jumps (three times the median step, as
/// at a gap: other parts of the subject tell before than after). The last two are known to be
/// small, not to be nothing: on a real stack energies drift by 0.3 in their log along one sweep. So
/// what grows all along a single sweep is told where it takes about a third of the amplitude, less
/// where it sets in on the way; where the ring comes back to where it was, drift and growth part,
/// and 12 % will do; a step is told from 7 % on. At least three frames stand on either side of a
/// step, which lies at no jump, and six in what grows. The change is eight times its own sd, from
/// the scatter of the rest, which errs together from frame to frame, and from the drift: of some
/// sixty places the best is taken. The figures are ours, no source.
/// @param log_light N, log of the mean light of the same part of the picture in each frame; only
/// differences count. Contrast goes with the light, which falls as the lens is drawn out.
/// @throws std::invalid_argument where it has another size
[[nodiscard]] std::optional<Haze> find_haze(const FocalPositions& focus,
                                            std::span<const double> log_light);

}  // namespace ringsweep
