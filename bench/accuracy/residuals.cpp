#include "residuals.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "burst/tile_curves.h"
#include "numerics/cauchy.h"

namespace ringsweep::accuracy {
namespace {

/// One energy and what the model says of it.
struct Seen {
  std::size_t frame = 0;
  double away_px = 0.0;
  double energy = 0.0;
  double model = 0.0;  ///< of a tile of factor 1
  double per_sigma = 1.0;
};

/// Least squares with a prior about 1, then once more with robust weights.
double factor_of(const std::vector<Seen>& seen, double factor_sd) {
  const double prior = 1.0 / (factor_sd * factor_sd);
  double a = 1.0;
  for (const bool robust : {false, true}) {
    double above = prior, below = prior;
    for (const Seen& s : seen) {
      const double off = s.per_sigma * (s.energy - a * s.model);
      const double weight = s.per_sigma * s.per_sigma * (robust ? cauchy_weight(off) : 1.0);
      above += weight * s.model * s.energy;
      below += weight * s.model * s.model;
    }
    a = above / below;
  }
  return a;
}

}  // namespace

std::vector<Residual> residuals(const Profiles& profiles, const FocalPositions& focus,
                                double min_weight, const FitOptions& options) {
  if (focus.tiles.size() != profiles.tiles.size() || focus.frames.size() != profiles.num_frames)
    throw std::invalid_argument("the positions are of other profiles");
  const TileCurves curves(profiles);
  const DiscOnDisc discs(profiles.full_px_per_px, options.disc_on_disc);
  const auto counts = [&](std::size_t k) {
    return focus.frames[k].q_px && focus.frames[k].shake_px.value_or(0.0) == 0.0;
  };
  std::vector<Residual> all;
  std::vector<Seen> seen;
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
    const TileProfile& tile = profiles.tiles[t];
    const TilePosition& at = focus.tiles[t];
    if (at.weight < min_weight || !counts(tile.peak_frame)) continue;
    const FocalPosition& peak = focus.frames[tile.peak_frame];
    const double mosaic_px2 = std::pow(*peak.q_px - at.q_px, 2);
    for (std::size_t j = 0; j < kNumBands; ++j) {
      seen.clear();
      for (std::size_t k = 0; k < profiles.num_frames; ++k) {
        if (!counts(k) || tile.energy[j][k] < 0.0F) continue;
        Seen s{.frame = k, .away_px = *focus.frames[k].q_px - at.q_px};
        s.energy = static_cast<double>(tile.energy[j][k]);
        const double disc_px2 = discs.beyond(s.away_px * s.away_px - mosaic_px2, mosaic_px2);
        s.model =
            std::exp(focus.frames[k].log_contrast.value_or(0.0) - peak.log_contrast.value_or(0.0)) *
            curves.at(tile, j, disc_px2).value;
        const double reach = s.away_px / options.max_blur_px;
        const double error =
            options.model_error * std::sqrt((1.0 + std::pow(reach, 4)) / at.weight);
        s.per_sigma = 1.0 / std::hypot(error, tile.noise[j]);
        seen.push_back(s);
      }
      const double factor = factor_of(seen, options.amplitude_sd);
      for (const Seen& s : seen)
        all.push_back({.tile = t,
                       .frame = s.frame,
                       .band = j,
                       .away_px = s.away_px,
                       .energy = s.energy / factor - s.model});
    }
  }
  return all;
}

}  // namespace ringsweep::accuracy
