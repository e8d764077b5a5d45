#pragma once
/// The curve h of one tile and band: energy against blur beyond the mosaic's own.

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/profiles.h"

namespace ringsweep {

/// h(x) and its slope d(log h)/dx, x = d^2 - d_0^2.
struct CurveValue {
  double value = 0.0;
  double log_slope = 0.0;
};

/// Where an x lies among the measured diameters: the same for all tiles and bands.
struct PlaceOnCurves {
  std::uint16_t from = 0, to = 0;  ///< log h runs straight between these two
  float part = 0.0F;               ///< of the way; beyond the last diameter > 1
  float per_x = 0.0F;              ///< 1 / its length
};

/// The disc that blurs the mosaic as far as a frame is blurred.
///
/// In second moments it is x = d^2 - d_0^2 (d the frame's disc, d_0 the mosaic's). But two discs
/// one upon the other are no disc: a wide one takes more of a band's energy than they do, and the
/// disc that does the same to the mosaic is larger, x + share d_0^2 x / (x + t), t = 30 px^2 of the
/// working picture. Share and t are fitted, for all bands together, to energies computed from the
/// discs' transfer functions, 2 J1(z) / z, on texture of equal contrast at all sizes (power 1/f^2):
/// at most 5 % of the diameter are left for d_0 up to 5 px, where x alone is 8 % off (tests). Ours,
/// no source.
class DiscOnDisc {
 public:
  /// @param share FitOptions::disc_on_disc
  DiscOnDisc(double full_px_per_px, double share)
      : share_(share),
        reach_px2_(30.0 * full_px_per_px * full_px_per_px),
        most_px2_(36.0 * full_px_per_px * full_px_per_px) {}

  /// @param x           d^2 - d_0^2, px^2
  /// @param mosaic_px2  d_0^2
  [[nodiscard]] double beyond(double x, double mosaic_px2) const {
    return x > 0.0 ? x + share_ * std::min(mosaic_px2, most_px2_) * x / (x + reach_px2_) : x;
  }
  /// Derivatives of beyond() by x and by d_0^2.
  struct Slopes {
    double by_x = 1.0, by_mosaic = 0.0;
  };
  [[nodiscard]] Slopes slopes(double x, double mosaic_px2) const {
    if (x <= 0.0) return {};
    const double per = 1.0 / (x + reach_px2_);
    return {1.0 + share_ * std::min(mosaic_px2, most_px2_) * reach_px2_ * per * per,
            mosaic_px2 < most_px2_ ? share_ * x * per : 0.0};
  }

 private:
  double share_;
  double reach_px2_;
  double most_px2_;  // a mosaic more blurred than this hardly tells any more: d_0 counts as 6 px
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

  [[nodiscard]] PlaceOnCurves place(double x) const {
    if (x <= 0.0) {
      const double per_x = 1.0 / x_[near_];
      return {0, static_cast<std::uint16_t>(near_), static_cast<float>(std::max(x * per_x, -1.0)),
              static_cast<float>(per_x)};
    }
    const std::size_t i = interval(x);
    return {static_cast<std::uint16_t>(i - 1), static_cast<std::uint16_t>(i),
            static_cast<float>((x - x_[i - 1]) * per_x_[i]), static_cast<float>(per_x_[i])};
  }

  /// h at many places, to the precision of floats; the spans are as long as `places`.
  static void values(const TileProfile& tile, std::size_t band,
                     std::span<const PlaceOnCurves> places, std::span<float> value);
  /// The same with the slopes.
  static void values(const TileProfile& tile, std::size_t band,
                     std::span<const PlaceOnCurves> places, std::span<float> value,
                     std::span<float> log_slope);

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
