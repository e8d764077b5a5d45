// Starts of the fit against a ring whose way is known. Readings are exact: tile by tile the
// distance between frame and tile, where the tile is near enough to be read.
#include "burst/focal_starts.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr double kNearPx = 6.0, kFarPx = 12.0;

/// Tiles every 0.1 px over the frames' depths and 2 px beyond.
Eigen::MatrixXf readings(const VectorXd& q) {
  const double low = q.minCoeff() - 2.0, high = q.maxCoeff() + 2.0;
  const auto tiles = static_cast<Index>((high - low) / 0.1);
  Eigen::MatrixXf blur(q.size(), tiles);
  for (Index k = 0; k < q.size(); ++k)
    for (Index t = 0; t < tiles; ++t) {
      const double away = std::abs(q(k) - low - 0.1 * static_cast<double>(t));
      blur(k, t) = away <= kFarPx ? static_cast<float>(away) : -1.0F;
    }
  return blur;
}

/// Turns back twice, after frames 5 and 10, far enough for the way there to be seen again.
VectorXd turning_ring() {
  VectorXd q(18);
  q << 0.0, 2.0, 4.2, 6.0, 8.1, 10.0, 7.7, 5.8, 3.9, 2.1, 0.2, 2.4, 4.3, 6.5, 8.4, 10.6, 12.5, 14.4;
  return q;
}

double farthest_off(const VectorXd& start, const VectorXd& truth) {
  const VectorXd same = start - truth, mirrored = start + truth;
  return 0.5 *
         std::min(same.maxCoeff() - same.minCoeff(), mirrored.maxCoeff() - mirrored.minCoeff());
}

TEST(FocalStarts, ARingThatTurnsBackIsFollowedWithoutTheHelpOfBreathing) {
  const VectorXd q = turning_ring();
  const std::vector<bool> use(18, true);
  const FocalStarts starts =
      starting_positions(readings(q), use, VectorXd::Ones(18), kNearPx, for_each_in_order);
  ASSERT_EQ(starts.positions.size(), 3U);
  EXPECT_GT(farthest_off(starts.positions[0], q), 5.0) << "one way";
  // Steps are read as the 0.8 quantile of differences, most of which are the step itself; each may
  // be short by a tile or two, and they add up over 17 of them.
  EXPECT_LT(farthest_off(starts.positions[1], q), 1.5) << "as the distances fit";
  ASSERT_EQ(starts.step_px.size(), 18U);
  EXPECT_FALSE(starts.step_px[0].has_value());
  for (std::size_t k = 1; k < 18; ++k) {
    const auto i = static_cast<Index>(k);
    ASSERT_TRUE(starts.step_px[k].has_value()) << k;
    EXPECT_NEAR(*starts.step_px[k], std::abs(q(i) - q(i - 1)), 0.3) << k;
  }
}

TEST(FocalStarts, ARingTurnedOneWayHasNoStartThatTurnsBack) {
  const VectorXd q = VectorXd::LinSpaced(12, 0.0, 20.0);
  const FocalStarts starts = starting_positions(readings(q), std::vector<bool>(12, true),
                                                VectorXd::Ones(12), kNearPx, for_each_in_order);
  EXPECT_EQ(starts.positions.size(), 2U);  // one way, and embedded
}

// Begun in the middle, on to the far end, then from the near end to where it began: from the frame
// at the far end to the one at the near end no tile tells how far it is. Nor are they near each
// other, for being neighbours in time.
TEST(FocalStarts, ASweepBegunInTheMiddleIsLaidOutAsItLies) {
  constexpr Index kFrames = 41, kFirst = 20;
  VectorXd q(kFrames);
  for (Index k = 0; k < kFrames; ++k) q(k) = 2.5 * static_cast<double>((k + kFirst) % kFrames);
  const FocalStarts starts =
      starting_positions(readings(q), std::vector<bool>(kFrames, true), VectorXd::Ones(kFrames),
                         kNearPx, for_each_in_order);
  EXPECT_FALSE(starts.step_px[kFrames - kFirst].has_value());
  // 40 steps, each short by a tile or two, as above.
  EXPECT_LT(farthest_off(starts.positions.back(), q), 4.0) << "embedded";
}

// Steps longer than what can be read of any tile but a few: the rate of the picture's scale comes
// from those few, and every frame has its place by it.
TEST(FocalStarts, WhereTilesHardlyTellAStepThePicturesScaleLaysOutAllFrames) {
  constexpr Index kFrames = 12;
  constexpr double kPerPx = 0.002;
  const VectorXd q = VectorXd::LinSpaced(kFrames, 0.0, 110.0);
  Eigen::MatrixXf blur(kFrames, 55);
  for (Index t = 0; t < blur.cols(); ++t)
    for (Index k = 0; k < kFrames; ++k) {
      const double away = std::abs(q(k) - 2.0 * static_cast<double>(t));
      blur(k, t) = away <= kFarPx ? static_cast<float>(away) : -1.0F;
    }
  const VectorXd scale = (kPerPx * q).array().exp();
  const FocalStarts starts =
      starting_positions(blur, std::vector<bool>(kFrames, true), scale, kNearPx, for_each_in_order);
  ASSERT_EQ(starts.by_scale.size(), 3U);
  // In proportion to the truth, and one of the three right to what is between them.
  double nearest = 1e9;
  for (const VectorXd& start : starts.by_scale) {
    const double rate = start(kFrames - 1) / 110.0;
    EXPECT_LT((start - rate * q).cwiseAbs().maxCoeff(), 1e-6);
    nearest = std::min(nearest, std::abs(std::log(rate)));
  }
  EXPECT_LT(nearest, std::log(1.35));
  EXPECT_TRUE(starting_positions(blur, std::vector<bool>(kFrames, true), VectorXd::Ones(kFrames),
                                 kNearPx, for_each_in_order)
                  .by_scale.empty())
      << "a lens that does not breathe";
}

// Two parts that share no tile hang on the step between them, as far as that is known.
TEST(FocalStarts, PartsThatNoTileJoinsFollowEachOther) {
  VectorXd q(12);
  q << 0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 60.0, 62.0, 64.0, 66.0, 68.0, 70.0;
  const FocalStarts starts = starting_positions(readings(q), std::vector<bool>(12, true),
                                                VectorXd::Ones(12), kNearPx, for_each_in_order);
  const VectorXd& embedded = starts.positions.back();
  for (Index k = 1; k < 12; ++k) EXPECT_GT(embedded(k), embedded(k - 1)) << k;
}

TEST(FocalStarts, FramesOnTheWrongSideOfATearArePutRight) {
  const VectorXd q = turning_ring();
  std::vector<bool> use(18, true);
  use[7] = false;
  std::vector<std::optional<double>> step_px(18);
  for (std::size_t k = 1; k < 18; ++k)
    step_px[k] = std::abs(q(static_cast<Index>(k)) - q(static_cast<Index>(k == 8 ? 6 : k - 1)));
  EXPECT_TRUE(mended_where_torn(q, step_px, use).empty());

  VectorXd torn = q;
  for (Index k = 12; k < 18; ++k) torn(k) = -20.0 - q(k);
  const std::vector<VectorXd> mended = mended_where_torn(torn, step_px, use);
  ASSERT_EQ(mended.size(), 4U);
  // One of the four is the truth; rounding.
  EXPECT_TRUE(std::ranges::any_of(
      mended, [&](const VectorXd& trial) { return (trial - q).cwiseAbs().maxCoeff() < 1e-12; }));

  // Where no tile shows how far the step went, nothing is known to be torn.
  step_px[12].reset();
  EXPECT_TRUE(mended_where_torn(torn, step_px, use).empty());
}

}  // namespace
}  // namespace ringsweep
