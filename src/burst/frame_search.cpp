#include "burst/frame_search.h"

#include <array>
#include <cmath>

#include "numerics/cauchy.h"

namespace ringsweep {

using Eigen::ArrayXd;
using Eigen::Index;

FrameSearch::FrameSearch(const FitInput& input, const FitState& state,
                         std::span<const std::size_t> tiles, double low_px, double high_px,
                         double step_px)
    : input_(input), state_(state), tiles_(tiles) {
  const auto count = static_cast<Index>(std::floor((high_px - low_px) / step_px)) + 1;
  trials_ = ArrayXd::LinSpaced(count, low_px, low_px + step_px * static_cast<double>(count - 1));
  predicted_.resize(count, static_cast<Index>(tiles.size() * kNumBands));
  input.for_each(kChunks, [&](std::size_t chunk) {
    std::vector<PlaceOnCurves> places;
    for (std::size_t i = chunk; i < tiles.size(); i += kChunks)
      predict(tiles[i], 0.0, places,
              predicted_.middleCols(static_cast<Index>(i * kNumBands), kNumBands));
  });
}

/// What a tile shows at the trial positions, G x bands.
void FrameSearch::predict(std::size_t t, double shake_px2, std::vector<PlaceOnCurves>& places,
                          Eigen::Ref<Eigen::ArrayXXf> predicted) const {
  const double u = state_.tiles[t].u;
  const double mosaic_px2 = state_.mosaic_px2(input_.profiles, t, u);
  const auto count = static_cast<std::size_t>(trials_.size());
  places.resize(count);
  for (std::size_t i = 0; i < count; ++i) {
    const double away = trials_(static_cast<Index>(i)) - u;
    places[i] = input_.place(away * away + shake_px2, mosaic_px2);
  }
  for (std::size_t j = 0; j < kNumBands; ++j) {
    auto column = predicted.col(static_cast<Index>(j));
    TileCurves::values(input_.profiles.tiles[t], j, places, {column.data(), count});
    column *= static_cast<float>(state_.tiles[t].amplitude[j]);
  }
}

namespace {

/// A tile's energies in one frame, and the factors of what it shows elsewhere, in kCauchy sigmas.
struct Reading {
  std::array<float, kNumBands> seen{}, factor{};
};

/// Multiplies each trial's product by Cauchy's factors of a tile.
void multiply(const Reading& reading, const Eigen::Ref<const Eigen::ArrayXXf>& predicted,
              Eigen::ArrayXd& product) {
  const Index n = predicted.rows(), stride = predicted.outerStride();
  const float* __restrict shown = predicted.data();
  double* __restrict to = product.data();
  for (Index i = 0; i < n; ++i) {
    float factors = 1.0F;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const float c =
          reading.seen[j] - shown[static_cast<Index>(j) * stride + i] * reading.factor[j];
      factors *= 1.0F + c * c;
    }
    to[i] *= static_cast<double>(factors);
  }
}

}  // namespace

ArrayXd FrameSearch::costs(std::size_t frame) const {
  constexpr int kMostTiles = 10;  // factors at most some 1e8, the product of 30 far from 1e308
  ArrayXd product = ArrayXd::Ones(trials_.size()), logs = ArrayXd::Zero(trials_.size());
  int factors = 0;
  const double shake = state_.shake_px2(static_cast<Index>(frame));
  Eigen::ArrayXXf shaken;  // the tile in hand, where the frame has a shake of its own
  std::vector<PlaceOnCurves> places;
  if (shake > 0.0) shaken.resize(trials_.size(), static_cast<Index>(kNumBands));
  for (std::size_t i = 0; i < tiles_.size(); ++i) {
    const std::size_t t = tiles_[i];
    const TileProfile& tile = input_.profiles.tiles[t];
    if (tile.peak_frame == frame) continue;  // its curve starts from this very frame
    const double gain = state_.gain_factor(input_.profiles, t, frame);
    Reading reading;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      if (!input_.counts(t, j, frame)) continue;
      const double by = input_.per_sigma(t, j, frame, state_.tiles[t].noise_factor) / kCauchy;
      reading.seen[j] = static_cast<float>(static_cast<double>(tile.energy[j][frame]) * by);
      reading.factor[j] = static_cast<float>(gain * by);
    }
    if (shake > 0.0) {
      predict(t, shake, places, shaken);
      multiply(reading, shaken, product);
    } else {
      multiply(reading, predicted_.middleCols(static_cast<Index>(i * kNumBands), kNumBands),
               product);
    }
    if (++factors < kMostTiles) continue;
    logs += product.log();
    product.setOnes();
    factors = 0;
  }
  const ArrayXd scale_off = (input_.scale(static_cast<Index>(frame)) - state_.breathing.offset -
                             state_.breathing.slope * trials_) /
                            (state_.breathing.sd * kCauchy);
  product *= 1.0 + scale_off.square();
  return kCauchy * kCauchy * (logs + product.log());
}

double FrameSearch::cost_here(std::size_t frame) const {
  const auto k = static_cast<Index>(frame);
  CauchySum cost;
  for (const std::size_t t : tiles_) {
    const TileProfile& tile = input_.profiles.tiles[t];
    if (tile.peak_frame == frame) continue;
    const double gain = state_.gain_factor(input_.profiles, t, frame);
    const double u = state_.tiles[t].u;
    const double x =
        input_.disc_px2(state_.blur_px2(frame, u), state_.mosaic_px2(input_.profiles, t, u));
    for (std::size_t j = 0; j < kNumBands; ++j) {
      if (!input_.counts(t, j, frame)) continue;
      const double predicted =
          state_.tiles[t].amplitude[j] * gain * input_.curves.at(tile, j, x).value;
      cost.add((static_cast<double>(tile.energy[j][frame]) - predicted) *
               input_.per_sigma(t, j, frame, state_.tiles[t].noise_factor));
    }
  }
  cost.add((input_.scale(k) - state_.breathing.offset - state_.breathing.slope * state_.q(k)) /
           state_.breathing.sd);
  return cost.value();
}

}  // namespace ringsweep
