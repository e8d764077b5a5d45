#include "burst/tile_placing.h"

#include <algorithm>
#include <limits>

#include "numerics/cauchy.h"

namespace ringsweep {
namespace {

using Eigen::ArrayXd;
using Eigen::Index;

/// Frames far off, by their place and by what the tile shows in them, say nothing about where.
bool speaks_of(const FitInput& input, const FitState& state, std::size_t t, std::size_t k) {
  const std::size_t peak = input.profiles.tiles[t].peak_frame;
  const double away = std::abs(state.q(static_cast<Index>(k)) - state.q(static_cast<Index>(peak)));
  return away <= input.reach_px() || !input.far_out(t, k);
}

/// One tile held against its frames.
class TilePlacing {
 public:
  TilePlacing(const FitInput& input, const FitState& state, std::size_t t);

  /// Cost at a trial position, with the best amplitudes there, of the bands from `first` to `last`.
  double cost(double u, std::size_t first_band, std::size_t last_band, Amplitudes& amplitude);

 private:
  const FitInput& input_;
  const TileProfile& tile_;
  const FitState& state_;
  std::size_t t_;
  ArrayXd q_, shake_, gain_;                           // n: frames that see it
  std::array<ArrayXd, kNumBands> energy_, per_sigma_;  // n each
  ArrayXd x_, model_, log_slope_;                      // room to work in
};

TilePlacing::TilePlacing(const FitInput& input, const FitState& state, std::size_t t)
    : input_(input), tile_(input.profiles.tiles[t]), state_(state), t_(t) {
  std::vector<std::size_t> frames;
  for (std::size_t k = 0; k < input.num_frames; ++k)
    if (input.counts(t, 0, k) && speaks_of(input, state, t, k)) frames.push_back(k);
  const auto n = static_cast<Index>(frames.size());
  for (ArrayXd* a : {&q_, &shake_, &gain_, &x_, &model_, &log_slope_}) a->resize(n);
  for (std::size_t j = 0; j < kNumBands; ++j) energy_[j].resize(n), per_sigma_[j].resize(n);
  for (Index i = 0; i < n; ++i) {
    const std::size_t k = frames[static_cast<std::size_t>(i)];
    q_(i) = state.q(static_cast<Index>(k));
    shake_(i) = state.shake_px2(static_cast<Index>(k));
    gain_(i) = state.gain_factor(input.profiles, t, k);
    for (std::size_t j = 0; j < kNumBands; ++j) {
      energy_[j](i) = tile_.energy[j][k];
      per_sigma_[j](i) = input.per_sigma(t, j, k, state.tiles[t].noise_factor);
    }
  }
}

double TilePlacing::cost(double u, std::size_t first_band, std::size_t last_band,
                         Amplitudes& amplitude) {
  const double prior = 1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd);
  CauchySum sum;
  double prior_cost = 0.0;
  x_ = (q_ - u).square() + shake_ - state_.mosaic_px2(input_.profiles, t_, u);
  for (std::size_t j = first_band; j <= last_band; ++j) {
    input_.curves.at(tile_, j, x_, model_, log_slope_);
    model_ *= gain_;
    double a = 1.0;
    for (int pass = 0; pass < 2; ++pass) {  // the second with robust weights
      double top = prior, bottom = prior;
      for (Index i = 0; i < q_.size(); ++i) {
        const double ps = per_sigma_[j](i), e = energy_[j](i), m = model_(i);
        double w = ps * ps;
        if (pass > 0) w *= cauchy_weight((e - a * m) * ps);
        top += w * m * e;
        bottom += w * m * m;
      }
      a = std::clamp(top / bottom, kLeastAmplitude, kMostAmplitude);
    }
    amplitude[j] = a;
    prior_cost += (a - 1.0) * (a - 1.0) * prior;
    for (Index i = 0; i < q_.size(); ++i)
      sum.add((energy_[j](i) - a * model_(i)) * per_sigma_[j](i));
  }
  return prior_cost + sum.value();
}

void place_tile(const FitInput& input, FitState& state, std::size_t t, double reach_px) {
  const TileProfile& tile = input.profiles.tiles[t];
  TileState& found = state.tiles[t];
  if (!input.use[tile.peak_frame]) {
    found.placed = false;
    return;
  }
  // A tile lies near the frame that shows it sharpest: no farther off than the frames next to that
  // one in depth. Only a tile that is sharpest at an end of the sweep may lie beyond.
  constexpr double kNone = std::numeric_limits<double>::max();
  const double peak = state.q(static_cast<Index>(tile.peak_frame));
  double below = kNone, above = kNone;
  bool lowest = true, highest = true;
  found.placed = true;
  for (std::size_t k = 0; k < input.num_frames; ++k) {
    if (!input.use[k]) continue;
    const double q = state.q(static_cast<Index>(k));
    const bool sees = tile.energy[0][k] >= 0.0F;
    if (q < peak) lowest = false, below = sees ? std::min(below, peak - q) : below;
    if (q > peak) highest = false, above = sees ? std::min(above, q - peak) : above;
  }
  // Sharpest in the last frame that sees it, while other frames go on: it cannot be told where.
  if ((!lowest && below == kNone) || (!highest && above == kNone)) found.placed = false;
  const double px = input.profiles.full_px_per_px;
  const double slack = 1.5 * px;
  const double low = peak - (lowest ? reach_px : below == kNone ? slack : below + slack);
  const double high = peak + (highest ? reach_px : above == kNone ? slack : above + slack);

  // Roughly by the middle band alone, whose minimum is a few px wide, then by all.
  constexpr std::size_t kRoughBand = 1;
  const double step = 0.5 * px;
  TilePlacing placing(input, state, t);
  Amplitudes amplitude{};
  double best = kNone, best_u = peak;
  for (double u = low; u <= high; u += step)
    if (const double c = placing.cost(u, kRoughBand, kRoughBand, amplitude); c < best)
      best = c, best_u = u;
  best = kNone;
  const auto try_at = [&](double u) {
    const double c = placing.cost(u, 0, kNumBands - 1, amplitude);
    if (c < best) best = c, best_u = u, found.amplitude = amplitude;
  };
  const double rough = best_u;
  for (const double away : {0.0, -2.0 * step, -step, step, 2.0 * step}) try_at(rough + away);
  for (double width = step / 2; width > 0.01 * step; width /= 2) {
    const double middle = best_u;
    try_at(middle - width);
    try_at(middle + width);
  }
  // At the far edge of the search there is no minimum.
  if ((lowest && best_u < low + step) || (highest && best_u > high - step)) found.placed = false;
  found.u = best_u;
}

}  // namespace

void place_tiles(const FitInput& input, FitState& state, std::span<const std::size_t> tiles,
                 double reach_px) {
  input.for_each(kChunks, [&](std::size_t chunk) {
    for (std::size_t i = chunk; i < tiles.size(); i += kChunks)
      place_tile(input, state, tiles[i], reach_px);
  });
}

}  // namespace ringsweep
