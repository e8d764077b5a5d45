// The line between focal position and picture scale: exact for a thin lens (q = -(D/p)(v_0/v), and
// registration takes out v_0/v), made here from that formula alone.
#include "burst/breathing.h"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

namespace ringsweep {
namespace {

using Eigen::VectorXd;

/// D/p = 12.5 mm / 0.004 mm at 1:1 with 100 mm: image distances from 196 to 204 mm.
struct ThinLensSweep {
  static constexpr double kPupilPx = 3125.0, kMiddleMm = 200.0;
  VectorXd q, scale;

  explicit ThinLensSweep(Eigen::Index n) : q(n), scale(n) {
    for (Eigen::Index k = 0; k < n; ++k) {
      const double v = 196.0 + 8.0 * static_cast<double>(k) / static_cast<double>(n - 1);
      scale(k) = kMiddleMm / v;
      q(k) = -kPupilPx * scale(k) + 17.0;
    }
  }
};

TEST(Breathing, AThinLensLiesOnTheLineExactly) {
  const ThinLensSweep sweep(25);
  const BreathingLine line = fit_breathing(sweep.q, sweep.scale, std::vector<bool>(25, true), 0.25);
  // Rounding: positions of 3000 px in doubles, sums of 25.
  EXPECT_NEAR(line.slope * -ThinLensSweep::kPupilPx, 1.0, 1e-9);
  for (Eigen::Index k = 0; k < 25; ++k)
    EXPECT_NEAR(line.offset + line.slope * sweep.q(k), sweep.scale(k), 1e-10) << k;
  // Nothing scatters: the sd is the floor that was asked for.
  EXPECT_NEAR(line.sd, 0.25 / ThinLensSweep::kPupilPx, 1e-12);
}

TEST(Breathing, AFifthOfStrangersAndUnusedFramesMoveNothing) {
  ThinLensSweep sweep(25);
  std::vector<bool> use(25, true);
  for (const Eigen::Index k : {3, 9, 14, 20, 23}) sweep.q(k) += 40.0;
  use[7] = false;
  sweep.scale(7) = 5.0;
  const BreathingLine line = fit_breathing(sweep.q, sweep.scale, use, 0.25);
  // Cauchy's weight of a stranger 40 px away at sd 0.25 px: (2.38 / 160)^2 = 2e-4; five of them
  // against twenty good frames pull by 5 x 40 px x 2e-4 / 20 = 2e-3 px.
  for (Eigen::Index k = 0; k < 25; ++k) {
    if (k == 7) continue;
    const double q_true = -ThinLensSweep::kPupilPx * sweep.scale(k) + 17.0;
    EXPECT_NEAR((sweep.scale(k) - line.offset) / line.slope, q_true, 1e-2) << k;
  }
}

TEST(Breathing, TheScatterIsTheSd) {
  ThinLensSweep sweep(210);
  for (Eigen::Index k = 0; k < 210; ++k) sweep.q(k) += static_cast<double>(k * 8 % 21 - 10) / 5.0;
  const BreathingLine line =
      fit_breathing(sweep.q, sweep.scale, std::vector<bool>(210, true), 0.25);
  // Off by -2, -1.8 ... 2 px, equally often: half of them by 1 px or less, and 1.4826 times that is
  // the sd of a normal distribution. 2 %: the line's tilt, (1.2 px / 125 px) / sqrt(210 / 12).
  EXPECT_NEAR(line.sd * ThinLensSweep::kPupilPx, 1.4826, 0.02 * 1.4826);
}

TEST(Breathing, ALensThatDoesNotBreatheHasNoSlope) {
  const ThinLensSweep sweep(25);
  const BreathingLine line =
      fit_breathing(sweep.q, VectorXd::Ones(25), std::vector<bool>(25, true), 0.25);
  EXPECT_EQ(line.slope, 0.0);
  EXPECT_EQ(line.offset, 1.0);
  EXPECT_GT(line.sd, 0.0);
}

TEST(Breathing, WithoutMovementOrFramesThereIsNoSlope) {
  const VectorXd still = VectorXd::Constant(6, 3.0), scale = VectorXd::LinSpaced(6, 0.99, 1.01);
  EXPECT_EQ(fit_breathing(still, scale, std::vector<bool>(6, true), 0.25).slope, 0.0);
  EXPECT_EQ(fit_breathing(still, scale, std::vector<bool>(6, false), 0.25).slope, 0.0);
  EXPECT_EQ(fit_breathing(VectorXd(0), VectorXd(0), {}, 0.25).slope, 0.0);
}

// ---------------------------------------------------------------- scale against positions

/// All frames in use, their positions known to 0.05 px.
ScaleObjections objections(const ThinLensSweep& sweep) {
  const Eigen::Index n = sweep.q.size();
  return compare_with_scale(sweep.q, VectorXd::Constant(n, 0.05), sweep.scale,
                            std::vector<bool>(static_cast<std::size_t>(n), true));
}

TEST(ScaleObjections, AThinLensSpeaksAgainstNothing) {
  const ThinLensSweep sweep(25);
  const ScaleObjections found = objections(sweep);
  EXPECT_LT(found.sds, 1e-6);  // rounding of positions of 3000 px
  for (const auto& o : found.frames) ASSERT_TRUE(o.has_value());
}

TEST(ScaleObjections, FramesThatSwayedAreToldAndNoOthers) {
  ThinLensSweep sweep(25);
  for (const Eigen::Index k : {4, 20}) sweep.q(k) -= 3.0;  // the scale says 3 px more
  const ScaleObjections found = objections(sweep);
  // Cauchy's loss at the least spread, 0.06 px, leaves strangers 3 px away a weight of 2e-3: two
  // of them pull the 23 others by 2 x 3 px x 2e-3 / 23 < 1e-3 px, a few times that at the ends.
  for (std::size_t k = 0; k < 25; ++k)
    EXPECT_NEAR(found.frames[k]->off_px, k == 4 || k == 20 ? 3.0 : 0.0, 1e-2) << k;
  EXPECT_LT(found.sds, 0.1);
  // One by one: a frame's tells nothing of the next one's.
  EXPECT_LT(std::abs(found.serial), 0.05);
  // The frame's own sd, and 5e-4 of the picture's size: 1.56 px at 3125 px.
  EXPECT_NEAR(found.frames[4]->sd_px, std::hypot(0.05, 5e-4 * ThinLensSweep::kPupilPx), 1e-2);
}

TEST(ScaleObjections, ASecondSweepWithAnotherApertureIsAWrongCourse) {
  const ThinLensSweep there(25), back(25);  // 125 px deep
  ThinLensSweep both(50);
  both.q << there.q, (0.7 * back.q.array() + 0.3 * back.q.mean()).reverse();
  both.scale << there.scale, back.scale.reverse();
  const ScaleObjections found = objections(both);
  EXPECT_GT(found.sds, 2.4);
  EXPECT_GT(found.serial, 0.6);
}

TEST(ScaleObjections, ADriftAlongAParabolaIsNone) {
  ThinLensSweep sweep(25);
  const double middle = sweep.q.mean();
  for (Eigen::Index k = 0; k < 25; ++k)
    sweep.scale(k) += 0.004 * std::pow((sweep.q(k) - middle) / 60.0, 2.0);
  // What is left is where the mean and the parabola's own middle differ: rounding.
  EXPECT_LT(objections(sweep).sds, 1e-6);
}

TEST(ScaleObjections, ALensThatDoesNotBreatheAndAFewFramesSayNothing) {
  ThinLensSweep still(25);
  still.scale.setOnes();
  EXPECT_LT(objections(still).sds, 1e-3);
  const ScaleObjections none = objections(ThinLensSweep(5));
  EXPECT_EQ(none.sds, 0.0);
  for (const auto& o : none.frames) EXPECT_FALSE(o.has_value());
}

}  // namespace
}  // namespace ringsweep
