// What the fit leaves, on bursts made from known positions (tests/synthetic) and held against
// those: the model itself leaves nothing, and what is added to it comes out.
#include "residuals.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <span>
#include <stdexcept>
#include <vector>

#include "residual_page.h"
#include "synthetic/made_burst.h"

namespace ringsweep::accuracy {
namespace {

using synthetic::even_steps;
using synthetic::MadeBurst;
using synthetic::make_burst;

/// Blurs of the made bursts add in second moment, and a tile's factor is not held near 1.
constexpr FitOptions kAsMade{.amplitude_sd = 1e3, .disc_on_disc = 0.0};

FocalPositions at_the_truth(const MadeBurst& burst) {
  FocalPositions focus;
  for (std::size_t k = 0; k < burst.q_px.size(); ++k) {
    FocalPosition& frame = focus.frames.emplace_back();
    frame.q_px = burst.q_px[k];
    frame.log_contrast = burst.log_gain[k];
  }
  for (const double u : burst.tile_px) focus.tiles.push_back({.q_px = u, .weight = 1.0});
  return focus;
}

MadeBurst made() {
  return make_burst(
      even_steps(12, 1.3),
      {.amplitude_sd = 0.2, .log_gain = {0, 0, -0.3, 0, 0.2, 0, 0, 0, -0.5, 0, 0, 0.1}});
}

// Energies and curves are floats, curves' logarithms up to some 10: 10 x 6e-8, times up to 2 where
// a frame is that much brighter. Twice that.
constexpr double kFloats = 3e-6;

TEST(Residuals, TheModelLeavesNothing) {
  const MadeBurst burst = made();
  const std::vector<Residual> all = residuals(burst.profiles, at_the_truth(burst), 0.3, kAsMade);
  ASSERT_EQ(all.size(), burst.tile_px.size() * 12 * kNumBands);
  for (const Residual& r : all) {
    EXPECT_NEAR(r.energy, 0.0, kFloats)
        << "tile " << r.tile << " band " << r.band << " frame " << r.frame;
    EXPECT_NEAR(r.away_px, burst.q_px[r.frame] - burst.tile_px[r.tile], 1e-12);
  }
}

TEST(Residuals, WhatIsAddedToOneFrameComesOutThere) {
  MadeBurst burst = made();
  constexpr double kAdded = 0.02;  // of the peak
  for (TileProfile& tile : burst.profiles.tiles)
    for (std::size_t j = 0; j < kNumBands; ++j) {
      // The peak as the model has it: the energy in the sharpest frame, the mosaic's.
      const float peak = tile.energy[j][tile.peak_frame];
      if (tile.peak_frame != 5) tile.energy[j][5] += static_cast<float>(kAdded) * peak;
    }
  const std::vector<Residual> all = residuals(burst.profiles, at_the_truth(burst), 0.3, kAsMade);
  // A tile's factor takes some of it: as much as the model of frame 5 is of all its squares, at
  // most a half where that frame is nearly as sharp as the sharpest. Blurred by 4 px and more, it
  // is e^-(0.03 x 0.6 x 16) = 0.75 at most and stands among frames that are sharper: less than a
  // fifth.
  std::size_t seen = 0;
  for (const Residual& r : all) {
    if (r.frame != 5 || std::abs(r.away_px) < 4.0) continue;
    ++seen;
    EXPECT_GT(r.energy, 0.8 * kAdded) << "tile " << r.tile << " band " << r.band;
    EXPECT_LT(r.energy, kAdded + kFloats) << "tile " << r.tile << " band " << r.band;
  }
  EXPECT_GT(seen, 50U);
}

TEST(Residuals, TilesThatFitBadlyAndFramesThatShookAreLeftOut) {
  const MadeBurst burst = made();
  FocalPositions focus = at_the_truth(burst);
  focus.tiles[3].weight = 0.29;
  focus.frames[4].shake_px = 2.0;
  focus.frames[6].q_px.reset();
  const std::vector<Residual> all = residuals(burst.profiles, focus, 0.3, kAsMade);
  EXPECT_FALSE(all.empty());
  for (const Residual& r : all) {
    EXPECT_NE(r.tile, 3U);
    for (const std::size_t k : {4U, 6U}) {
      EXPECT_NE(r.frame, k);
      EXPECT_NE(burst.profiles.tiles[r.tile].peak_frame, k);
    }
  }
}

TEST(Residuals, OtherProfilesThrow) {
  const MadeBurst burst = made();
  FocalPositions focus = at_the_truth(burst);
  focus.tiles.pop_back();
  EXPECT_THROW((void)residuals(burst.profiles, focus), std::invalid_argument);
}

std::vector<Residual> some(std::size_t count, std::size_t frame, std::size_t band, double away_px,
                           double energy) {
  return std::vector<Residual>(
      count, {.tile = 0, .frame = frame, .band = band, .away_px = away_px, .energy = energy});
}

TEST(ResidualBins, MediansStandAtTheirDistanceAndFrame) {
  std::vector<Residual> all = some(10, 2, 1, -1.9, 0.03);
  for (const auto& more :
       {some(11, 2, 1, -1.1, 0.05), some(12, 3, 1, 4.5, -0.01), some(9, 4, 1, 5.5, 0.2),  // too few
        some(20, 3, 0, 4.5, 0.4), some(20, 3, 1, 6.5, 0.07)})
    all.insert(all.end(), more.begin(), more.end());
  const std::vector<Bin> distance = by_distance(all, 1);
  ASSERT_EQ(distance.size(), 3U);
  EXPECT_EQ(distance[0].at, -1.5);
  EXPECT_EQ(distance[0].count, 21U);
  EXPECT_EQ(distance[0].low, 0.03);
  EXPECT_EQ(distance[0].middle, 0.05);
  EXPECT_EQ(distance[1].at, 4.5);
  EXPECT_EQ(distance[2].at, 6.5);
  const std::vector<Bin> frame = by_frame(all, 1);
  ASSERT_EQ(frame.size(), 2U);
  EXPECT_EQ(frame[1].at, 3.0);
  EXPECT_EQ(frame[1].middle, -0.01);  // what is more than 6 px away does not count
}

TEST(ResidualBins, AFrameOutOfPlaceShowsInItsSides) {
  // Put too high, a frame is thought farther from what lies below it (away > 0) than it is: more is
  // seen there than predicted, and less of what lies above.
  std::vector<Residual> all = some(10, 2, 0, 3.0, 0.04);
  for (const auto& more : {some(10, 2, 2, -3.0, -0.02), some(10, 3, 0, 3.0, 0.04)})
    all.insert(all.end(), more.begin(), more.end());
  const std::vector<Bin> sides = sides_by_frame(all);
  ASSERT_EQ(sides.size(), 1U);  // frame 3 has one side only
  EXPECT_EQ(sides[0].at, 2.0);
  EXPECT_DOUBLE_EQ(sides[0].middle, -0.03);
}

TEST(ResidualPage, HasAPlotMoreWhereTheTruthIsKnown) {
  const MadeBurst burst = made();
  const std::vector<Residual> all = residuals(burst.profiles, at_the_truth(burst), 0.3, kAsMade);
  const std::vector<FrameError> errors{{.shape_px = 0.1, .in_sd = 1.0}, {.shape_px = -0.1}};
  const auto ink = [&](std::span<const FrameError> shown) {
    const cv::Mat page = residual_page(
        {.title = "made", .profiles = burst.profiles, .residuals = all, .errors = shown});
    return cv::norm(page, cv::NORM_L1);
  };
  EXPECT_GT(ink({}), ink(errors));  // white is more
}

}  // namespace
}  // namespace ringsweep::accuracy
