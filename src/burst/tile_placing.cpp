#include "burst/tile_placing.h"

#include <algorithm>
#include <array>
#include <limits>

#include "numerics/cauchy.h"

namespace ringsweep {
namespace {

using Eigen::ArrayXd;
using Eigen::ArrayXf;
using Eigen::Index;

/// Frames far off, by their place and by what the tile shows in them, say nothing about where.
bool speaks_of(const FitInput& input, const FitState& state, std::size_t t, std::size_t k) {
  const std::size_t peak = input.profiles.tiles[t].peak_frame;
  const double away = std::abs(state.q(static_cast<Index>(k)) - state.q(static_cast<Index>(peak)));
  return away <= input.reach_px() || !input.far_out(t, k);
}

/// Room for one thread's work, made once.
struct Workspace {
  std::vector<std::size_t> frames;      // n: those that see the tile and speak of it
  ArrayXd q, shake;                     // n
  ArrayXf gain;                         // n
  std::array<ArrayXf, kNumBands> seen;  // n: energies in sigmas
  std::array<ArrayXf, kNumBands> per_sigma;
  std::vector<PlaceOnCurves> places;
  ArrayXf model, weight;
};

/// One tile held against its frames.
class TilePlacing {
 public:
  TilePlacing(const FitInput& input, const FitState& state, std::size_t t, Workspace& room);

  /// Cost at a trial position, with the best amplitudes there, of the bands from `first` to `last`.
  double cost(double u, std::size_t first_band, std::size_t last_band, Amplitudes& amplitude);

 private:
  const FitInput& input_;
  const TileProfile& tile_;
  const FitState& state_;
  std::size_t t_;
  Workspace& room_;
};

TilePlacing::TilePlacing(const FitInput& input, const FitState& state, std::size_t t,
                         Workspace& room)
    : input_(input), tile_(input.profiles.tiles[t]), state_(state), t_(t), room_(room) {
  room.frames.clear();
  for (std::size_t k = 0; k < input.num_frames; ++k)
    if (input.counts(t, 0, k) && speaks_of(input, state, t, k)) room.frames.push_back(k);
  const auto n = static_cast<Index>(room.frames.size());
  room.q.resize(n), room.shake.resize(n), room.gain.resize(n), room.model.resize(n);
  room.places.resize(room.frames.size());
  for (std::size_t j = 0; j < kNumBands; ++j) room.seen[j].resize(n), room.per_sigma[j].resize(n);
  for (Index i = 0; i < n; ++i) {
    const std::size_t k = room.frames[static_cast<std::size_t>(i)];
    room.q(i) = state.q(static_cast<Index>(k));
    room.shake(i) = state.shake_px2(static_cast<Index>(k));
    room.gain(i) = static_cast<float>(state.gain_factor(input.profiles, t, k));
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const double per_sigma = input.per_sigma(t, j, k, state.tiles[t].noise_factor);
      room.per_sigma[j](i) = static_cast<float>(per_sigma);
      room.seen[j](i) = static_cast<float>(per_sigma * static_cast<double>(tile_.energy[j][k]));
    }
  }
}

double TilePlacing::cost(double u, std::size_t first_band, std::size_t last_band,
                         Amplitudes& amplitude) {
  constexpr auto kPerCauchy = static_cast<float>(1.0 / kCauchy);
  const auto prior =
      static_cast<float>(1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd));
  CauchySum sum;
  double prior_cost = 0.0;
  const double mosaic_px2 = state_.mosaic_px2(input_.profiles, t_, u);
  for (std::size_t i = 0; i < room_.places.size(); ++i) {
    const auto k = static_cast<Index>(i);
    const double away = room_.q(k) - u;
    room_.places[i] = input_.place(away * away + room_.shake(k), mosaic_px2);
  }
  ArrayXf& model = room_.model;
  for (std::size_t j = first_band; j <= last_band; ++j) {
    TileCurves::values(tile_, j, room_.places, {model.data(), room_.places.size()});
    const ArrayXf& seen = room_.seen[j];
    model *= room_.gain * room_.per_sigma[j];
    float a = (prior + (model * seen).sum()) / (prior + model.square().sum());
    a = std::clamp(a, static_cast<float>(kLeastAmplitude), static_cast<float>(kMostAmplitude));
    // Once more with robust weights.
    room_.weight = model / (1.0F + ((seen - a * model) * kPerCauchy).square());
    a = (prior + (room_.weight * seen).sum()) / (prior + (room_.weight * model).sum());
    a = std::clamp(a, static_cast<float>(kLeastAmplitude), static_cast<float>(kMostAmplitude));
    amplitude[j] = static_cast<double>(a);
    prior_cost += static_cast<double>((a - 1.0F) * (a - 1.0F) * prior);
    model = (seen - a * model) * kPerCauchy;
    sum.add_scaled({model.data(), room_.places.size()});
  }
  return prior_cost + sum.value();
}

void place_tile(const FitInput& input, FitState& state, std::size_t t, double reach_px,
                Workspace& room) {
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
  TilePlacing placing(input, state, t, room);
  Amplitudes amplitude{};
  double best = kNone, best_u = peak;
  for (double u = low; u <= high; u += step)
    if (const double c = placing.cost(u, kRoughBand, kRoughBand, amplitude); c < best)
      best = c, best_u = u;
  best = kNone;
  const auto try_at = [&](double u) {
    const double c = placing.cost(u, 0, kNumBands - 1, amplitude);
    if (c < best) best = c, best_u = u, found.amplitude = amplitude;
    return c;
  };
  try_at(best_u);
  // Downhill to the least of three, then to the bottom of the parabola through them; once more,
  // closer by.
  for (const double width : {step, step / 4}) {
    double middle = best_u;
    const double here = best;
    std::array<double, 3> c{try_at(middle - width), here, try_at(middle + width)};
    for (int walk = 0; walk < 2; ++walk) {
      if (c[0] < c[1] && c[0] <= c[2]) {
        middle -= width, c = {try_at(middle - width), c[0], c[1]};
      } else if (c[2] < c[1]) {
        middle += width, c = {c[1], c[2], try_at(middle + width)};
      }
    }
    if (const double bend = c[0] - 2.0 * c[1] + c[2]; bend > 0.0)
      try_at(middle + width * std::clamp(0.5 * (c[0] - c[2]) / bend, -1.0, 1.0));
  }
  // At the far edge of the search there is no minimum.
  if ((lowest && best_u < low + step) || (highest && best_u > high - step)) found.placed = false;
  found.u = best_u;
}

}  // namespace

void place_tiles(const FitInput& input, FitState& state, std::span<const std::size_t> tiles,
                 double reach_px) {
  input.for_each(kChunks, [&](std::size_t chunk) {
    Workspace room;
    for (std::size_t i = chunk; i < tiles.size(); i += kChunks)
      place_tile(input, state, tiles[i], reach_px, room);
  });
}

}  // namespace ringsweep
