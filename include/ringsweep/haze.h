#pragma once
/// Haze: contrast that all frames from one on have lost, as when dew settles on the front lens.

#include <cstddef>
#include <optional>
#include <span>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

struct Haze {
  std::size_t first_frame = 0;  ///< by index in capture order: from here on
  double contrast_lost = 0.0;   ///< share of the amplitude, 0..1
};

/// Looks for the frame from which on contrast (FocalPosition::log_contrast) is lower for good,
/// alike in all directions and whatever the position: that is no shake, which passes, and no
/// defocus.
///
/// Energies of contrast also follow the picture's scale, since the light falls as the lens is drawn
/// out: a line in the log of the scale is fitted along with the step (least squares, the step where
/// the squares are least). Told where at least three frames stand on either side, the step takes at
/// least 7 % of the amplitude, and is eight times its own sd from the scatter of the rest: of some
/// thirty places the best is taken, and neighbouring frames err together. Where the focus jumps
/// (three times the median step, as at a gap), other parts of the subject tell before than after,
/// and a step says nothing. What grows so slowly that it shows no step is not told apart from the
/// scale, and not seen.
/// @param log_scale N, log of the picture's registered scale
/// @throws std::invalid_argument where it has another size
[[nodiscard]] std::optional<Haze> find_haze(const FocalPositions& focus,
                                            std::span<const double> log_scale);

}  // namespace ringsweep
