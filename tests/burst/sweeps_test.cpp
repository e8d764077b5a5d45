#include "ringsweep/sweeps.h"

#include <gtest/gtest.h>

#include <optional>
#include <stdexcept>
#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

TEST(SweepOf, IsTheOneThatTheFrameLiesInOrComesBefore) {
  const std::vector<SweepRange> sweeps{{.first = 2, .last = 5}, {.first = 8, .last = 9}};
  EXPECT_EQ(sweep_of(sweeps, 0), 0U);
  EXPECT_EQ(sweep_of(sweeps, 5), 0U);
  EXPECT_EQ(sweep_of(sweeps, 6), 1U);
  EXPECT_EQ(sweep_of(sweeps, 20), 1U);
}

TEST(FindSweeps, OneWayIsOneSweep) {
  for (const double sign : {1.0, -1.0}) {
    const auto sweeps = find_sweeps(frames_at({0.0, sign * 5, sign * 10, sign * 15}), 8.0);
    ASSERT_EQ(sweeps.size(), 1U);
    EXPECT_EQ(sweeps[0].first, 0U);
    EXPECT_EQ(sweeps[0].last, 3U);
    EXPECT_EQ(sweeps[0].rising, sign > 0.0);
  }
}

TEST(FindSweeps, PauseAndShortTurnBackBelongToTheSweep) {
  const auto sweeps = find_sweeps(frames_at({0, 5, 5, 5, 10, 7, 6, 12, 17}), 8.0);
  ASSERT_EQ(sweeps.size(), 1U);
  EXPECT_EQ(sweeps[0].last, 8U);
}

TEST(FindSweeps, TurningBackForGoodBeginsAnotherSweep) {
  const auto sweeps = find_sweeps(frames_at({0, 5, 10, 15, 20, 14, 9, 4, -1}), 8.0);
  ASSERT_EQ(sweeps.size(), 2U);
  EXPECT_EQ(sweeps[0].last, 4U);
  EXPECT_TRUE(sweeps[0].rising);
  EXPECT_EQ(sweeps[1].first, 5U);
  EXPECT_EQ(sweeps[1].last, 8U);
  EXPECT_FALSE(sweeps[1].rising);
}

// The frame at the turn lies at the end of both sweeps.
TEST(FindSweeps, APauseNearTheTurnTellsWhichFramesGoTogether) {
  const FocalPositions focus = frames_at({0, 5, 10, 15, 20, 14, 9, 4, -1});
  const auto parted_before = [&](std::vector<double> seconds) {
    std::vector<std::optional<double>> time_s(seconds.begin(), seconds.end());
    const auto sweeps = find_sweeps(focus, 8.0, time_s);
    EXPECT_EQ(sweeps.size(), 2U);
    EXPECT_EQ(sweeps[0].last + 1, sweeps[1].first);
    EXPECT_TRUE(sweeps[0].rising);
    EXPECT_FALSE(sweeps[1].rising);
    return sweeps[1].first;
  };
  EXPECT_EQ(parted_before({0, .1, .2, .3, 1.0, 1.1, 1.2, 1.3, 1.4}), 4U);
  EXPECT_EQ(parted_before({0, .1, .2, .3, .4, 1.0, 1.1, 1.2, 1.3}), 5U);
  EXPECT_EQ(parted_before({0, .1, .2, .3, .4, .5, 1.1, 1.2, 1.3}), 6U);
  // None; one far from the turn; and by a clock of whole seconds a tick is no pause.
  EXPECT_EQ(parted_before({0, .1, .2, .3, .41, .5, .6, .7, .8}), 5U);
  EXPECT_EQ(parted_before({0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8}), 5U);
  EXPECT_EQ(parted_before({0, 0, 0, 0, 1, 1, 1, 1, 1}), 5U);
  EXPECT_EQ(parted_before({0, 0, 0, 0, 3, 3, 3, 3, 3}), 4U);
}

TEST(FindSweeps, FramesWithoutATimeTellNoPause) {
  const FocalPositions focus = frames_at({0, 5, 10, 15, 20, 14, 9, 4, -1});
  std::vector<std::optional<double>> time_s(9);
  EXPECT_EQ(find_sweeps(focus, 8.0, time_s).at(1).first, 5U);
  time_s.pop_back();
  EXPECT_THROW((void)find_sweeps(focus, 8.0, time_s), std::invalid_argument);
}

// The ring went back between two frames, and on as before.
TEST(FindSweeps, TheSameWayTwiceIsTwoSweeps) {
  for (const double sign : {1.0, -1.0}) {
    std::vector<double> q{0, 5, 10, 15, 0, 5, 10, 15};
    for (double& v : q) v *= sign;
    const auto sweeps = find_sweeps(frames_at(q), 8.0);
    ASSERT_EQ(sweeps.size(), 2U);
    EXPECT_EQ(sweeps[0].last, 3U);
    EXPECT_EQ(sweeps[1].first, 4U);
    EXPECT_EQ(sweeps[1].last, 7U);
    for (const SweepRange& sweep : sweeps) EXPECT_EQ(sweep.rising, sign > 0.0);
  }
}

// There and back, and of the frames one that cannot be compared; then a lens that does not breathe.
TEST(FindSweeps, ThePicturesScaleTellsThemToo) {
  const std::vector<double> log_scale{-0.02, -0.01, 0.5, 0.0, 0.01, 0.02, 0.011, 0.003, -0.012};
  std::vector<bool> known(log_scale.size(), true);
  known[2] = false;
  const auto sweeps = find_sweeps_by_scale(log_scale, known);
  ASSERT_EQ(sweeps.size(), 2U);
  EXPECT_EQ(sweeps[0].last, 5U);
  EXPECT_EQ(sweeps[1].last, 8U);
  EXPECT_TRUE(find_sweeps_by_scale(std::vector{0.0, 0.001, 0.002, 0.001, 0.0}, std::vector(5, true))
                  .empty());
}

TEST(FindSweeps, FramesWithoutAPositionArePassedOver) {
  FocalPositions focus = frames_at({0, 5, 10, 15});
  forget(focus, 1);
  forget(focus, 3);
  const auto sweeps = find_sweeps(focus, 8.0);
  ASSERT_EQ(sweeps.size(), 1U);
  EXPECT_EQ(sweeps[0].last, 2U);
}

TEST(FindSweeps, FewerThanTwoPositionsAreNoSweepAndStandstillIsOne) {
  EXPECT_TRUE(find_sweeps(frames_at({}), 8.0).empty());
  EXPECT_TRUE(find_sweeps(frames_at({3.0}), 8.0).empty());
  EXPECT_EQ(find_sweeps(frames_at({3.0, 3.0, 3.0}), 8.0).size(), 1U);
}

}  // namespace
}  // namespace ringsweep
