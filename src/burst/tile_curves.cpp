#include "burst/tile_curves.h"

namespace ringsweep {
namespace {

void exp_in_place(std::span<float> x) {
  Eigen::Map<Eigen::ArrayXf> all(x.data(), static_cast<Eigen::Index>(x.size()));
  all = all.exp();
}

}  // namespace

TileCurves::TileCurves(const Profiles& profiles) {
  for (const double d : profiles.diameter_px) x_.push_back(d * d);
  while (near_ + 1 < x_.size() && profiles.diameter_px[near_] < 1.4 * profiles.full_px_per_px)
    ++near_;
  per_x_.assign(x_.size(), 0.0);
  for (std::size_t i = 1; i < x_.size(); ++i) per_x_[i] = 1.0 / (x_[i] - x_[i - 1]);
  if (x_.size() < 2) return;  // no curve: no tile can have one either

  constexpr std::size_t kCells = 1024;
  cells_per_x_ = static_cast<double>(kCells) / x_.back();
  first_in_cell_.resize(kCells);
  std::size_t i = 1;
  for (std::size_t cell = 0; cell < kCells; ++cell) {
    const double x = static_cast<double>(cell) / cells_per_x_;
    while (i + 1 < x_.size() && x >= x_[i]) ++i;
    first_in_cell_[cell] = static_cast<std::uint16_t>(i);
  }
}

void TileCurves::values(const TileProfile& tile, std::size_t band,
                        std::span<const PlaceOnCurves> places, std::span<float> value) {
  const float* y = tile.log_curve[band].data();
  for (std::size_t k = 0; k < places.size(); ++k) {
    const PlaceOnCurves& at = places[k];
    value[k] = y[at.from] + (y[at.to] - y[at.from]) * at.part;
  }
  exp_in_place(value);
}

void TileCurves::values(const TileProfile& tile, std::size_t band,
                        std::span<const PlaceOnCurves> places, std::span<float> value,
                        std::span<float> log_slope) {
  const float* y = tile.log_curve[band].data();
  for (std::size_t k = 0; k < places.size(); ++k) {
    const PlaceOnCurves& at = places[k];
    const float rise = y[at.to] - y[at.from];
    value[k] = y[at.from] + rise * at.part;
    log_slope[k] = rise * at.per_x;
  }
  exp_in_place(value);
}

std::optional<double> TileCurves::blur_px(const TileProfile& tile, std::size_t band,
                                          double energy) const {
  const std::vector<float>& y = tile.log_curve[band];
  if (energy >= 1.0) return 0.0;
  const double log_e = std::log(std::max(energy, 1e-12));
  for (std::size_t i = 1; i < x_.size(); ++i) {
    if (y[i] > log_e) continue;
    const double drop = y[i - 1] - y[i];
    const double part = drop > 0.0 ? (y[i - 1] - log_e) / drop : 0.0;
    return std::sqrt(x_[i - 1] + part * (x_[i] - x_[i - 1]));
  }
  return std::nullopt;
}

}  // namespace ringsweep
