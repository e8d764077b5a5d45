#pragma once
/// What the joint fit leaves of the energies: profiles and fitted positions -> residuals. Pure.
///
/// The fit gives positions alone. Each tile's factor in each band is found again here, by the
/// method that its header describes, so the residuals are the fit's own up to what it keeps to
/// itself: the noise factors of single tiles below its least weight, and frames that shook.

#include <cstddef>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep::accuracy {

struct Residual {
  std::size_t tile = 0;   ///< index into Profiles::tiles
  std::size_t frame = 0;  ///< index in capture order
  std::size_t band = 0;
  double away_px = 0.0;  ///< q_k - u_t: its size is the blur, its sign the side
  double energy =
      0.0;  ///< seen less predicted, of the tile's predicted energy where it is sharpest
};

/// @param min_weight  tiles that fit worse are left out, and frames that shook, and tiles that are
/// sharpest in one.
/// @throws std::invalid_argument  the positions are of other profiles
[[nodiscard]] std::vector<Residual> residuals(const Profiles& profiles, const FocalPositions& focus,
                                              double min_weight = 0.3,
                                              const FitOptions& options = {});

}  // namespace ringsweep::accuracy
