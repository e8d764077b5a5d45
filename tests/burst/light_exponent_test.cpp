// The light's power: misfits along known curves.
#include "burst/light_exponent.h"

#include <gtest/gtest.h>

#include <cmath>
#include <optional>

namespace ringsweep {
namespace {

/// Least at `best`, a parabola in the logarithm.
auto misfit(double best) {
  return [best](double e) { return std::optional(0.5 + std::pow(std::log(e / best), 2)); };
}

TEST(LightExponent, IsWhereTheMisfitIsLeast) {
  // A parabola is solved exactly.
  for (const double best : {0.5, 0.6, 0.75, 0.9, 1.0})
    EXPECT_NEAR(find_light_exponent(misfit(best)), best, 1e-9) << best;
}

TEST(LightExponent, StaysWithinWhatCamerasDo) {
  EXPECT_EQ(find_light_exponent(misfit(2.0)), 1.0);
  EXPECT_EQ(find_light_exponent(misfit(0.2)), 0.45);
}

TEST(LightExponent, OfAHillTheLowestTrial) {
  const auto hill = [](double top) {
    return [top](double e) { return std::optional(1.0 - std::pow(std::log(e / top), 2)); };
  };
  EXPECT_EQ(find_light_exponent(hill(0.95)), 0.5);
  EXPECT_EQ(find_light_exponent(hill(0.8)), 1.0);
}

TEST(LightExponent, WhereATrialTellsNothingTheFileIsBelieved) {
  for (const double silent : {1.0, 0.7, 0.5})
    EXPECT_EQ(
        find_light_exponent([&](double e) { return e == silent ? std::nullopt : misfit(0.6)(e); }),
        1.0)
        << silent;
}

TEST(LightExponent, AsksThreeTimes) {
  int asked = 0;
  (void)find_light_exponent([&](double e) { return ++asked, misfit(0.8)(e); });
  EXPECT_EQ(asked, 3);
}

}  // namespace
}  // namespace ringsweep
