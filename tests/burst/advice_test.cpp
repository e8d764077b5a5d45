#include "ringsweep/advice.h"

#include <gtest/gtest.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "positions.h"

namespace ringsweep {
namespace {

/// A burst as the advice sees it; one rising sweep over all frames unless sweeps are given.
struct Made {
  FocalPositions focus;
  std::vector<double> subject;
  std::vector<SweepRange> sweeps;
  std::vector<FrameExposure> exposure;
  std::vector<std::optional<double>> time_s;

  explicit Made(const std::vector<double>& q_px, std::vector<double> subject_px = {})
      : focus(frames_at(q_px)), subject(std::move(subject_px)) {
    if (subject.empty() && !q_px.empty())
      subject = evenly(-1.0, *std::ranges::max_element(q_px), 999);
    if (!q_px.empty()) sweeps = {{0, q_px.size() - 1, true}};
    exposure.assign(q_px.size(), {.gain_ev = 0.0, .usable = true});
  }
  Made& dark(std::size_t k) {
    forget(focus, k);
    exposure[k] = {.gain_ev = -6.0, .dark = true};
    return *this;
  }
  Made& dim(std::size_t k, double ev) {
    exposure[k] = {.gain_ev = ev, .dim = true, .usable = true};
    return *this;
  }
  Made& every_s(double interval_s) {
    for (std::size_t k = 0; k < focus.frames.size(); ++k)
      time_s.emplace_back(interval_s * static_cast<double>(k));
    return *this;
  }
  [[nodiscard]] RingAdvice advice() const {
    return advise({.focus = focus,
                   .subject_px = subject,
                   .sweeps = sweeps,
                   .exposure = exposure,
                   .time_s = time_s,
                   .blur_limit_px = 2.0});
  }
};

/// Positions that begin at `start` and go on by these steps.
std::vector<double> by_steps(double start, const std::vector<double>& steps) {
  std::vector<double> q{start};
  for (const double step : steps) q.push_back(q.back() + step);
  return q;
}

TEST(Advice, TurnLessByTheLargestStepOnTheSubject) {
  const RingAdvice a = Made({0, 2, 8, 10}, evenly(0, 10, 101)).advice();
  EXPECT_DOUBLE_EQ(a.step_px, 3.0);  // three quarters of the 4 px allowed
  EXPECT_DOUBLE_EQ(a.largest_step_px, 6.0);
  EXPECT_DOUBLE_EQ(a.turn_factor.value_or(0), 0.5);
}

TEST(Advice, StepsOverAirDoNotCountAndItsFramesAreCounted) {
  const RingAdvice a = Made({-20, -9, 0, 3, 6, 10}, evenly(0, 6, 61)).advice();
  EXPECT_DOUBLE_EQ(a.largest_step_px, 3.0);
  EXPECT_EQ(a.sweeps.at(0).frames_before, 2U);
  EXPECT_EQ(a.sweeps[0].frames_on_subject, 3U);
  EXPECT_EQ(a.sweeps[0].frames_after, 1U);
  EXPECT_DOUBLE_EQ(a.sweeps[0].turn_px, 6.0);
}

TEST(Advice, AStepOverSubjectThatNeitherFrameShowsCounts) {
  // From -8 to 2 px: all of the subject lies farther than 2 px from both.
  const RingAdvice a = Made({-12, -8, 2, 5}, evenly(-5, -1, 41)).advice();
  EXPECT_DOUBLE_EQ(a.largest_step_px, 10.0);
  EXPECT_DOUBLE_EQ(a.turn_factor.value_or(0), 0.3);
}

TEST(Advice, FramesForTheSameTurnAreThoseOnTheSubjectOverTheTurnFactor) {
  // DESIGN section 7: frames of the sweep on the subject over turn_factor. 8 frames of 4 px, 3 px
  // aimed at: 8 / 0.75 = 10.67.
  const RingAdvice a = Made({-40, 0, 4, 8, 12, 16, 20, 24, 28, 60}, evenly(0, 28, 281)).advice();
  EXPECT_DOUBLE_EQ(a.turn_factor.value_or(0), 0.75);
  EXPECT_EQ(a.frames_for_same_turn.value_or(0), 11U);
}

TEST(Advice, DarkFramesShareTheDistanceEqually) {
  Made even({0, 3, 6, 9, 12, 15, 18});
  even.dark(2).dark(3);
  EXPECT_DOUBLE_EQ(even.advice().largest_step_px, 3.0);
  EXPECT_EQ(even.advice().sweeps.at(0).frames_on_subject, 7U);
  EXPECT_TRUE(even.advice().sweeps[0].too_quick.empty());
}

TEST(Advice, TooQuickIsAFramesShareBeyondTheAllowedStep) {
  Made burst({0, 3, 6, 9, 17.02, 20, 28});
  burst.dark(3).dark(5);  // 11.02 px in two frames: 5.51 each; again 10.98 in two: 5.49
  const std::vector<RingStep> quick = burst.advice().sweeps.at(0).too_quick;
  ASSERT_EQ(quick.size(), 2U);
  EXPECT_NEAR(quick[0].step_px, 5.51, 1e-9);
  EXPECT_EQ(quick[0].from, 2U);
  EXPECT_EQ(quick[0].to, 4U);
  EXPECT_NEAR(quick[1].step_px, 5.49, 1e-9);
}

TEST(Advice, FramesThatSwayedOrShookDoNotShowWhereTheRingStood) {
  // One that swayed 3 px: the ring went on evenly, its neighbours show it.
  Made burst({0, 2, 7, 6, 8, 10});
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 5.0);
  Made swayed = burst;
  swayed.focus.frames[2].scale_off_px = -3.0;
  EXPECT_DOUBLE_EQ(swayed.advice().largest_step_px, 2.0);
  Made shaken = burst;
  shaken.focus.frames[2].q_px = 4.9;
  shaken.focus.frames[2].usable = false;
  EXPECT_DOUBLE_EQ(shaken.advice().largest_step_px, 2.0);
  EXPECT_EQ(shaken.advice().sweeps.at(0).frames_on_subject, 6U);
}

TEST(Advice, AFrameThatSwayedHidesNoJump) {
  // Evenly it would stand at 8, but it swayed by no more than 0.5 px: 9.5, and a step of 5.5.
  Made burst({0, 2, 4, 10, 12, 14, 16});
  burst.focus.frames[3].scale_off_px = 0.5;
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 5.5);
  // One that shook is known to 1 px.
  burst.focus.frames[3].scale_off_px.reset();
  burst.focus.frames[3].usable = false;
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 5.0);
}

TEST(Advice, TheLargestOfStepsThatScatterIsDrawnIn) {
  // Steps 1.8 and 2.2 by turns, twelve: variance 12 x 0.04 / 11, of which the positions' sd of
  // 0.1 px explains 2 x 0.01. Louis (1984): the square root of the hand's share stays.
  std::vector<double> steps;
  for (int i = 0; i < 6; ++i) steps.insert(steps.end(), {1.8, 2.2});
  Made burst(by_steps(0, steps));
  EXPECT_NEAR(burst.advice().largest_step_px, 2.2, 1e-12);
  burst.focus.covariance_px2 = Eigen::MatrixXd::Identity(13, 13) * 0.01;
  const double all = 12.0 * 0.04 / 11.0;
  EXPECT_NEAR(burst.advice().largest_step_px, 2.0 + 0.2 * std::sqrt((all - 0.02) / all), 1e-12);
  // Errors that neighbours share are none of a step's.
  burst.focus.covariance_px2.setConstant(0.01);
  EXPECT_NEAR(burst.advice().largest_step_px, 2.2, 1e-12);
}

TEST(Advice, AStepThatNoScatterExplainsStays) {
  std::vector<double> steps(20, 2.0);
  steps[9] = 6.5;
  Made burst(by_steps(0, steps));
  burst.focus.covariance_px2 = Eigen::MatrixXd::Identity(21, 21) * 0.01;
  EXPECT_NEAR(burst.advice().largest_step_px, 6.5, 1e-12);
}

TEST(Advice, FramesThatTheCameraLostTakeTheirShare) {
  // 10 frames a second; between the fourth and the fifth two are missing, and three steps lie.
  Made burst({0, 2, 4, 6, 12, 14, 16});
  burst.time_s = {0.0, 0.11, 0.2, 0.3, 0.61, 0.7, 0.8};
  const RingAdvice a = burst.advice();
  EXPECT_DOUBLE_EQ(a.largest_step_px, 2.0);
  EXPECT_EQ(a.sweeps.at(0).frames_on_subject, 9U);
  ASSERT_EQ(a.sweeps[0].too_quick.size(), 1U);  // and yet nothing between is sharp
  EXPECT_EQ(a.sweeps[0].too_quick[0].lost, 2U);
  EXPECT_FALSE(a.sweeps[0].jump);
  burst.time_s.clear();  // nobody knows
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 6.0);
}

TEST(Advice, OnlyPairsOfOneSweepCount) {
  // Near to far and back, the ring turned on by 9 px before the second sweep's first frame.
  Made burst({0, 2, 4, 6, 8, 17, 15, 13, 11, 9, 7, 5}, evenly(-1, 18, 191));
  burst.sweeps = {{0, 4, true}, {5, 11, false}};
  const RingAdvice a = burst.advice();
  ASSERT_EQ(a.sweeps.size(), 2U);
  EXPECT_DOUBLE_EQ(a.largest_step_px, 2.0);
  EXPECT_EQ(a.sweeps[0].frames_on_subject, 5U);
  EXPECT_EQ(a.sweeps[1].frames_on_subject, 7U);
}

TEST(Advice, TheBurstsAdviceIsThatOfTheSweepWithTheLargestStep) {
  Made burst({0, 2, 4, 6, 8, 10, 6, 2, -1}, evenly(-1, 10, 111));
  burst.sweeps = {{0, 5, true}, {6, 8, false}};
  const RingAdvice a = burst.advice();
  EXPECT_EQ(a.sweep, 1U);
  EXPECT_DOUBLE_EQ(a.turn_factor.value_or(0), 0.75);  // 3 px of 4
  EXPECT_EQ(a.frames_for_same_turn.value_or(0), 4U);  // 3 / 0.75
  EXPECT_DOUBLE_EQ(a.sweeps[0].turn_factor.value_or(0), 1.5);
}

TEST(Advice, AnEvenHandHasNoSpreadAndAnUnevenOneItsSd) {
  EXPECT_NEAR(Made({0, 2, 4, 6, 8, 10, 12}).advice().sweeps.at(0).evenness.value_or(1), 0.0, 1e-12);
  // Steps by turns 1 and e: logs 0 and 1, six of each; sd with n - 1: sqrt(12 / 4 / 11).
  std::vector<double> steps;
  for (int i = 0; i < 6; ++i) steps.insert(steps.end(), {1.0, std::numbers::e});
  EXPECT_NEAR(Made(by_steps(0, steps)).advice().sweeps.at(0).evenness.value_or(0),
              std::sqrt(3.0 / 11.0), 1e-12);
}

TEST(Advice, ScatterOfThePositionsIsNoUnevenness) {
  std::vector<double> steps;
  for (int i = 0; i < 6; ++i) steps.insert(steps.end(), {1.9, 2.1});
  Made burst(by_steps(0, steps));
  EXPECT_GT(burst.advice().sweeps.at(0).evenness.value_or(0), 0.05);
  burst.focus.covariance_px2 =
      Eigen::MatrixXd::Identity(13, 13) * 0.0064;  // 0.08 px: 0.11 px a step, 5.7 %
  EXPECT_DOUBLE_EQ(burst.advice().sweeps.at(0).evenness.value_or(1), 0.0);
}

TEST(Advice, FewStepsShowNoEvenness) {
  EXPECT_FALSE(Made({0, 2, 4, 6}).advice().sweeps.at(0).evenness);
}

TEST(Advice, OneJumpInAnEvenSweepIsAJump) {
  const RingAdvice a = Made(by_steps(0, {2, 2.1, 1.9, 2, 6.5, 2, 2.1, 1.9})).advice();
  const SweepTurn& turn = a.sweeps.at(0);
  ASSERT_TRUE(turn.jump);
  EXPECT_EQ(turn.jump->from, 4U);
  EXPECT_EQ(turn.jump->to, 5U);
  EXPECT_DOUBLE_EQ(turn.jump->step_px, 6.5);
  EXPECT_LT(turn.evenness.value_or(1), 0.1);                 // the rest is even
  EXPECT_NEAR(a.turn_factor.value_or(0), 3.0 / 6.5, 1e-12);  // as DESIGN has it, jump or not
}

TEST(Advice, AnUnevenHandMakesNoJump) {
  const auto jumps = [](std::vector<double> steps) {
    return Made(by_steps(0, steps)).advice().sweeps.at(0).jump.has_value();
  };
  EXPECT_FALSE(jumps({1, 3.8, 0.6, 2.2, 6.5, 1, 3.4, 0.8}));  // quick elsewhere too
  EXPECT_FALSE(jumps({0.2, 3, 0.3, 1, 5.6, 2.9, 0.2, 1.5}));  // scatter as large
  EXPECT_FALSE(jumps({1, 1.5, 2, 3, 4, 5, 6, 6.5}));          // quicker and quicker
  EXPECT_FALSE(jumps({2, 2, 2, 2, 3.5, 2, 2}));               // less than 1.8 times the others
  EXPECT_TRUE(jumps({2, 2, 2, 2, 3.7, 2, 2}));
  EXPECT_FALSE(jumps({1, 1, 1, 1, 2.5, 1, 1}));  // smaller than what is aimed at
}

TEST(Advice, StandingStillIsCountedAndThePlayAtAReversalApart) {
  // Still for two frames on the way, turned back at the end with two frames of play.
  Made burst({0, 2, 4, 4.05, 4, 6, 8, 8.02, 8, 6, 4, 2}, evenly(-1, 9, 101));
  burst.focus.covariance_px2 = 0.0025 * Eigen::MatrixXd::Identity(12, 12);
  burst.sweeps = {{0, 7, true}, {8, 11, false}};
  const RingAdvice a = burst.advice();
  EXPECT_EQ(a.sweeps.at(0).standing_still, 2U);
  EXPECT_EQ(a.sweeps[0].play, 1U);  // its other frame lies between the sweeps
  EXPECT_EQ(a.sweeps[1].standing_still, 0U);
  EXPECT_EQ(a.sweeps[0].still_at_end, 2U);
}

TEST(Advice, SlowStepsThatAreSureAreNoStandingStill) {
  Made burst({0, 0.3, 0.6, 0.9, 1.2, 1.5});
  burst.focus.covariance_px2 = 0.0004 * Eigen::MatrixXd::Identity(6, 6);
  EXPECT_EQ(burst.advice().sweeps.at(0).standing_still, 0U);
  burst.focus.covariance_px2.array() += 9.0;  // what all err by together, as beyond a long step
  EXPECT_EQ(burst.advice().sweeps.at(0).standing_still, 0U);
}

TEST(Advice, WhatFitsInTwoPlacesIsLeftOutAndWhatLiesBeyondALongStepIsNot) {
  Made burst({0, 2, 4, 14, 16, 18}, evenly(0, 18, 181));
  for (std::size_t k : {3U, 4U, 5U}) burst.focus.frames[k].sd_px = 1.5;
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 10.0);
  burst.focus.frames[3].vague = true;
  EXPECT_DOUBLE_EQ(burst.advice().largest_step_px, 6.0) << "12 px in two turns";
}

TEST(Advice, StandingStillAtAnEndIsSeenThere) {
  Made burst({0, 2, 4, 6, 8, 10, 10, 10, 10});
  EXPECT_EQ(burst.advice().sweeps.at(0).still_at_end, 3U);
  EXPECT_EQ(burst.advice().sweeps[0].still_at_start, 0U);
  EXPECT_EQ(burst.advice().sweeps[0].standing_still, 3U);
}

TEST(Advice, TheRateComesFromTheTimesBetweenFrames) {
  Made burst({0, 2, 4, 6, 8});
  EXPECT_FALSE(burst.advice().rate_per_s);
  EXPECT_NEAR(Made(burst).every_s(0.125).advice().rate_per_s.value_or(0), 8.0, 1e-9);
  // Whole seconds only: 0, 0, 0, 1, 1 is three frames a second, or ten.
  burst.time_s = {0.0, 0.0, 0.0, 1.0, 1.0};
  EXPECT_FALSE(burst.advice().rate_per_s);
}

TEST(Advice, FewerThanTwoFramesGiveNoFactor) {
  EXPECT_FALSE(Made({}).advice().turn_factor);
  EXPECT_FALSE(Made({0}).advice().turn_factor);
  EXPECT_FALSE(Made({0}).advice().frames_for_same_turn);
}

// The flash: common practice, no source, is that half the power takes half the time to recycle.

Made flashes(const std::string& lit, double interval_s = 0.1) {
  std::vector<double> q(lit.size());
  std::iota(q.begin(), q.end(), 0.0);
  Made burst(q);
  burst.every_s(interval_s);
  for (std::size_t k = 0; k < lit.size(); ++k)
    if (lit[k] == '.') burst.dark(k);
  return burst;
}

TEST(FlashAdvice, OneMissedFrameIsNoPattern) {
  EXPECT_FALSE(flashes("********").advice().flash);
  EXPECT_FALSE(flashes("***.****").advice().flash);
}

TEST(FlashAdvice, EverySecondFrameMissedWouldHaveHeldAtHalfTheRateOrHalfThePower) {
  const auto flash = flashes("******.*.*.*.*.*").advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->pattern, FlashPattern::every_nth);
  EXPECT_EQ(flash->first_frame, 6U);
  EXPECT_EQ(flash->lit_before, 6U);
  EXPECT_EQ(flash->fired, 1U);
  EXPECT_EQ(flash->of, 2U);
  EXPECT_NEAR(flash->held_rate_per_s.value_or(0), 5.0, 1e-9);
  EXPECT_NEAR(flash->held_power_ev, -1.0, 1e-12);
}

TEST(FlashAdvice, EveryThirdFrameMissedWouldHaveHeldAtTwoThirds) {
  const auto flash = flashes("****.**.**.**.**").advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->fired, 2U);
  EXPECT_EQ(flash->of, 3U);
  EXPECT_NEAR(flash->held_rate_per_s.value_or(0), 20.0 / 3.0, 1e-9);
}

TEST(FlashAdvice, FiveThenNoneHasToShareFiveFlashesAmongAll) {
  const auto flash = flashes("*****...............").advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->pattern, FlashPattern::gave_up);
  EXPECT_EQ(flash->lit_before, 5U);
  EXPECT_FALSE(flash->held_rate_per_s);
  EXPECT_NEAR(flash->held_power_ev, -2.0, 1e-12);  // 5 of 20
}

TEST(FlashAdvice, SaggingLightSaysWhatItTakesUpInAFrame) {
  // Falls to a stop less and stays there: half a flash comes in with every frame.
  Made burst = flashes("***************");
  for (std::size_t k = 6; k < 15; ++k) burst.dim(k, k < 9 ? -0.75 : -1.0);
  const auto flash = burst.advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->pattern, FlashPattern::sagging);
  EXPECT_NEAR(flash->held_rate_per_s.value_or(0), 5.0, 1e-9);
  EXPECT_NEAR(flash->held_power_ev, -1.0, 1e-12);
}

TEST(FlashAdvice, MissesWithoutOrderAreNoPattern) {
  const auto flash = flashes("***..******.****.**").advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->pattern, FlashPattern::now_and_then);
}

TEST(FlashAdvice, LongRunsAreNoPattern) {
  const auto flash = flashes("....................*****************").advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->pattern, FlashPattern::now_and_then);
}

TEST(FlashAdvice, APauseLetsItFillUp) {
  // Two sweeps with 3 s between: the second counts from its own first frame.
  Made burst = flashes("**************.*.*.*");
  for (std::size_t k = 10; k < 20; ++k) *burst.time_s[k] += 3.0;
  const auto flash = burst.advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_EQ(flash->lit_before, 4U);
  EXPECT_EQ(flash->first_frame, 14U);
}

TEST(FlashAdvice, WithoutARateThePowerIsSaidAlone) {
  Made burst = flashes("******.*.*.*.*.*");
  burst.time_s.clear();
  const auto flash = burst.advice().flash;
  ASSERT_TRUE(flash);
  EXPECT_FALSE(flash->held_rate_per_s);
  EXPECT_NEAR(flash->held_power_ev, -1.0, 1e-12);
}

}  // namespace
}  // namespace ringsweep
