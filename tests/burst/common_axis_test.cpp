// Two fits of the same tiles brought to one axis. No outside source but the normal distribution;
// tolerances are sds of the least-squares slope.
#include "burst/common_axis.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <vector>

namespace ringsweep {
namespace {

/// 400 tiles over 20 px, seen with a scatter of `sd_px`; a share of them anywhere.
std::vector<TwoPositions> tiles(double ratio, double offset_px, double sd_px, double astray) {
  std::mt19937 random(5);
  std::normal_distribution<double> scatter(0.0, sd_px);
  std::uniform_real_distribution<double> any(-10.0, 10.0), share(0.0, 1.0);
  std::vector<TwoPositions> result;
  for (int i = 0; i < 400; ++i) {
    const double b = any(random);
    const double a = share(random) < astray ? any(random) : offset_px + ratio * b;
    result.push_back({.a_px = a + scatter(random), .b_px = b});
  }
  return result;
}

TEST(CommonAxis, FindsRatioAndOffset) {
  for (const double ratio : {1.0, 0.7, 1.4, -1.0}) {
    const auto axis = common_axis(tiles(ratio, 3.0, 0.3, 0.0));
    ASSERT_TRUE(axis) << ratio;
    // Positions are uniform over 20 px: sd 20 / sqrt(12) = 5.77 px. 0.3 / (5.77 x sqrt(400)) =
    // 0.0026; four of it.
    EXPECT_NEAR(axis->ratio, ratio, 0.0104);
    EXPECT_NEAR(axis->ratio_sd, 0.0026, 0.0005);  // of the median deviation: 1.17 / sqrt(400)
    EXPECT_NEAR(axis->offset_px, 3.0, 4.0 * 0.3 / 20.0);
  }
}

TEST(CommonAxis, TilesThatMovedDoNotDrawIt) {
  const auto axis = common_axis(tiles(0.8, -2.0, 0.2, 0.3));
  ASSERT_TRUE(axis);
  // 280 tiles on the line: 0.2 / (5.77 x sqrt(280)) = 0.0021. Those astray that lie within 2.5
  // sigma of it are few, a tenth, and on both sides.
  EXPECT_NEAR(axis->ratio, 0.8, 0.01);
  EXPECT_GT(axis->tiles, 260U);
  EXPECT_LT(axis->tiles, 330U);
}

// By the line's own scatter near its middle; far from it, by what the two scales err by.
TEST(CommonAxis, IsKnownWorseFarFromItsMiddle) {
  const CommonAxis axis{
      .ratio = -0.5, .ratio_sd = 0.001, .middle_px = 10.0, .scatter_px = 0.7, .tiles = 480};
  EXPECT_NEAR(axis.sd_px(10.0, 0.03), 0.7 / std::sqrt(48.0), 1e-9);
  EXPECT_NEAR(axis.sd_px(1010.0, 0.03), 1000.0 * 0.5 * 0.03, 0.4) << "0.0032 of ratio: 0.33 px";
}

TEST(CommonAxis, NoLineIsNone) {
  EXPECT_FALSE(common_axis(tiles(1.0, 0.0, 0.2, 1.0)));
  EXPECT_FALSE(common_axis(std::vector<TwoPositions>(19, {1.0, 1.0})));
  EXPECT_FALSE(common_axis(std::vector<TwoPositions>(100, {1.0, 1.0})));  // no depth
}

}  // namespace
}  // namespace ringsweep
