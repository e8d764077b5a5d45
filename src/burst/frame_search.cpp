#include "burst/frame_search.h"

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
    for (std::size_t i = chunk; i < tiles.size(); i += kChunks)
      predicted_.middleCols(static_cast<Index>(i * kNumBands), kNumBands) = predict(tiles[i], 0.0);
  });
}

/// What a tile shows at the trial positions, G x bands.
Eigen::ArrayXXf FrameSearch::predict(std::size_t t, double shake_px2) const {
  const double u = state_.tiles[t].u;
  const ArrayXd x = (trials_ - u).square() + shake_px2 - state_.mosaic_px2(input_.profiles, t, u);
  ArrayXd value, log_slope;
  Eigen::ArrayXXf predicted(trials_.size(), static_cast<Index>(kNumBands));
  for (std::size_t j = 0; j < kNumBands; ++j) {
    input_.curves.at(input_.profiles.tiles[t], j, x, value, log_slope);
    predicted.col(static_cast<Index>(j)) = (value * state_.tiles[t].amplitude[j]).cast<float>();
  }
  return predicted;
}

/// Calls term(i, j, energy, per_sigma) for each energy that speaks of the frame.
template <typename Term>
void FrameSearch::for_each_energy(std::size_t frame, const Term& term) const {
  for (std::size_t i = 0; i < tiles_.size(); ++i) {
    const std::size_t t = tiles_[i];
    const TileProfile& tile = input_.profiles.tiles[t];
    if (tile.peak_frame == frame) continue;  // its curve starts from this very frame
    for (std::size_t j = 0; j < kNumBands; ++j)
      if (input_.counts(t, j, frame))
        term(i, j, static_cast<double>(tile.energy[j][frame]),
             input_.per_sigma(t, j, frame, state_.tiles[t].noise_factor));
  }
}

ArrayXd FrameSearch::costs(std::size_t frame) const {
  constexpr int kMostFactors = 16;  // each at most some 1e8, the product of them far from 1e308
  ArrayXd product = ArrayXd::Ones(trials_.size()), logs = ArrayXd::Zero(trials_.size());
  int factors = 0;
  const double shake = state_.shake_px2(static_cast<Index>(frame));
  Eigen::ArrayXXf shaken;  // the tile in hand, where the frame has a shake of its own
  for_each_energy(frame, [&](std::size_t i, std::size_t j, double energy, double per_sigma) {
    const double by = per_sigma / kCauchy;
    if (shake > 0.0 && j == 0) shaken = predict(tiles_[i], shake);
    const Eigen::ArrayXXf& from = shake > 0.0 ? shaken : predicted_;
    const auto column =
        from.col(static_cast<Index>(shake > 0.0 ? j : i * kNumBands + j)).cast<double>();
    const double gain = state_.gain_factor(input_.profiles, tiles_[i], frame);
    product *= 1.0 + (energy * by - column * (gain * by)).square();
    if (++factors < kMostFactors) return;
    logs += product.log();
    product.setOnes();
    factors = 0;
  });
  const ArrayXd scale_off = (input_.scale(static_cast<Index>(frame)) - state_.breathing.offset -
                             state_.breathing.slope * trials_) /
                            (state_.breathing.sd * kCauchy);
  product *= 1.0 + scale_off.square();
  return kCauchy * kCauchy * (logs + product.log());
}

double FrameSearch::cost_here(std::size_t frame) const {
  const auto k = static_cast<Index>(frame);
  const double q = state_.q(k);
  CauchySum cost;
  for_each_energy(frame, [&](std::size_t i, std::size_t j, double energy, double per_sigma) {
    const std::size_t t = tiles_[i];
    const double x = state_.beyond_px2(input_.profiles, t, frame);
    const double predicted = state_.tiles[t].amplitude[j] *
                             state_.gain_factor(input_.profiles, t, frame) *
                             input_.curves.at(input_.profiles.tiles[t], j, x).value;
    cost.add((energy - predicted) * per_sigma);
  });
  cost.add((input_.scale(k) - state_.breathing.offset - state_.breathing.slope * q) /
           state_.breathing.sd);
  return cost.value();
}

}  // namespace ringsweep
