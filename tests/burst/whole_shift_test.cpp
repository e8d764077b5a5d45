#include "ringsweep/whole_shift.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <stdexcept>
#include <vector>

namespace ringsweep {
namespace {

constexpr double kLeastPx = 10.0;

/// A sweep of even steps; the mount is tilted, so that each px of focus moves the picture by 3 px,
/// and a hand adds up to a px of its own.
struct Sweeping {
  FocalPositions focus{};
  std::vector<cv::Vec2d> middle_px{};
  std::vector<SweepRange> sweeps{};

  explicit Sweeping(std::size_t n) : sweeps{{.first = 0, .last = n - 1}} {
    for (std::size_t k = 0; k < n; ++k) {
      const auto i = static_cast<double>(k);
      FocalPosition& frame = focus.frames.emplace_back();
      frame.q_px = 2.0 * i;
      frame.usable = true;
      middle_px.emplace_back(6.0 * i + std::sin(1.7 * i), -4.0 * i + std::cos(2.9 * i));
    }
  }
  void jump(std::size_t from, const cv::Vec2d& by) {
    for (std::size_t k = from; k < middle_px.size(); ++k) middle_px[k] += by;
  }
  [[nodiscard]] std::vector<WholeShift> shifts() const {
    return find_whole_shifts(focus, sweeps, middle_px, kLeastPx);
  }
};

TEST(WholeShift, WhatTheRingAndTheHandDoIsNone) { EXPECT_TRUE(Sweeping(20).shifts().empty()); }

TEST(WholeShift, AJumpIsToldWithTheFirstFrameThatShowsIt) {
  Sweeping sweep(20);
  sweep.jump(12, {24.0, 7.0});
  const std::vector<WholeShift> shifts = sweep.shifts();
  ASSERT_EQ(shifts.size(), 1U);
  EXPECT_EQ(shifts[0].frame, 12U);
  // The hand's own px on either side come on top, each of at most the square root of 2.
  EXPECT_NEAR(shifts[0].shift_px, 25.0, 2.0 * std::sqrt(2.0));
}

TEST(WholeShift, ThereAndBackAreTwo) {
  Sweeping sweep(20);
  sweep.jump(12, {0.0, 30.0});
  sweep.jump(13, {0.0, -30.0});
  ASSERT_EQ(sweep.shifts().size(), 2U);
  EXPECT_EQ(sweep.shifts()[1].frame, 13U);
}

TEST(WholeShift, SmallOnesAndWhatIsUsualInThisBurstAreNone) {
  Sweeping small(20);
  small.jump(12, {0.0, kLeastPx - 2.0 * std::sqrt(2.0)});
  EXPECT_TRUE(small.shifts().empty());
  Sweeping shaky(20);
  for (std::size_t k = 1; k < 20; ++k) shaky.jump(k, {k % 2 == 0 ? 20.0 : -20.0, 0.0});
  EXPECT_TRUE(shaky.shifts().empty());
}

TEST(WholeShift, BetweenSweepsTheHandTakesANewGrip) {
  Sweeping sweep(20);
  sweep.sweeps = {{.first = 0, .last = 9}, {.first = 10, .last = 19}};
  sweep.jump(10, {50.0, 0.0});
  EXPECT_TRUE(sweep.shifts().empty());
}

TEST(WholeShift, FramesThatAreNotUsableArePassedOver) {
  Sweeping sweep(20);
  sweep.focus.frames[11].usable = false;
  sweep.middle_px[11] = {900.0, 900.0};
  EXPECT_TRUE(sweep.shifts().empty());
  sweep.jump(11, {40.0, 0.0});
  ASSERT_EQ(sweep.shifts().size(), 1U);
  EXPECT_EQ(sweep.shifts()[0].frame, 12U);
}

// A rest: steps of no turn tell no slope.
TEST(WholeShift, ARingThatStandsStillIsNoJump) {
  Sweeping sweep(20);
  for (std::size_t k = 8; k < 20; ++k) {
    sweep.focus.frames[k].q_px = 16.0;
    sweep.middle_px[k] = sweep.middle_px[7] + cv::Vec2d(6.0, -4.0);
  }
  EXPECT_TRUE(sweep.shifts().empty());
}

TEST(WholeShift, AsManyPlacesAsFramesAreNeeded) {
  const Sweeping sweep(20);
  EXPECT_THROW((void)find_whole_shifts(sweep.focus, sweep.sweeps, std::array<cv::Vec2d, 3>{}, 10.0),
               std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
