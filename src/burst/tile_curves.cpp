#include "burst/tile_curves.h"

namespace ringsweep {

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

void TileCurves::at(const TileProfile& tile, std::size_t band, const Eigen::ArrayXd& x,
                    Eigen::ArrayXd& value, Eigen::ArrayXd& log_slope) const {
  const std::vector<float>& y = tile.log_curve[band];
  const double sharper = y[near_] / x_[near_];
  value.resize(x.size()), log_slope.resize(x.size());
  for (Eigen::Index k = 0; k < x.size(); ++k) {
    if (x(k) <= 0.0) {
      value(k) = sharper * std::max(x(k), -x_[near_]);
      log_slope(k) = sharper;
      continue;
    }
    const std::size_t i = interval(x(k));
    log_slope(k) = (y[i] - y[i - 1]) * per_x_[i];
    value(k) = y[i - 1] + log_slope(k) * (x(k) - x_[i - 1]);
  }
  value = value.exp();
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
