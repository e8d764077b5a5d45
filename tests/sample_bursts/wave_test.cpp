// Defocus and diffraction together. Sources beside each value.
#include "maker/wave.h"

#include <gtest/gtest.h>
#include <math.h>  // j1 is POSIX, not C++

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>

#include "numerics/wave_transfer.h"

namespace ringsweep::maker {
namespace {

constexpr double kPi = std::numbers::pi;

TEST(DefocusedOtf, InFocusIsThatOfTheAberrationFreeCircle) {
  // J. W. Goodman, Introduction to Fourier Optics, section 6.3 (formula from memory):
  // (2 / pi)(acos s - s sqrt(1 - s^2)).
  for (const double s : {0.0, 0.05, 0.2, 0.5, 0.7, 0.9, 0.99, 1.0, 1.2}) {
    const double book = s < 1.0 ? 2.0 / kPi * (std::acos(s) - s * std::sqrt(1.0 - s * s)) : 0.0;
    // Both sides are doubles; the quadrature is exact for so smooth an integrand.
    EXPECT_NEAR(defocused_otf(s, 0.0), book, 1e-12) << s;
  }
}

/// Light in the middle of the point's picture, against that without defocus: the volumes under the
/// transfer functions.
double strehl_ratio(double waves) {
  double with = 0.0, without = 0.0;
  constexpr int kSteps = 4000;
  for (int i = 0; i < kSteps; ++i) {
    const double s = (i + 0.5) / kSteps;
    with += s * defocused_otf(s, waves);
    without += s * defocused_otf(s, 0.0);
  }
  return with / without;
}

TEST(DefocusedOtf, StrehlRatioIsTheSquaredSineOverItsArgument) {
  // M. Born and E. Wolf, Principles of Optics, section 8.8 (from memory): along the axis the
  // intensity goes with (sin(u / 4) / (u / 4))^2, u / 4 = pi waves. A quarter of a wave leaves
  // 0.81, Rayleigh's limit; a whole one nothing.
  for (const auto& [waves, book] : {std::pair{0.25, 0.8106}, {0.5, 0.4053}, {1.0, 0.0}}) {
    // Four digits of the book's value; the midpoint rule of 4000 steps is off by less.
    EXPECT_NEAR(strehl_ratio(waves), book, 6e-5) << waves;
    EXPECT_NEAR(strehl_ratio(-waves), book, 6e-5) << waves;
  }
}

TEST(DefocusedOtf, FarOutOfFocusIsThatOfTheDisc) {
  // H. H. Hopkins, Proc. R. Soc. A 231 (1955): 2 J1(x) / x with x = 8 pi waves s for small s; the
  // next term is of the order of s. Diameter 8 waves lambda N.
  for (const double x : {0.5, 2.0, 3.83171, 5.0}) {
    const double s = x / (8.0 * kPi * 100.0);
    EXPECT_NEAR(defocused_otf(s, 100.0), 2.0 * ::j1(x) / x, 2.0 * s) << x;
  }
}

TEST(DefocusedOtf, AgreesWithTheOneThatTheAnalysisReckonsWith) {
  // Two codes of the same integral, the outer taken along and across the line between the pupils;
  // the other one is good to 1e-6.
  for (const double waves : {0.0, 0.1, 0.6, 1.0, 3.0, 10.0, 40.0})
    for (const double s : {0.0, 0.003, 0.02, 0.1, 0.3, 0.6, 0.9, 0.999, 1.1})
      EXPECT_NEAR(defocused_otf(s, waves), defocus_transfer(s, 8.0 * waves), 1e-6)
          << waves << " " << s;
}

TEST(EncircledEnergy, InFocusIsTheAiryPattern) {
  // Born and Wolf, section 8.5.2: 83.8, 91.0 and 93.8 % within the first three dark rings,
  // at 1.220, 2.233 and 3.238 lambda N (from memory). Three digits of the book.
  const auto energy = encircled_energy({0.0, 1.220, 2.233, 3.238}, 0.0);
  EXPECT_EQ(energy[0], 0.0);
  EXPECT_NEAR(energy[1], 0.838, 0.0006);
  EXPECT_NEAR(energy[2], 0.910, 0.0006);
  EXPECT_NEAR(energy[3], 0.938, 0.0006);
}

struct Errors {
  double energy = 0.0;  ///< largest, of the encircled energy
  double otf = 0.0;     ///< largest up to half a cycle per px
  double sum = 0.0;     ///< of weights
};

Errors errors_of(const std::vector<WeightedDisc>& discs, double diameter, double lambda_n) {
  Errors errors;
  const double waves = diameter / lambda_n / 8.0;
  std::vector<double> radius;
  for (int i = 1; i <= 200; ++i) {
    radius.push_back((diameter / 2.0 / lambda_n + kFarthest) * i / 200.0);
  }
  const auto energy = encircled_energy(radius, waves);
  for (std::size_t i = 0; i < radius.size(); ++i) {
    double sum = 0.0;
    for (const WeightedDisc& disc : discs) {
      const double share = radius[i] * lambda_n / disc.radius_px;
      sum += disc.weight * std::min(1.0, share * share);
    }
    errors.energy = std::max(errors.energy, std::abs(sum - energy[i]));
  }
  for (int i = 1; i <= 150; ++i) {
    const double frequency = 0.5 * i / 150.0;
    double sum = 0.0;
    for (const WeightedDisc& disc : discs) {
      const double x = 2.0 * kPi * disc.radius_px * frequency;
      sum += disc.weight * 2.0 * ::j1(x) / x;
    }
    errors.otf = std::max(errors.otf, std::abs(sum - defocused_otf(frequency * lambda_n, waves)));
  }
  for (const WeightedDisc& disc : discs) errors.sum += disc.weight;
  return errors;
}

TEST(WaveDiscs, AreNearTheTruthForAllPupilsAndPitches) {
  // N_w 8 to 32, pitch 3.5 to 6 um, raster of 2 per px, 0.47 to 0.60 um: lambda N from 1.3 to 11
  // raster px; 0.4 beside it for wide pupils.
  for (const double lambda_n : {0.4, 1.3, 2.1, 3.4, 5.5, 8.0, 11.0}) {
    for (const double diameter : {0.0, 0.7, 2.0, 5.0, 12.0, 25.0, 40.0}) {
      const auto discs = wave_discs(diameter, lambda_n);
      EXPECT_LE(discs.size(), static_cast<std::size_t>(kMostDiscs));
      const Errors errors = errors_of(discs, diameter, lambda_n);
      // The header's promise: 0.017 of the light in focus lies beyond kFarthest, and that is nearly
      // all of it. A disc times an Airy disc is off by 0.1 and more.
      EXPECT_LE(errors.energy, 0.02) << lambda_n << ", " << diameter;
      EXPECT_LE(errors.otf, 0.02) << lambda_n << ", " << diameter;
      EXPECT_NEAR(errors.sum, 1.0, 1e-9);
    }
  }
}

TEST(WaveDiscs, AtALargePitchAreTheDisc) {
  // lambda N of an eighth of a px: nothing but the disc is left up to half a cycle per px. What
  // diffraction still takes is 4 / pi times frequency times lambda N of the response at most
  // (Goodman's formula at small s); the discs add their 0.02.
  for (const double diameter : {2.0, 8.0, 30.0}) {
    const auto discs = wave_discs(diameter, 0.125);
    for (int i = 1; i <= 100; ++i) {
      const double frequency = 0.5 * i / 100.0, disc = kPi * diameter * frequency;
      double sum = 0.0;
      for (const WeightedDisc& d : discs) {
        const double x = 2.0 * kPi * d.radius_px * frequency;
        sum += d.weight * 2.0 * ::j1(x) / x;
      }
      const double taken = 4.0 / kPi * frequency * 0.125;
      EXPECT_NEAR(sum, 2.0 * ::j1(disc) / disc, 0.02 + taken) << diameter << ", " << frequency;
    }
  }
}

TEST(WaveDiscs, RefuseWhatIsImpossible) {
  EXPECT_THROW((void)wave_discs(-1.0, 1.0), std::invalid_argument);
  EXPECT_THROW((void)wave_discs(1.0, 0.0), std::invalid_argument);
  EXPECT_THROW((void)wave_discs(std::nan(""), 1.0), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep::maker
