#pragma once
/// The curve h of one tile and band: energy against blur beyond the mosaic's own.

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "ringsweep/profiles.h"

namespace ringsweep {

/// h(x) and its slope d(log h)/dx, x = d^2 - d_0^2.
struct CurveValue {
  double value = 0.0;
  double log_slope = 0.0;
};

/// All tiles' curves share their diameters, so the search along them is made once.
class TileCurves {
 public:
  explicit TileCurves(const Profiles& profiles);

  /// Log h is linear in x between the measured diameters. Sharper than the mosaic (x < 0) it goes
  /// on along the first stretch, a little way; blurrier than the last diameter along the last one.
  [[nodiscard]] CurveValue at(const TileProfile& tile, std::size_t band, double x) const {
    const std::vector<float>& y = tile.log_curve[band];
    if (x <= 0.0) {
      const double slope = y[near_] / x_[near_];
      return {std::exp(slope * std::max(x, -x_[near_])), slope};
    }
    const std::size_t i = interval(x);
    const double slope = (y[i] - y[i - 1]) * per_x_[i];
    return {std::exp(y[i - 1] + slope * (x - x_[i - 1])), slope};
  }

  /// The same for many x at once; `value` and `log_slope` are made as long as x.
  void at(const TileProfile& tile, std::size_t band, const Eigen::ArrayXd& x, Eigen::ArrayXd& value,
          Eigen::ArrayXd& log_slope) const;

  /// Blur that explains a relative energy, px beyond the mosaic's own; nothing below the curve.
  [[nodiscard]] std::optional<double> blur_px(const TileProfile& tile, std::size_t band,
                                              double energy) const;

 private:
  /// The first i >= 1 with x < x_[i], or the last.
  [[nodiscard]] std::size_t interval(double x) const {
    const double cell = x * cells_per_x_;
    if (!(cell < static_cast<double>(first_in_cell_.size()))) return x_.size() - 1;
    std::size_t i = first_in_cell_[static_cast<std::size_t>(cell)];
    while (i + 1 < x_.size() && x >= x_[i]) ++i;
    return i;
  }

  std::vector<double> x_;      // squared diameters, px^2, rising from 0
  std::vector<double> per_x_;  // 1 / (x_[i] - x_[i - 1])
  std::size_t near_ = 1;
  std::vector<std::uint16_t> first_in_cell_;  // interval of each cell's lower edge
  double cells_per_x_ = 1.0;
};

}  // namespace ringsweep
