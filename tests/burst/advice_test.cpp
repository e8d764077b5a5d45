#include "ringsweep/advice.h"

#include <gtest/gtest.h>

#include "positions.h"

namespace ringsweep {
namespace {

RingAdvice advice_for(const FocalPositions& focus, const std::vector<double>& subject,
                      std::vector<bool> skipped = {}) {
  skipped.resize(focus.frames.size());
  return advise(focus, assess_coverage(focus, subject, {.blur_limit_px = 2.0}), subject, skipped,
                2.0);
}

TEST(Advice, TurnLessByTheLargestStepOnTheSubject) {
  const RingAdvice a = advice_for(frames_at({0, 2, 8, 10}), evenly(0, 10, 101));
  EXPECT_DOUBLE_EQ(a.step_px, 3.0);  // three quarters of the 4 px allowed
  EXPECT_DOUBLE_EQ(a.largest_step_px, 6.0);
  EXPECT_DOUBLE_EQ(a.turn_factor.value_or(0), 0.5);
  EXPECT_FALSE(a.dark_frames_are_the_cause);
}

TEST(Advice, StepsOverAirDoNotCount) {
  const RingAdvice a = advice_for(frames_at({-20, -9, 0, 3, 6}), evenly(0, 6, 61));
  EXPECT_DOUBLE_EQ(a.largest_step_px, 3.0);
}

TEST(Advice, DarkFramesShareTheStepAndAreNamedAsTheCause) {
  FocalPositions focus = frames_at({0, 3, 6, 9, 12});
  forget(focus, 2);
  const RingAdvice a = advice_for(focus, evenly(0, 12, 121), {false, false, true});
  EXPECT_DOUBLE_EQ(a.largest_step_px, 3.0);
  EXPECT_TRUE(a.dark_frames_are_the_cause);
}

TEST(Advice, FramesAreEnoughForTheSubjectsDepthAndOneBesideEachEnd) {
  const RingAdvice a = advice_for(frames_at({0, 3, 6, 9, 12}), evenly(0, 12, 13));
  // 12 px in steps of 3: four steps, five frames, and one before and one after.
  EXPECT_EQ(a.frames_for_same_turn.value_or(0), 7U);
}

TEST(Advice, FewerThanTwoFramesGiveNoFactor) {
  EXPECT_FALSE(advice_for(frames_at({}), {}).turn_factor);
  EXPECT_FALSE(advice_for(frames_at({0}), evenly(0, 1, 11)).turn_factor);
}

}  // namespace
}  // namespace ringsweep
