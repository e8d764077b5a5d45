#include "burst/lens_blur.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "burst/tile_curves.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr std::size_t kFine = 0, kMiddle = 1;

/// Log of the squared blur that a band reads against the fitted one: the step in log x that brings
/// the tile's curve closest to its energies, least squares. Empty where it hardly changes them.
std::optional<double> band_reading(const Profiles& profiles, const FocalPositions& focus,
                                   const TileCurves& curves, std::size_t t, std::size_t band,
                                   double mosaic_px2) {
  // Nearer, the mosaic's own blur decides; farther out, tiles see their neighbours.
  constexpr double kLowPx = 1.5, kHighPx = 6.0;
  constexpr double kLeastWeight = 3.0;  // sd of the step 0.6 or better
  const double px = profiles.full_px_per_px;
  const TileProfile& tile = profiles.tiles[t];
  double step = 0.0, weight = 0.0;
  for (std::size_t k = 0; k < profiles.num_frames; ++k) {
    const FocalPosition& frame = focus.frames[k];
    if (!frame.usable || !frame.q_px || tile.energy[band][k] < 0.0F) continue;
    const double d = std::abs(*frame.q_px - focus.tiles[t].q_px);
    if (d < kLowPx * px || d > kHighPx * px) continue;
    const double x = d * d - mosaic_px2;
    const CurveValue h = curves.at(tile, band, x);
    // As the fit takes the model's error, 5 % of an energy; 2 % of the peak besides.
    const double variance =
        std::pow(0.05 * h.value, 2) + std::pow(0.02, 2) + tile.noise[band] * tile.noise[band];
    const double slope = h.value * h.log_slope * x;
    step += slope * (tile.energy[band][k] - h.value) / variance;
    weight += slope * slope / variance;
  }
  if (weight < kLeastWeight) return std::nullopt;
  return step / weight;
}

}  // namespace

LensBlurSigns find_lens_blur_signs(const Profiles& profiles, const FocalPositions& focus) {
  constexpr double kLeastTrust = 0.3;    // of a tile: it sees one depth
  constexpr double kSharpPx = 1.2;       // its mosaic is no blurrier
  constexpr double kBeginningPx2 = 2.0;  // within the first stretch of the curves
  const TileCurves curves(profiles);
  const double px = profiles.full_px_per_px;
  std::array<std::vector<double>, 2> readings;
  std::vector<double> ratios;
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
    const TileProfile& tile = profiles.tiles[t];
    if (focus.tiles[t].weight < kLeastTrust) continue;
    std::array<double, 2> fall{};
    for (const std::size_t j : {kFine, kMiddle})
      fall[j] = -curves.at(tile, j, kBeginningPx2 * px * px).log_slope * px * px;
    ratios.push_back(fall[kFine] / std::max(fall[kMiddle], 1e-3));
    const auto peak = focus.frames[tile.peak_frame].q_px;
    if (!peak || std::abs(*peak - focus.tiles[t].q_px) > kSharpPx * px) continue;
    const double mosaic_px2 = std::pow(*peak - focus.tiles[t].q_px, 2);
    for (const std::size_t j : {kFine, kMiddle})
      if (const auto reading = band_reading(profiles, focus, curves, t, j, mosaic_px2))
        readings[j].push_back(*reading);
  }
  return {.bands_apart =
              quantile_in_place(readings[kMiddle], 0.5) - quantile_in_place(readings[kFine], 0.5),
          .fall_ratio = quantile_in_place(ratios, 0.5),
          .tiles = std::min(readings[kFine].size(), readings[kMiddle].size())};
}

std::optional<LensBlur> lens_blur(const LensBlurSigns& signs, double full_px_per_px,
                                  double least_px) {
  // Found on 12 made bursts of known truth with quarter-wave blurs of 0.5 to 8 px, and held against
  // others. From 2 px on the fall ratio is 1.6 to 2.1 and the bands are 0.10 to 0.29 apart, and the
  // share that is lacking goes with the geometric mean of the two, to a quarter of itself. Without
  // diffraction the ratio is mostly 2.2 to 2.5, the bands mostly less than 0.08 apart; of 49 such
  // bursts four pass for soft lenses: of soft texture or development, or with few tiles.
  constexpr double kPlainFallRatio = 2.25, kPerSign = 1.05;
  constexpr double kShortPerPx = 0.058;  // of quarter-wave blur, working px
  constexpr double kLeastShort = 0.08;   // less passes for a sharp lens: the plain sd holds it
  constexpr double kLeastKnownPx = 1.5;  // quarter-wave blur that lacks as much
  constexpr std::size_t kFewestTiles = 40;
  double short_by = 0.0;
  const bool told = signs.tiles >= kFewestTiles;
  if (told)
    short_by = kPerSign * std::sqrt(std::max(0.0, kPlainFallRatio - signs.fall_ratio) *
                                    std::max(0.0, signs.bands_apart));
  if (short_by < kLeastShort) short_by = 0.0;
  const double least_working_px = least_px / full_px_per_px;
  if (least_working_px >= kLeastKnownPx)
    short_by = std::max(short_by, kShortPerPx * least_working_px);
  else if (!told)
    return std::nullopt;
  return LensBlur{.short_by = short_by, .quarter_wave_px = short_by / kShortPerPx * full_px_per_px};
}

double scale_sd_with(const LensBlur& blur, double scale_sd) {
  if (blur.short_by <= 0.0) return scale_sd;
  // 1.96 sd hold 1.25 times the share, which is known no better.
  constexpr double kSdPerShare = 1.25 / 1.96;
  // Half of a distance is the most that was found lacking; with more the fit, whose shape is good,
  // would not be trusted at all.
  constexpr double kMostSd = 0.25;
  return std::max(scale_sd, std::min(kMostSd, std::hypot(scale_sd, kSdPerShare * blur.short_by)));
}

}  // namespace ringsweep
