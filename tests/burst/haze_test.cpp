// Haze against made contrasts: a step that stays is told, what passes or only follows the scale
// not.
#include "ringsweep/haze.h"

#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <stdexcept>
#include <vector>

namespace ringsweep {
namespace {

struct Made {
  FocalPositions focus;
  std::vector<double> log_scale;
};

/// A sweep of `count` frames whose scale grows by 8 %, contrast with it, each with a scatter of
/// 0.01.
Made sweep(std::size_t count) {
  Made made;
  std::mt19937 random(7);
  std::normal_distribution<double> scatter(0.0, 0.01);
  for (std::size_t k = 0; k < count; ++k) {
    made.log_scale.push_back(0.08 * static_cast<double>(k) / static_cast<double>(count));
    made.focus.frames.push_back({.q_px = 1.0 * static_cast<double>(k),
                                 .sd_px = 0.05,
                                 .usable = true,
                                 .shake_px = 0.0,
                                 .log_contrast = -4.0 * made.log_scale.back() + scatter(random)});
  }
  return made;
}

void dim_from(Made& made, std::size_t from, std::size_t to, double share) {
  for (std::size_t k = from; k < to; ++k)
    *made.focus.frames[k].log_contrast += 2.0 * std::log(1.0 - share);
}

TEST(Haze, AStepThatStaysIsTold) {
  for (const double share : {0.1, 0.2, 0.4}) {
    Made made = sweep(24);
    dim_from(made, 15, 24, share);
    const auto haze = find_haze(made.focus, made.log_scale);
    ASSERT_TRUE(haze.has_value()) << share;
    EXPECT_EQ(haze->first_frame, 15U) << share;
    // The step's sd is 0.01 sqrt(1/9 + 1/15), about twice that with the slope free; half of it is
    // the amplitude's. Three of these.
    EXPECT_NEAR(haze->contrast_lost, share, 0.013) << share;
  }
}

TEST(Haze, TheScaleAndScatterAreNone) {
  EXPECT_FALSE(find_haze(sweep(24).focus, sweep(24).log_scale));
}

TEST(Haze, AFewSoftFramesAreNone) {
  Made made = sweep(24);
  dim_from(made, 10, 12, 0.2);
  EXPECT_FALSE(find_haze(made.focus, made.log_scale));
}

TEST(Haze, MoreContrastIsNone) {
  Made made = sweep(24);
  dim_from(made, 0, 10, 0.2);  // as when the lens is wiped
  EXPECT_FALSE(find_haze(made.focus, made.log_scale));
}

TEST(Haze, FramesThatCannotTellAreLeftOut) {
  Made made = sweep(24);
  dim_from(made, 15, 24, 0.2);
  made.focus.frames[15].log_contrast.reset();
  made.focus.frames[16].usable = false;
  EXPECT_EQ(find_haze(made.focus, made.log_scale).value().first_frame, 17U);
}

TEST(Haze, WhereTheFocusJumpsAStepIsNone) {
  Made made = sweep(24);
  dim_from(made, 15, 24, 0.2);
  for (std::size_t k = 15; k < 24; ++k) *made.focus.frames[k].q_px += 3.0;
  EXPECT_FALSE(find_haze(made.focus, made.log_scale));
}

TEST(Haze, FewFramesTellNothing) {
  EXPECT_FALSE(find_haze({}, {}));
  Made made = sweep(7);
  dim_from(made, 4, 7, 0.4);
  EXPECT_FALSE(find_haze(made.focus, made.log_scale));
  EXPECT_THROW((void)find_haze(made.focus, std::vector<double>(3)), std::invalid_argument);
}

TEST(Haze, ALensThatDoesNotBreatheIsNoTrap) {
  Made made = sweep(24);
  for (std::size_t k = 0; k < 24; ++k) {
    *made.focus.frames[k].log_contrast += 4.0 * made.log_scale[k];
    made.log_scale[k] = 0.0;
  }
  EXPECT_FALSE(find_haze(made.focus, made.log_scale));
  dim_from(made, 15, 24, 0.1);
  EXPECT_EQ(find_haze(made.focus, made.log_scale).value().first_frame, 15U);
}

}  // namespace
}  // namespace ringsweep
