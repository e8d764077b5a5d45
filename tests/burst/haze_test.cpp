// Haze against made contrasts: a step that stays is told, and what grows, where the position does
// not explain it; what passes, or only follows the light or the position, is not.
#include "ringsweep/haze.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>
#include <stdexcept>
#include <vector>

namespace ringsweep {
namespace {

struct Made {
  FocalPositions focus;
  std::vector<double> log_light;
};

/// A sweep of `count` frames whose light falls by 16 %, contrast with it, each with a scatter of
/// 0.01. @param back  the ring turns in the middle and comes back
Made sweep(std::size_t count, bool back = false) {
  Made made;
  std::mt19937 random(7);
  std::normal_distribution<double> scatter(0.0, 0.01);
  for (std::size_t k = 0; k < count; ++k) {
    const auto at = static_cast<double>(back ? std::min(k, count - 1 - k) : k);
    made.log_light.push_back(-0.16 * at / static_cast<double>(count));
    made.focus.frames.push_back({.q_px = at,
                                 .sd_px = 0.05,
                                 .usable = true,
                                 .shake_px = 0.0,
                                 .log_contrast = 2.0 * made.log_light.back() + scatter(random)});
  }
  return made;
}

/// From `from` on evenly up to `share` in the last frame.
void grow_from(Made& made, std::size_t from, double share) {
  const std::size_t count = made.focus.frames.size();
  for (std::size_t k = from; k < count; ++k)
    *made.focus.frames[k].log_contrast +=
        2.0 * std::log(1.0 - share * static_cast<double>(k - from + 1) /
                                 static_cast<double>(count - from));
}

/// Contrast that goes with the position, by so much from end to end (log of the energy).
void drift(Made& made, double by) {
  double range = 0.0;
  for (const FocalPosition& frame : made.focus.frames) range = std::max(range, *frame.q_px);
  for (FocalPosition& frame : made.focus.frames) *frame.log_contrast += by * *frame.q_px / range;
}

std::optional<Haze> haze_of(const Made& made) { return find_haze(made.focus, made.log_light); }

void dim_from(Made& made, std::size_t from, std::size_t to, double share) {
  for (std::size_t k = from; k < to; ++k)
    *made.focus.frames[k].log_contrast += 2.0 * std::log(1.0 - share);
}

TEST(Haze, AStepThatStaysIsTold) {
  for (const double share : {0.1, 0.2, 0.4}) {
    Made made = sweep(24);
    dim_from(made, 15, 24, share);
    const auto haze = haze_of(made);
    ASSERT_TRUE(haze.has_value()) << share;
    EXPECT_EQ(haze->first_frame, 15U) << share;
    EXPECT_FALSE(haze->grows) << share;
    // The step's sd is 0.01 sqrt(1/9 + 1/15), about twice that with the drift free; half of it is
    // the amplitude's. Three of these.
    EXPECT_NEAR(haze->contrast_lost, share, 0.013) << share;
  }
}

TEST(Haze, WhatGrowsWhileTheRingComesBackIsTold) {
  for (const double share : {0.15, 0.3}) {
    Made made = sweep(30, true);
    grow_from(made, 6, share);
    const auto haze = haze_of(made);
    ASSERT_TRUE(haze.has_value()) << share;
    EXPECT_TRUE(haze->grows) << share;
    // Where so slow a growth begins is known to a scatter over its rise a frame, 0.01 / 0.013, and
    // again as much for the bend that the logarithm gives an even growth.
    EXPECT_NEAR(static_cast<double>(haze->first_frame), 6.0, 3.0) << share;
    // Its bend is taken for a straight line (3 % of the share here), and the scatter as above.
    EXPECT_NEAR(haze->contrast_lost, share, 0.02) << share;
  }
}

TEST(Haze, WhatGrowsAlongOneSweepIsToldOnlyWhereNoDriftExplainsIt) {
  Made made = sweep(24);
  grow_from(made, 0, 0.1);
  EXPECT_FALSE(haze_of(made)) << "as much as contrast may drift with the position";
  made = sweep(24);
  grow_from(made, 0, 0.4);
  const auto haze = haze_of(made);
  ASSERT_TRUE(haze.has_value());
  EXPECT_TRUE(haze->grows);
}

TEST(Haze, ADriftWithThePositionIsNone) {
  for (const double by : {-0.3, 0.3})
    for (const bool back : {false, true}) {
      Made made = sweep(24, back);
      drift(made, by);
      EXPECT_FALSE(haze_of(made)) << by << back;
    }
}

TEST(Haze, TheLightAndScatterAreNone) {
  EXPECT_FALSE(haze_of(sweep(24)));
  EXPECT_FALSE(haze_of(sweep(24, true)));
}

TEST(Haze, LightThatIsNotKnownIsLeftOut) {
  Made made = sweep(24);
  dim_from(made, 15, 24, 0.2);
  made.log_light[15] = std::numeric_limits<double>::quiet_NaN();
  EXPECT_EQ(haze_of(made).value().first_frame, 16U);
}

TEST(Haze, AFewSoftFramesAreNone) {
  Made made = sweep(24);
  dim_from(made, 10, 12, 0.2);
  EXPECT_FALSE(haze_of(made));
}

TEST(Haze, MoreContrastIsNone) {
  for (const bool back : {false, true}) {
    Made made = sweep(24, back);
    dim_from(made, 0, 10, 0.2);  // as when the lens is wiped
    EXPECT_FALSE(haze_of(made)) << back;
    made = sweep(24, back);
    grow_from(made, 0, -0.4);  // as when dew dries
    EXPECT_FALSE(haze_of(made)) << back;
  }
}

TEST(Haze, FramesThatCannotTellAreLeftOut) {
  Made made = sweep(24);
  dim_from(made, 15, 24, 0.2);
  made.focus.frames[15].log_contrast.reset();
  made.focus.frames[16].usable = false;
  EXPECT_EQ(haze_of(made).value().first_frame, 17U);
}

TEST(Haze, WhereTheFocusJumpsAStepIsNone) {
  Made made = sweep(24);
  dim_from(made, 15, 24, 0.2);
  for (std::size_t k = 15; k < 24; ++k) *made.focus.frames[k].q_px += 3.0;
  EXPECT_FALSE(haze_of(made));
}

TEST(Haze, FewFramesTellNothing) {
  EXPECT_FALSE(find_haze({}, {}));
  Made made = sweep(7);
  dim_from(made, 4, 7, 0.4);
  EXPECT_FALSE(haze_of(made));
  EXPECT_THROW((void)find_haze(made.focus, std::vector<double>(3)), std::invalid_argument);
}

TEST(Haze, LightThatDoesNotFallIsNoTrap) {
  Made made = sweep(24);
  for (std::size_t k = 0; k < 24; ++k) {
    *made.focus.frames[k].log_contrast -= 2.0 * made.log_light[k];
    made.log_light[k] = 0.0;
  }
  EXPECT_FALSE(haze_of(made));
  dim_from(made, 15, 24, 0.1);
  EXPECT_EQ(haze_of(made).value().first_frame, 15U);
}

}  // namespace
}  // namespace ringsweep
