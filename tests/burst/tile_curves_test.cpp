// The fast search along a tile's curve against its slow, obvious twin.
#include "burst/tile_curves.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <numbers>
#include <vector>

#include "ringsweep/focal_positions.h"

namespace ringsweep {
namespace {

Profiles one_tile(double full_px_per_px) {
  Profiles profiles;
  profiles.full_px_per_px = full_px_per_px;
  for (const double d : {0.0, 0.8, 1.2, 1.7, 2.8, 5.0, 9.0, 24.0})
    profiles.diameter_px.push_back(d * full_px_per_px);
  TileProfile tile;
  for (std::size_t j = 0; j < kNumBands; ++j)
    for (const double d : profiles.diameter_px)
      tile.log_curve[j].push_back(
          static_cast<float>(-std::log1p(0.2 * d * d / static_cast<double>(j + 1))));
  profiles.tiles.push_back(tile);
  return profiles;
}

/// Log h by walking along all pieces.
double slow_log(const Profiles& profiles, std::size_t band, double x) {
  const auto& y = profiles.tiles[0].log_curve[band];
  std::size_t i = 1;
  while (i + 1 < y.size() && x >= std::pow(profiles.diameter_px[i], 2)) ++i;
  const double x0 = std::pow(profiles.diameter_px[i - 1], 2);
  const double x1 = std::pow(profiles.diameter_px[i], 2);
  return y[i - 1] + (static_cast<double>(y[i]) - y[i - 1]) * (x - x0) / (x1 - x0);
}

TEST(TileCurves, AgreeWithAWalkAlongThePieces) {
  for (const double px : {1.0, 2.0}) {
    const Profiles profiles = one_tile(px);
    const TileCurves curves(profiles);
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (int i = 1; i < 40000; ++i) {
        const double x = 0.017 * i * px * px;  // beyond the last diameter too
        const CurveValue got = curves.at(profiles.tiles[0], j, x);
        ASSERT_NEAR(std::log(got.value), slow_log(profiles, j, x), 1e-6) << x;  // floats
        // A slope that belongs to the value: both ends of a short step within one piece.
        const double ahead = x * (1.0 + 1e-7);
        const double slope =
            (slow_log(profiles, j, ahead) - slow_log(profiles, j, x)) / (ahead - x);
        ASSERT_NEAR(got.log_slope, slope, 1e-6 + 1e-5 * std::abs(slope)) << x;
      }
  }
}

TEST(TileCurves, ManyPlacesAtOnceAreThoseOneByOne) {
  const Profiles profiles = one_tile(1.0);
  const TileCurves curves(profiles);
  const TileProfile& tile = profiles.tiles[0];
  std::vector<double> x;
  for (int i = -300; i < 40000; ++i) x.push_back(0.017 * i);
  std::vector<PlaceOnCurves> places;
  for (const double each : x) places.push_back(curves.place(each));
  std::vector<float> value(x.size()), same(x.size()), log_slope(x.size());
  for (std::size_t j = 0; j < kNumBands; ++j) {
    TileCurves::values(tile, j, places, value, log_slope);
    TileCurves::values(tile, j, places, same);
    EXPECT_EQ(value, same);
    for (std::size_t i = 0; i < x.size(); ++i) {
      const CurveValue expected = curves.at(tile, j, x[i]);
      // Logs down to -5 as floats (rounding 2.4e-7) and the exponential's own rounding.
      ASSERT_NEAR(value[i], expected.value, 1e-6 * expected.value) << x[i];
      ASSERT_NEAR(log_slope[i], expected.log_slope, 1e-6 * std::abs(expected.log_slope)) << x[i];
    }
  }
}

/// Energies of a band behind two discs one upon the other, texture of power 1/f^2 (the gradient
/// makes it flat), by summing over frequencies; sigma_px of the Gaussian at full size.
double energy_behind(double sigma_px, double disc_px, double other_disc_px) {
  const auto transfer = [](double d, double f) {
    const double z = std::numbers::pi * d * f;
    return z < 1e-6 ? 1.0 : 2.0 * std::cyl_bessel_j(1.0, z) / z;
  };
  double sum = 0.0;
  for (double f = 0.0005; f < 0.5; f += 0.001) {
    const double amplitude = transfer(disc_px, f) * transfer(other_disc_px, f) *
                             std::exp(-2.0 * std::pow(std::numbers::pi * f * sigma_px, 2.0));
    sum += f * amplitude * amplitude;
  }
  return sum;
}

TEST(DiscOnDisc, TakesAsMuchEnergyAsTheWiderDisc) {
  const DiscOnDisc discs(1.0, FitOptions().disc_on_disc);
  // Behind the pyramid's kernel, whose variance is 1 px^2.
  const std::array<double, kNumBands> sigma_px{1.2, std::hypot(2 * 0.9, 1.0),
                                               std::hypot(2 * 1.5, 1.0)};
  for (std::size_t j = 0; j < kNumBands; ++j)
    for (const double d0 : {1.0, 2.0, 3.0, 4.0, 5.0})
      for (const double d : {d0 + 0.5, d0 + 1.0, d0 + 2.0, d0 + 4.0}) {
        const double wanted = energy_behind(sigma_px[j], d, 0.0);
        double low = 0.0, high = 12.0;
        for (int i = 0; i < 30; ++i) {
          const double middle = 0.5 * (low + high);
          (energy_behind(sigma_px[j], middle, d0) > wanted ? low : high) = middle;
        }
        const double got = std::sqrt(discs.beyond(d * d - d0 * d0, d0 * d0));
        // What one closed form for all bands leaves (its comment); second moments alone miss it.
        EXPECT_NEAR(got, low, 0.05 * low) << "band " << j << ", " << d << " on " << d0;
      }
}

TEST(DiscOnDisc, SlopesBelongToTheValues) {
  const DiscOnDisc discs(2.0, 0.2);
  constexpr double kStep = 1e-4;
  for (const double x : {-3.0, 0.5, 7.0, 40.0}) {
    const DiscOnDisc::Slopes slopes = discs.slopes(x, 9.0);
    // Steps this small leave 1e-8 of the slope to curvature, and 1e-10 to rounding.
    EXPECT_NEAR(slopes.by_x,
                (discs.beyond(x + kStep, 9.0) - discs.beyond(x - kStep, 9.0)) / (2.0 * kStep),
                1e-7);
    EXPECT_NEAR(slopes.by_mosaic,
                (discs.beyond(x, 9.0 + kStep) - discs.beyond(x, 9.0 - kStep)) / (2.0 * kStep),
                1e-7);
  }
}

TEST(TileCurves, SharperThanTheMosaicGoesOnALittleWay) {
  const Profiles profiles = one_tile(1.0);
  const TileCurves curves(profiles);
  const TileProfile& tile = profiles.tiles[0];
  EXPECT_EQ(curves.at(tile, 0, 0.0).value, 1.0);
  EXPECT_GT(curves.at(tile, 0, -1.0).value, 1.0);
  EXPECT_EQ(curves.at(tile, 0, -50.0).value, curves.at(tile, 0, -60.0).value);
}

TEST(TileCurves, BlurIsReadBackOffTheCurve) {
  const Profiles profiles = one_tile(1.0);
  const TileCurves curves(profiles);
  const TileProfile& tile = profiles.tiles[0];
  for (std::size_t j = 0; j < kNumBands; ++j)
    for (double d = 0.1; d < 24.0; d += 0.1) {
      const auto back = curves.blur_px(tile, j, curves.at(tile, j, d * d).value);
      ASSERT_TRUE(back) << d;
      ASSERT_NEAR(*back, d, 1e-5 * (1.0 + 1.0 / d)) << d;  // floats, under a square root
    }
  EXPECT_EQ(curves.blur_px(tile, 0, 1.3), 0.0);
  EXPECT_EQ(curves.blur_px(tile, 0, 1e-9), std::nullopt);
}

}  // namespace
}  // namespace ringsweep
