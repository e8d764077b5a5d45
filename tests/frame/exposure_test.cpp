// Exposure on made-up grids of light.
#include "ringsweep/exposure.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <functional>

namespace ringsweep {
namespace {

using Grids = std::vector<std::optional<LightGrid>>;

/// Light of block (row, col): a scene with some contrast, none of it near black or white.
double scene(int row, int col) { return 0.2 + 0.1 * std::sin(0.7 * row) * std::cos(0.9 * col); }

/// @param ev exposure of block (row, col).
LightGrid grid_with(const std::function<double(int, int)>& ev) {
  LightGrid grid{cv::Mat(LightGrid::kGridRows, LightGrid::kGridCols, CV_32FC1),
                 cv::Mat::zeros(LightGrid::kGridRows, LightGrid::kGridCols, CV_32FC1)};
  for (int r = 0; r < LightGrid::kGridRows; ++r)
    for (int c = 0; c < LightGrid::kGridCols; ++c)
      grid.mean.at<float>(r, c) = static_cast<float>(scene(r, c) * std::exp2(ev(r, c)));
  return grid;
}

LightGrid evenly(double ev) {
  return grid_with([ev](int, int) { return ev; });
}

Grids burst_of(const std::vector<double>& ev) {
  Grids grids;
  for (const double e : ev) grids.emplace_back(evenly(e));
  return grids;
}

// Float light: 24 bits, log2 of it to 1e-6 EV. The line through the lit frames is flat here.
constexpr double kRounding = 1e-5;

// Guide numbers of one flash (Olympus FL-50 manual, p. 16): 50, 35, 25, 18, 13 at 1/1 to 1/16.
// Light goes as their square: -1 EV a halving, to the manual's two digits (0.11 EV at 13).
TEST(Exposure, EachHalvingOfFlashPowerIsOneStopLess) {
  constexpr std::array kGuide{50.0, 35.0, 25.0, 18.0, 13.0};
  Grids grids = burst_of({0, 0, 0, 0, 0, 0});
  for (const double g : kGuide) grids.emplace_back(evenly(2.0 * std::log2(g / kGuide[0])));
  // The lit frames stand at the start, so a slope through them must be zero, not extrapolated.
  const auto exposure = estimate_exposure(grids);
  for (std::size_t i = 0; i < kGuide.size(); ++i) {
    constexpr double kDigits = 0.12;  // 2 log2(13 / 12.5) = 0.113
    ASSERT_TRUE(exposure[6 + i].gain_ev);
    EXPECT_NEAR(*exposure[6 + i].gain_ev, -static_cast<double>(i), kDigits) << "halvings: " << i;
  }
}

TEST(Exposure, LimitsOfDarkDimAndUsableAreTheStatedOnes) {
  const auto e =
      estimate_exposure(burst_of({0, 0, 0, 0, -0.68, -0.72, -1.48, -1.52, -2.48, -2.52}));
  const std::array<bool, 10> dim{0, 0, 0, 0, 0, 1, 1, 1, 1, 0};
  for (std::size_t k = 0; k < e.size(); ++k) {
    EXPECT_EQ(e[k].dark, k == 9) << "frame " << k;
    EXPECT_EQ(e[k].dim, dim[k]) << "frame " << k;
    EXPECT_EQ(e[k].usable, k < 7) << "frame " << k;
    EXPECT_FALSE(e[k].partly_lit) << "frame " << k;
  }
}

TEST(Exposure, FourDarkFramesInFiveAreStillTheDarkOnes) {
  std::vector<double> ev;
  for (int k = 0; k < 25; ++k) ev.push_back(k % 5 == 2 ? 0.0 : -4.0);
  const auto exposure = estimate_exposure(burst_of(ev));
  for (std::size_t k = 0; k < ev.size(); ++k) {
    EXPECT_NEAR(exposure[k].gain_ev.value_or(99), ev[k], kRounding) << "frame " << k;
    EXPECT_EQ(exposure[k].dark, ev[k] < -1.0) << "frame " << k;
    EXPECT_EQ(exposure[k].usable, ev[k] > -1.0) << "frame " << k;
  }
}

// Extension from 1:1.08 to 1:1 costs about 2 log2(2 / 1.926) = 0.11 EV; 0.5 EV is a very long
// sweep.
TEST(Exposure, SlowTrendAlongTheSweepIsNeitherDimNorDark) {
  std::vector<double> ev;
  for (int k = 0; k < 30; ++k) ev.push_back(-0.5 * k / 29.0);
  for (const FrameExposure& e : estimate_exposure(burst_of(ev))) {
    EXPECT_FALSE(e.dark || e.dim || e.partly_lit);
    EXPECT_TRUE(e.usable);
    EXPECT_NEAR(*e.gain_ev, 0.0, kRounding);
  }
}

// A store that empties: from the first frame to the last 1.5 EV less. Half an EV of it may be taken
// for extension; that the pictures grow says how much really is.
TEST(Exposure, AFlashThatSagsIsDimInTheEnd) {
  constexpr int kFrames = 31;
  for (const double log_scale_in_all : {0.0, 0.2, -0.2}) {
    std::vector<double> ev, log_scale;
    for (int k = 0; k < kFrames; ++k) {
      const double share = k / (kFrames - 1.0);
      log_scale.push_back(log_scale_in_all * share);
      ev.push_back(-1.5 * share - 2.0 * std::log2(std::exp(log_scale.back())));
    }
    const auto exposure = estimate_exposure(burst_of(ev), log_scale);
    for (int k = 0; k < kFrames; ++k)
      EXPECT_NEAR(*exposure[static_cast<std::size_t>(k)].gain_ev - *exposure[0].gain_ev,
                  -1.0 * k / (kFrames - 1.0), kRounding);
    EXPECT_FALSE(exposure[0].dim);
    EXPECT_TRUE(exposure[kFrames - 1].dim);
  }
}

// The image of a lens that is moved out is as much fainter as it is larger: 1.2 times, 0.53 EV.
// With a pause at one end it is no straight line, and nothing but the scale tells.
TEST(Exposure, WhatExtensionTakesIsNotTheFlashs) {
  std::vector<double> ev, log_scale;
  for (int k = 0; k < 40; ++k) {
    log_scale.push_back(0.18 * std::min(k, 20) / 20.0);
    ev.push_back(-2.0 * std::log2(std::exp(log_scale.back())));
  }
  for (const FrameExposure& e : estimate_exposure(burst_of(ev), log_scale))
    EXPECT_NEAR(*e.gain_ev, 0.0, kRounding);
  EXPECT_THROW((void)estimate_exposure(burst_of(ev), std::vector{0.0}), std::invalid_argument);
}

TEST(Exposure, OrdinaryFlickerIsMeasuredButNotFlagged) {
  std::vector<double> ev;
  for (int k = 0; k < 24; ++k) ev.push_back(0.2 * ((k * 7) % 5 - 2) / 2.0);  // +-0.2 EV
  const auto exposure = estimate_exposure(burst_of(ev));
  // A straight line through 24 values of sd 0.14 has an sd of at most 2 x 0.14 / sqrt 24 = 0.06 at
  // its ends: the trend may take that much away.
  for (std::size_t k = 0; k < ev.size(); ++k) {
    EXPECT_FALSE(exposure[k].dark || exposure[k].dim || exposure[k].partly_lit) << "frame " << k;
    EXPECT_TRUE(exposure[k].usable) << "frame " << k;
    for (std::size_t l = 0; l < k; ++l)
      EXPECT_NEAR(*exposure[k].gain_ev - *exposure[l].gain_ev, ev[k] - ev[l], 0.06);
  }
}

TEST(Exposure, FrameCutByTheShutterIsPartlyLit) {
  for (const bool by_rows : {true, false}) {
    Grids grids = burst_of({0, 0, 0, 0, 0, 0, 0, 0});
    grids[3] = grid_with([by_rows](int r, int c) { return (by_rows ? r : c) >= 11 ? -4.0 : 0.0; });
    const auto exposure = estimate_exposure(grids);
    for (std::size_t k = 0; k < grids.size(); ++k) {
      EXPECT_EQ(exposure[k].partly_lit, k == 3)
          << (by_rows ? "rows" : "columns") << ", frame " << k;
      EXPECT_EQ(exposure[k].usable, k != 3) << (by_rows ? "rows" : "columns") << ", frame " << k;
    }
  }
}

// Dark grass that sways before two of the sixteen columns: no edge of the shutter, and no loss of
// light in those blocks in which it is seen.
TEST(Exposure, GrassBeforeTheBorderIsNeitherTheShutterNorLostLight) {
  Grids grids;
  for (int k = 0; k < 12; ++k)
    grids.emplace_back(grid_with(
        [k](int, int c) { return c >= (k % 3 == 1 ? 14 : 15) && k % 3 > 0 ? -2.0 : 0.0; }));
  cv::Mat left_out(LightGrid::kGridRows, LightGrid::kGridCols, CV_8UC1, cv::Scalar(0));
  left_out.colRange(14, 16).setTo(255);
  bool any = false;
  for (const FrameExposure& e : estimate_exposure(grids)) any = any || e.dim || e.partly_lit;
  EXPECT_TRUE(any);  // as long as nobody says where it sways
  for (const FrameExposure& e : estimate_exposure(grids, {}, left_out)) {
    EXPECT_FALSE(e.dark || e.dim || e.partly_lit);
    EXPECT_NEAR(*e.gain_ev, 0.0, kRounding);
  }
  // Where grass sways everywhere its blocks count.
  left_out.setTo(255);
  EXPECT_TRUE(estimate_exposure(burst_of({0, 0, 0, -4}), {}, left_out)[3].dark);
}

TEST(Exposure, MissedFlashIsFoundBeforeABrightSky) {
  // The flash lights a third of the picture; the sky lights the rest, in every frame alike.
  const auto lit = [](int r, int c) { return r >= 5 && r < 13 && c >= 3 && c < 13; };
  const auto frame = [&](double ev) {
    return grid_with([&](int r, int c) { return lit(r, c) ? ev : 1.0; });
  };
  Grids grids;
  for (int k = 0; k < 12; ++k) grids.emplace_back(frame(k == 4 ? -4.0 : k == 7 ? -1.0 : 0.0));
  const auto exposure = estimate_exposure(grids);
  for (std::size_t k = 0; k < grids.size(); ++k) {
    EXPECT_EQ(exposure[k].dark, k == 4) << "frame " << k;
    EXPECT_EQ(exposure[k].dim, k == 7) << "frame " << k;
  }
  EXPECT_NEAR(*exposure[4].gain_ev, -4.0, kRounding);
  EXPECT_NEAR(*exposure[7].gain_ev, -1.0, kRounding);
}

TEST(Exposure, OneFrameTooBrightDoesNotMakeTheOthersDim) {
  const auto exposure = estimate_exposure(burst_of({0, 0, 1.5, 0, 0, 0}));
  for (const FrameExposure& e : exposure) EXPECT_FALSE(e.dim || e.dark);
}

TEST(Exposure, UnreadableFrameHasNoGainAndIsNotUsable) {
  Grids grids = burst_of({0, 0, 0, 0});
  grids[1].reset();
  const auto exposure = estimate_exposure(grids);
  EXPECT_FALSE(exposure[1].gain_ev);
  EXPECT_FALSE(exposure[1].usable || exposure[1].dark || exposure[1].dim);
  EXPECT_TRUE(exposure[0].usable && exposure[2].usable);
}

TEST(Exposure, NoneOneAndTwoFramesAreAnswered) {
  EXPECT_TRUE(estimate_exposure({}).empty());
  const auto one = estimate_exposure(burst_of({-0.3}));
  ASSERT_EQ(one.size(), 1U);
  EXPECT_TRUE(one[0].usable && !one[0].dark && !one[0].dim);
  const auto two = estimate_exposure(burst_of({0, -4}));  // which one is lit: the brighter
  ASSERT_EQ(two.size(), 2U);
  EXPECT_TRUE(two[0].usable);
  EXPECT_TRUE(two[1].dark);
}

TEST(Exposure, LightGridHoldsBlockMeansAndClippedShares) {
  cv::Mat luminance(160, 320, CV_32FC1, cv::Scalar(0.25)),
      clipped = cv::Mat::zeros(160, 320, CV_8U);
  luminance(cv::Rect(20, 10, 20, 10)) = 0.75;  // block (1, 1)
  clipped(cv::Rect(20, 10, 10, 10)) = 255;     // half of it
  const LightGrid grid = measure_light(luminance, clipped);
  EXPECT_NEAR(grid.mean.at<float>(1, 1), 0.75, 1e-6);
  EXPECT_NEAR(grid.mean.at<float>(0, 0), 0.25, 1e-6);
  EXPECT_NEAR(grid.clipped.at<float>(1, 1), 0.5, 1e-6);
  EXPECT_NEAR(grid.clipped.at<float>(2, 2), 0.0, 1e-6);
}

}  // namespace
}  // namespace ringsweep
