#include "burst/frame_shake.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "numerics/cauchy.h"

namespace ringsweep {
namespace {

using Eigen::ArrayXd;
using Eigen::Index;

constexpr double kNearPx = 5.0;       // of focus: farther off a little more blur changes nothing
constexpr double kMostDiscPx = 14.0;  // sought up to here
constexpr Index kTrials = 36;         // even in diameter, 0.4 px apart
constexpr std::size_t kLeastTiles = 10, kMostTiles = 200;
// A frame whose contrast is less than this may have been put where its shake looks like defocus:
// it is sought about its place too.
constexpr double kSuspiciousGain = -0.05;
constexpr double kAboutPx = 3.0, kAboutStepPx = 0.5;

/// One energy, and what the model says of it at each trial.
struct Reading {
  double energy = 0.0;
  double per_sigma = 1.0;
  ArrayXd model;  // for a frame without gain
};

/// Best gain at a trial, and the cost with it.
double cost_with_gain(const std::vector<Reading>& readings, Index trial, double gain_sd) {
  const double prior = 1.0 / (gain_sd * gain_sd);
  double gain = 0.0;
  for (int pass = 0; pass < 4; ++pass) {
    double top = -prior * gain, bottom = prior;
    for (const Reading& r : readings) {
      const double by = std::exp(gain) * r.model(trial) * r.per_sigma;
      const double off = r.energy * r.per_sigma - by;
      const double w = cauchy_weight(off);
      top += w * by * off, bottom += w * by * by;
    }
    gain += std::clamp(top / bottom, -0.5, 0.5);
  }
  CauchySum cost;
  for (const Reading& r : readings)
    cost.add((r.energy - std::exp(gain) * r.model(trial)) * r.per_sigma);
  return cost.value() + prior * gain * gain;
}

}  // namespace

FrameShake measure_shake(const FitInput& input, const FitState& state,
                         std::span<const std::size_t> tiles, std::size_t frame) {
  const Profiles& profiles = input.profiles;
  const auto k = static_cast<Index>(frame);
  const double px = profiles.full_px_per_px;
  const double about_px = state.gain(k) < kSuspiciousGain ? kAboutPx * px : 0.0;
  FrameShake found{.q_px = state.q(k)};
  std::vector<std::size_t> near;
  for (const std::size_t t : tiles)
    if (profiles.tiles[t].peak_frame != frame && input.counts(t, 0, frame) &&
        std::abs(state.q(k) - state.tiles[t].u) <= kNearPx * px + about_px)
      near.push_back(t);
  if (near.size() < kLeastTiles) return found;
  const std::vector<std::size_t> speak = every_nth(near, kMostTiles);
  found.tiles = speak.size();

  const ArrayXd diameter = ArrayXd::LinSpaced(kTrials, 0.0, kMostDiscPx * px);
  std::vector<Reading> readings;
  for (const std::size_t t : speak)
    for (std::size_t j = 0; j < kNumBands; ++j)
      readings.push_back({.energy = profiles.tiles[t].energy[j][frame],
                          .per_sigma = input.per_sigma(t, j, frame, state.tiles[t].noise_factor),
                          .model = {}});
  ArrayXd x(kTrials), log_slope(kTrials);
  /// Costs of all diameters, the frame at q.
  const auto costs_at = [&](double q) {
    for (std::size_t i = 0; i < speak.size(); ++i) {
      const std::size_t t = speak[i];
      const TileProfile& tile = profiles.tiles[t];
      const double u = state.tiles[t].u;
      x = (q - u) * (q - u) - state.mosaic_px2(profiles, t, u) + diameter.square();
      const double mosaic_gain = std::exp(-state.gain(static_cast<Index>(tile.peak_frame)));
      for (std::size_t j = 0; j < kNumBands; ++j) {
        ArrayXd& model = readings[i * kNumBands + j].model;
        input.curves.at(tile, j, x, model, log_slope);
        model *= state.tiles[t].amplitude[j] * mosaic_gain;
      }
    }
    const double scale_off =
        (input.scale(k) - state.breathing.offset - state.breathing.slope * q) / state.breathing.sd;
    // The picture's scale errs by itself: it counts as one of the readings of a part of the picture
    // would, not as one of hundreds.
    const double by_scale =
        scale_off * scale_off *
        std::max(1.0, static_cast<double>(readings.size()) / (kPartRows * kPartCols));
    std::vector<double> costs;
    for (Index i = 0; i < kTrials; ++i)
      costs.push_back(cost_with_gain(readings, i, input.options.gain_sd) + by_scale);
    return costs;
  };
  std::vector<double> cost = costs_at(found.q_px);
  for (double about = -about_px; about <= about_px && about_px > 0.0; about += kAboutStepPx * px) {
    std::vector<double> there = costs_at(state.q(k) + about);
    if (std::ranges::min(there) >= std::ranges::min(cost)) continue;
    cost = std::move(there);
    found.q_px = state.q(k) + about;
  }
  const auto best = static_cast<Index>(std::ranges::min_element(cost) - cost.begin());
  if (best == 0) return found;
  const auto at = [&](Index i) { return cost[static_cast<std::size_t>(i)]; };
  // A parabola through the least cost and its neighbours, in squared diameters.
  const Index middle = std::min(best, kTrials - 2);
  const double s0 = std::pow(diameter(middle - 1), 2.0), s1 = std::pow(diameter(middle), 2.0),
               s2 = std::pow(diameter(middle + 1), 2.0);
  const double left = (at(middle) - at(middle - 1)) / (s1 - s0);
  const double right = (at(middle + 1) - at(middle)) / (s2 - s1);
  const double bend = (right - left) / (s2 - s0);
  if (!(bend > 0.0)) return found;
  found.disc_px2 = std::clamp(0.5 * (s0 + s1 - left / bend), s0, s2);
  // The cost rises by 1 within one sd where energies err by themselves and as they should; where
  // they err more, by the mean cost of one.
  const double one = std::max(1.0, at(best) / static_cast<double>(readings.size()));
  found.disc_sd_px2 = std::sqrt(one / bend);
  return found;
}

double movement_like_disc_px(double disc_px, double sigma_px) {
  constexpr int kFrequencies = 200, kDirections = 24;
  const double highest =
      3.0 / (2.0 * std::numbers::pi * sigma_px);  // exp(-9) of the energy is left
  const auto left = [&](auto transfer_squared) {
    double sum = 0.0, all = 0.0;
    for (int i = 0; i < kFrequencies; ++i) {
      const double f = highest * (i + 0.5) / kFrequencies;
      // Gradient energy f^2 of power f^-2 over rings of circumference f, behind the Gaussian.
      const double weight = f * std::exp(-std::pow(2.0 * std::numbers::pi * f * sigma_px, 2.0));
      sum += weight * transfer_squared(f), all += weight;
    }
    return sum / all;
  };
  const double disc_left = left([&](double f) {
    const double z = std::numbers::pi * disc_px * f;
    return z < 1e-6 ? 1.0 : std::pow(2.0 * std::cyl_bessel_j(1.0, z) / z, 2.0);
  });
  const auto movement_left = [&](double length) {
    return left([&](double f) {
      double sum = 0.0;
      for (int i = 0; i < kDirections; ++i) {
        const double z = std::numbers::pi * length * f *
                         std::cos(std::numbers::pi / 2.0 * (i + 0.5) / kDirections);
        sum += z < 1e-6 ? 1.0 : std::pow(std::sin(z) / z, 2.0);
      }
      return sum / kDirections;
    });
  };
  double low = 0.0, high = 200.0;
  for (int i = 0; i < 40; ++i) {
    const double middle = 0.5 * (low + high);
    (movement_left(middle) > disc_left ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace ringsweep
