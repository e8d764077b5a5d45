// Where a light focuses, against sizes that second moments give by hand.
#include "burst/light_focus.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace ringsweep {
namespace {

/// As spots are found: in steps of sqrt(2), from 1 to 6 px.
double in_steps(double sigma_px) {
  constexpr std::array kSteps{1.0, 1.41, 2.0, 2.83, 4.0, 5.66};
  return *std::ranges::min_element(
      kSteps, {}, [&](double step) { return std::abs(std::log(step / sigma_px)); });
}

/// Of a light that is `sharp_px` large at `q_px`, in frames every `step_px`.
std::vector<SizedSpot> seen(double q_px, double sharp_px, double first_px, double last_px,
                            double step_px = 1.0) {
  std::vector<SizedSpot> sizes;
  for (double q = first_px; q <= last_px; q += step_px)
    sizes.push_back({q, in_steps(std::sqrt(sharp_px * sharp_px + (q - q_px) * (q - q_px) / 16.0))});
  return sizes;
}

TEST(LightFocus, IsWhereTheLightIsSmallest) {
  const auto focus = focus_of_sizes(seen(3.0, 1.0, -8.0, 12.0), -14.0, 18.0);
  ASSERT_TRUE(focus);
  EXPECT_NEAR(focus->q_px, 3.0, 1.0) << "sizes go in steps";
  EXPECT_LT(focus->sd_px, 2.0);
}

TEST(LightFocus, IsToldBeyondTheLastFrameToo) {
  // From 5 px before it to 15: the disc grows from 1.25 to 3.75 px.
  const auto focus = focus_of_sizes(seen(5.0, 0.8, -10.0, 0.0), -14.0, 14.0);
  ASSERT_TRUE(focus);
  EXPECT_NEAR(focus->q_px, 5.0, focus->sd_px + 0.5);
  const std::vector<SizedSpot> sizes = seen(5.0, 0.8, -10.0, 0.0);
  EXPECT_GT(misfit_of_sizes(sizes, 0.0), misfit_of_sizes(sizes, 5.0) + 1.0);
}

TEST(LightFocus, OneSizeThatIsAnotherThingsDoesNotMoveItMuch) {
  std::vector<SizedSpot> sizes = seen(3.0, 1.0, -8.0, 12.0);
  sizes[2].sigma_px = 1.0;
  const auto focus = focus_of_sizes(sizes, -14.0, 18.0);
  ASSERT_TRUE(focus);
  EXPECT_NEAR(focus->q_px, 3.0, 1.25);
}

TEST(LightFocus, IsAsUnsureAsItsSizesAreFewOrAlike) {
  const auto sure = focus_of_sizes(seen(0.0, 1.0, -10.0, 10.0), -14.0, 14.0);
  const auto near_only = focus_of_sizes(seen(0.0, 1.0, -1.5, 1.5), -14.0, 14.0);
  ASSERT_TRUE(sure && near_only);
  EXPECT_GT(near_only->sd_px, 1.5 * sure->sd_px);
  EXPECT_FALSE(focus_of_sizes(seen(0.0, 1.0, -1.0, 1.0), -14.0, 14.0)) << "three are too few";
}

}  // namespace
}  // namespace ringsweep
