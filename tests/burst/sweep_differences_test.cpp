// What differs between sweeps. Thresholds are ours; made values differ by a little more and a
// little less than they.
#include "ringsweep/sweep_differences.h"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "positions.h"
#include "synthetic/made_burst.h"

namespace ringsweep {
namespace {

/// There from 0 to 9 px and back, the picture larger by 0.4 % a px; `second` changes the way back.
std::vector<SweepDifference> compare(const FrameView& second) {
  const FocalPositions focus =
      frames_at({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0});
  const std::vector<SweepRange> sweeps{{.first = 0, .last = 9, .rising = true},
                                       {.first = 10, .last = 19, .rising = false}};
  std::vector<FrameView> views;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    FrameView view = k < 10 ? FrameView{.light_ev = 0.1} : second;
    view.log_scale += 0.004 * *focus.frames[k].q_px;
    views.push_back(view);
  }
  return compare_sweeps(focus, sweeps, views);
}

/// There and back, the way back through another aperture.
bool blurs_differ_with(double aperture, double breathing_per_px) {
  constexpr std::size_t kFrames = 20;  // of a sweep
  std::vector<double> q_px, apertures(kFrames, 1.0);
  for (std::size_t k = 0; k < kFrames; ++k) q_px.push_back(2.0 * static_cast<double>(k));
  for (std::size_t k = kFrames; k-- > 0;) q_px.push_back(2.0 * static_cast<double>(k) + 0.7);
  apertures.resize(q_px.size(), aperture);
  const synthetic::MadeBurst burst =
      synthetic::make_burst(q_px, {.tiles = 400,
                                   .scatter = 0.05,
                                   .noise = 0.01,
                                   .aperture = apertures,
                                   .breathing_per_px = breathing_per_px,
                                   .scale_noise = 1e-4});
  const std::vector<SweepRange> sweeps{
      {.first = 0, .last = kFrames - 1, .rising = true},
      {.first = kFrames, .last = 2 * kFrames - 1, .rising = false}};
  return blurs_differ(burst.profiles, std::vector<bool>(q_px.size(), true), burst.log_scale,
                      sweeps);
}

// Two thirds of a stop and more; ISO 517 (from memory): apertures in steps of a third of a stop.
TEST(SweepDifferences, AnotherApertureIsToldByHowTheRingChangesThePicturesScale) {
  for (const double breathing : {0.002, -0.0007}) {
    EXPECT_FALSE(blurs_differ_with(1.0, breathing));
    for (const double stops : {-1.0, -2.0 / 3.0, 2.0 / 3.0, 1.0, 2.0})
      EXPECT_TRUE(blurs_differ_with(std::exp2(0.5 * stops), breathing)) << stops << " stops";
  }
}

TEST(SweepDifferences, ALensThatDoesNotBreatheTellsNoAperture) {
  EXPECT_FALSE(blurs_differ_with(1.0, 0.0));
  EXPECT_FALSE(blurs_differ_with(1.41, 0.0));
}

TEST(SweepDifferences, NoneWhereNothingIsVisible) {
  const auto found = compare({.log_scale = 0.0099,
                              .rotation_deg = 0.99,
                              .shift_x = 0.02,
                              .shift_y = 0.02,
                              .light_ev = -0.39});
  ASSERT_EQ(found.size(), 2U);
  EXPECT_FALSE(found[0].any());
  EXPECT_FALSE(found[1].any());
}

TEST(SweepDifferences, EachIsFoundAndMeasured) {
  // Rounding only: all frames of a sweep differ by the same.
  EXPECT_NEAR(compare({.light_ev = -0.41})[1].light_ev, -0.51, 1e-12);
  EXPECT_NEAR(compare({.log_scale = 0.0101, .light_ev = 0.1})[1].size, 0.01015, 1e-5);
  EXPECT_NEAR(compare({.rotation_deg = -1.01, .light_ev = 0.1})[1].rotation_deg, -1.01, 1e-12);
  EXPECT_NEAR(compare({.shift_x = 0.03, .shift_y = 0.04, .light_ev = 0.1})[1].shift, 0.05, 1e-12);
}

/// Light of 10 x 10 tiles: a slope from left to right, its place moved by `moved` tiles.
cv::Mat slope(double exposure, double moved) {
  cv::Mat light(10, 10, CV_32FC1);
  for (int row = 0; row < light.rows; ++row)
    for (int col = 0; col < light.cols; ++col)
      light.at<float>(row, col) = static_cast<float>(exposure * std::exp2(0.02 * (col - moved)) *
                                                     (col - moved > 5.0 ? 1.3 : 1.0));
  return light;
}

/// The upper half of the tiles is the subject, the lower the perch.
std::vector<std::size_t> groups(const std::vector<cv::Mat>& of_sweeps, double apart_px = 0.0) {
  std::vector<double> q;
  std::vector<SweepRange> sweeps;
  std::vector<cv::Mat> light;
  for (std::size_t i = 0; i < of_sweeps.size(); ++i) {
    sweeps.push_back({.first = 10 * i, .last = 10 * i + 9, .rising = true});
    for (std::size_t k = 0; k < 10; ++k) {
      q.push_back(3.0 * static_cast<double>(k) + (i > 0 ? apart_px : 0.0));
      light.push_back(of_sweeps[i]);
    }
  }
  std::vector<cv::Point> subject, perch;
  for (int row = 0; row < 10; ++row)
    for (int col = 0; col < 10; ++col) (row < 5 ? subject : perch).emplace_back(col, row);
  return groups_lit_alike(frames_at(q), sweeps, light, subject, perch, 2.0);
}

TEST(SweepDifferences, LightFromElsewhereMovesTheShading) {
  const cv::Mat first = slope(0.3, 0.0), other = slope(0.3, 3.0);
  EXPECT_EQ(groups({first, other, first}), (std::vector<std::size_t>{0, 1, 0}));
  EXPECT_EQ(groups({first, other, other}), (std::vector<std::size_t>{0, 1, 1}));
}

TEST(SweepDifferences, MoreLightAndAPartThatMovedAreTheSameLight) {
  cv::Mat moved = slope(0.2, 0.0);
  slope(0.2, 3.0)(cv::Rect(0, 0, 10, 5)).copyTo(moved(cv::Rect(0, 0, 10, 5)));  // all of the animal
  EXPECT_EQ(groups({slope(0.3, 0.0), slope(0.4, 0.0), moved}), (std::vector<std::size_t>{0, 0, 0}));
}

TEST(SweepDifferences, LightIsNotComparedWhereFramesFocusOtherwise) {
  EXPECT_EQ(groups({slope(0.3, 0.0), slope(0.3, 3.0)}, 1.2), (std::vector<std::size_t>{0, 0}));
}

TEST(SweepDifferences, OneSweepOrNoneHasNone) {
  const FocalPositions focus = frames_at({0, 1, 2});
  const std::vector<SweepRange> one{{.first = 0, .last = 2, .rising = true}};
  EXPECT_FALSE(compare_sweeps(focus, one, std::vector<FrameView>(3)).at(0).any());
  EXPECT_TRUE(compare_sweeps(focus, {}, {}).empty());
}

}  // namespace
}  // namespace ringsweep
