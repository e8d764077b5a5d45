#include "burst/frame_shake.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "numerics/cauchy.h"
#include "numerics/disc_transfer.h"
#include "numerics/wave_transfer.h"

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

/// Some energies, and what the model says of them at each trial.
struct Readings {
  ArrayXd seen, per_sigma;  // R; energies in sigmas
  Eigen::ArrayXXd model;    // trials x R, for a frame without gain, in sigmas
};

/// Costs at all trials, each with its best gain.
ArrayXd costs_with_gain(const Readings& readings, double gain_sd) {
  const double prior = 1.0 / (gain_sd * gain_sd);
  ArrayXd gain = ArrayXd::Zero(kTrials), factor = ArrayXd::Ones(kTrials);
  ArrayXd top(kTrials), bottom(kTrials), by(kTrials), off(kTrials), weighted(kTrials);
  for (int pass = 0; pass < 4; ++pass) {
    top = -prior * gain, bottom.setConstant(prior);
    for (Index i = 0; i < readings.seen.size(); ++i) {
      by = factor * readings.model.col(i);
      off = readings.seen(i) - by;
      weighted = by / (1.0 + (off * (1.0 / kCauchy)).square());
      top += weighted * off, bottom += weighted * by;
    }
    gain += (top / bottom).cwiseMax(-0.5).cwiseMin(0.5);
    factor = gain.exp();
  }
  constexpr Index kMostFactors = 16;  // each at most some 1e8, the product of them far from 1e308
  ArrayXd product = ArrayXd::Ones(kTrials), logs = ArrayXd::Zero(kTrials);
  for (Index i = 0; i < readings.seen.size(); ++i) {
    off = (readings.seen(i) - factor * readings.model.col(i)) * (1.0 / kCauchy);
    product *= 1.0 + off.square();
    if ((i + 1) % kMostFactors == 0) logs += product.log(), product.setOnes();
  }
  return kCauchy * kCauchy * (logs + product.log()) + prior * gain.square();
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
  const auto count = static_cast<Index>(speak.size() * kNumBands);
  Readings readings{ArrayXd(count), ArrayXd(count), Eigen::ArrayXXd(kTrials, count)};
  for (std::size_t i = 0; i < speak.size(); ++i)
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const std::size_t t = speak[i];
      const auto at = static_cast<Index>(i * kNumBands + j);
      readings.per_sigma(at) = input.per_sigma(t, j, frame, state.tiles[t].noise_factor);
      readings.seen(at) =
          readings.per_sigma(at) * static_cast<double>(profiles.tiles[t].energy[j][frame]);
    }
  std::vector<PlaceOnCurves> places(static_cast<std::size_t>(kTrials));
  Eigen::ArrayXf value(kTrials);
  /// Costs of all diameters, the frame at q.
  const auto costs_at = [&](double q) {
    for (std::size_t i = 0; i < speak.size(); ++i) {
      const std::size_t t = speak[i];
      const TileProfile& tile = profiles.tiles[t];
      const double u = state.tiles[t].u;
      const double mosaic_px2 = state.mosaic_px2(profiles, t, u);
      for (Index d = 0; d < kTrials; ++d)
        places[static_cast<std::size_t>(d)] =
            input.place((q - u) * (q - u) + diameter(d) * diameter(d), mosaic_px2);
      const double mosaic_gain = std::exp(-state.gain(static_cast<Index>(tile.peak_frame)));
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const auto at = static_cast<Index>(i * kNumBands + j);
        TileCurves::values(tile, j, places, {value.data(), places.size()});
        readings.model.col(at) = value.cast<double>() * (state.tiles[t].amplitude[j] * mosaic_gain *
                                                         readings.per_sigma(at));
      }
    }
    const double scale_off =
        (input.scale(k) - state.breathing.offset - state.breathing.slope * q) / state.breathing.sd;
    // The picture's scale errs by itself: it counts as one of the readings of a part of the picture
    // would, not as one of hundreds.
    const double by_scale =
        scale_off * scale_off * std::max(1.0, static_cast<double>(count) / (kPartRows * kPartCols));
    return ArrayXd(costs_with_gain(readings, input.options.gain_sd) + by_scale);
  };
  ArrayXd cost = costs_at(found.q_px);
  for (double about = -about_px; about <= about_px && about_px > 0.0; about += kAboutStepPx * px) {
    const ArrayXd there = costs_at(state.q(k) + about);
    if (there.minCoeff() >= cost.minCoeff()) continue;
    cost = there;
    found.q_px = state.q(k) + about;
  }
  Index best = 0;
  cost.minCoeff(&best);
  if (best == 0) return found;
  // A parabola through the least cost and its neighbours, in squared diameters.
  const Index middle = std::min(best, kTrials - 2);
  const double s0 = std::pow(diameter(middle - 1), 2.0), s1 = std::pow(diameter(middle), 2.0),
               s2 = std::pow(diameter(middle + 1), 2.0);
  const double left = (cost(middle) - cost(middle - 1)) / (s1 - s0);
  const double right = (cost(middle + 1) - cost(middle)) / (s2 - s1);
  const double bend = (right - left) / (s2 - s0);
  if (!(bend > 0.0)) return found;
  found.disc_px2 = std::clamp(0.5 * (s0 + s1 - left / bend), s0, s2);
  // The cost rises by 1 within one sd where energies err by themselves and as they should; where
  // they err more, by the mean cost of one.
  const double one = std::max(1.0, cost(best) / static_cast<double>(count));
  found.disc_sd_px2 = std::sqrt(one / bend);
  return found;
}

double movement_like_disc_px(double disc_px, double sigma_px, double f_number_per_um) {
  constexpr std::size_t kFrequencies = 200;
  constexpr int kDirections = 24;
  const double highest =
      3.0 / (2.0 * std::numbers::pi * sigma_px);  // exp(-9) of the energy is left
  const bool waves = f_number_per_um > 0.0;
  std::array<double, kFrequencies> frequency{}, weight{};
  for (std::size_t i = 0; i < kFrequencies; ++i) {
    const double f = highest * (static_cast<double>(i) + 0.5) / kFrequencies;
    // Gradient energy f^2 of power f^-2 over rings of circumference f, behind the Gaussian.
    weight[i] = f * std::exp(-std::pow(2.0 * std::numbers::pi * f * sigma_px, 2.0));
    if (waves) weight[i] *= std::pow(white_transfer(f, 0.0, f_number_per_um), 2.0);
    frequency[i] = f;
  }
  const auto left = [&](auto transfer_squared) {
    double sum = 0.0, all = 0.0;
    for (std::size_t i = 0; i < kFrequencies; ++i)
      sum += weight[i] * transfer_squared(frequency[i]), all += weight[i];
    return sum / all;
  };
  const double disc_left = left([&](double f) {
    return std::pow(
        waves ? wave_blur_transfer(f, disc_px, f_number_per_um) : disc_transfer(f, disc_px), 2.0);
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
