#include "report/action.h"

#include <gtest/gtest.h>

#include <string>

#include "report/made_analysis.h"

namespace ringsweep {
namespace {

using made::complete_burst;
using made::flag;
using made::gapped_burst;
using made::with_reasons;
using wording::action;

/// 28 frames on the subject, 1301 to 1328, turned too quickly as a whole: 45 are needed.
BurstAnalysis quick_burst() {
  BurstAnalysis burst = complete_burst(1301, 28);
  Reason gap = made::reason(ReasonKind::gap, 9, 10);
  gap.width_px = 5.8;
  burst.verdict = {.kind = VerdictKind::reshoot, .reasons = {gap}};
  burst.advice.largest_step_px = 5.8;
  burst.advice.turn_factor = 3.6 / 5.8;
  burst.advice.frames_for_same_turn = 45;
  burst.advice.rate_per_s = 8.0;
  burst.advice.sweeps = {{.frames_on_subject = 28, .turn_px = 81.0}};
  return burst;
}

/// The flash's gap from 1310 to 1313, every second frame missed at 10 a second.
BurstAnalysis flash_burst() {
  BurstAnalysis burst = complete_burst(1301, 24);
  burst.verdict = {.kind = VerdictKind::reshoot,
                   .reasons = {made::reason(ReasonKind::gap_from_dark, 9, 12)}};
  flag(burst, 10, FrameFlag::dark, false);
  flag(burst, 11, FrameFlag::dark, false);
  burst.advice.rate_per_s = 10.0;
  burst.advice.frames_for_same_turn = 20;
  burst.advice.sweeps = {{.frames_on_subject = 24, .turn_px = 69.0}};
  burst.advice.flash = {.pattern = FlashPattern::every_nth,
                        .first_frame = 10,
                        .lit_before = 10,
                        .fired = 1,
                        .of = 2,
                        .supply = 0.5,
                        .held_rate_per_s = 5.0,
                        .held_power_ev = -1.0};
  return burst;
}

Reason open_end(bool at_start, double beyond_px, std::size_t frame) {
  Reason reason = made::reason(ReasonKind::open_end, frame, frame);
  reason.at_start = at_start;
  reason.width_px = beyond_px;
  return reason;
}

TEST(Action, TooQuickAsAWholeHoldsForRingRateAndTime) {
  BurstAnalysis burst = quick_burst();
  EXPECT_EQ(
      action(burst),
      "Whole sweep again: the same turn in 45 frames instead of 28, about 6 s at 8 a second.");
  // 10 px and a step of air are 14.8 of 81 px: less than a fifth of the turn.
  burst.verdict.reasons.push_back(open_end(true, 10.0, 0));
  EXPECT_EQ(action(burst),
            "Whole sweep again: the same turn in 45 frames instead of 28, about 6 s at 8 a second; "
            "start a fifth of that turn earlier.");
  burst.verdict.reasons.push_back(open_end(false, 20.0, 27));
  EXPECT_EQ(action(burst),
            "Whole sweep again: the same turn in 45 frames instead of 28, about 6 s at 8 a second; "
            "start a fifth of that turn earlier and end a third of that turn later.");
}

TEST(Action, AKnownLensGivesDegreesOrElseDepth) {
  BurstAnalysis burst = quick_burst();
  burst.advice.step_px = 3.6;
  burst.ring = {.working_f_number = 16.0,
                .pitch_mm = 0.005,
                .magnification = 0.5,
                .degrees_per_mm = 10.0,
                .focus_by = FocusBy::lens};
  // 3.6 px x 16 x 0.005 mm = 0.288 mm behind the lens; / 0.75 of extension, / 0.25 of depth.
  const std::string same =
      "Whole sweep again: the same turn in 45 frames instead of 28, about 6 s at 8 a second";
  EXPECT_EQ(action(burst), same + " (3.8 degrees of the ring a frame).");
  burst.ring.degrees_per_mm.reset();
  EXPECT_EQ(action(burst), same + " (1.2 mm of depth a frame).");
  burst.ring.magnification = 1.0;
  EXPECT_EQ(action(burst), "Whole sweep again. " + std::string(kRingHardlyMovesPlane));
}

TEST(Action, WithoutARateThereAreNoSeconds) {
  BurstAnalysis burst = quick_burst();
  burst.advice.rate_per_s.reset();
  EXPECT_EQ(action(burst), "Whole sweep again: the same turn in 45 frames instead of 28.");
  burst.advice.frames_for_same_turn.reset();
  EXPECT_EQ(action(burst), "Whole sweep again: turn the ring about two thirds as far per frame.");
  burst.advice.turn_factor.reset();
  EXPECT_EQ(action(burst), "Whole sweep again: turn the ring less per frame.");
}

TEST(Action, TooSlowForAHandOffersAStopSmaller) {
  BurstAnalysis burst = quick_burst();
  burst.advice.frames_for_same_turn = 140;  // 17.5 s; 140 / 1.414 = 98.99
  EXPECT_EQ(action(burst),
            "Whole sweep again: the same turn in 140 frames instead of 28, about 18 s at 8 a "
            "second. If that is too slow: one stop smaller, and 99 frames will do.");
  burst.quarter_wave_blur_px = 2.0;  // a stop smaller it would be 2.8 of 2.4 px
  EXPECT_EQ(
      action(burst),
      "Whole sweep again: the same turn in 140 frames instead of 28, about 18 s at 8 a second. If "
      "that is too slow: half the flash power at twice the ISO, and a quicker rate.");
}

TEST(Action, AJumpIsToldAsAJump) {
  BurstAnalysis burst = gapped_burst();
  burst.advice.sweeps = {{.frames_on_subject = 24, .turn_px = 69.0}};
  burst.advice.sweeps[0].too_quick = {{.from = 9, .to = 10, .step_px = 7.0}};
  burst.advice.sweeps[0].jump = burst.advice.sweeps[0].too_quick[0];
  EXPECT_EQ(action(burst),
            "Add frames at a third of the sweep, turning evenly. About where 1309 to 1312 were. "
            "Keep the frames you have. The ring jumped there: it stuck, or you took a new grip.");
}

TEST(Action, SaysWhereInTheTurnAGapLies) {
  BurstAnalysis burst = gapped_burst();  // 24 frames, evenly turned but for the gap
  burst.advice.largest_step_px = 3.0;
  const auto way = [&](std::size_t from, std::size_t to) {
    burst.verdict.reasons = {made::reason(ReasonKind::gap, from, to)};
    burst.advice.sweeps = {{.frames_on_subject = 24, .turn_px = 69.0}};
    burst.advice.sweeps[0].jump = RingStep{.from = from, .to = to, .step_px = 7.0};
    const std::string text = action(burst);
    constexpr std::string_view kBefore = "Add frames ";
    return text.substr(kBefore.size(), text.find(", turning evenly") - kBefore.size());
  };
  EXPECT_EQ(way(1, 2), "soon after the sweep began");
  EXPECT_EQ(way(5, 6), "at a quarter of the sweep");
  EXPECT_EQ(way(12, 13), "half-way through the sweep");
  EXPECT_EQ(way(21, 22), "shortly before the sweep ended");
  burst.frames[11].focus_px.reset();
  EXPECT_EQ(way(12, 13).substr(0, 5), "from ") << "where it lies is not known";
}

TEST(Action, FramesThatTheCameraLeftOutAreNotTheRingsDoing) {
  BurstAnalysis burst = gapped_burst();
  burst.advice.sweeps = {{.frames_on_subject = 24, .turn_px = 69.0}};
  burst.advice.sweeps[0].too_quick = {{.from = 9, .to = 10, .step_px = 7.0, .lost = 1}};
  EXPECT_EQ(action(burst),
            "Add frames at a third of the sweep, at a lower rate. About where 1309 to 1312 "
            "were. Keep the frames you have. The camera left frames out.");
}

TEST(Action, SwayAsksForStillAir) {
  BurstAnalysis burst = gapped_burst();
  burst.advice.largest_step_px = 3.0;
  burst.frames[10].scale_off_px = 4.0;
  EXPECT_EQ(action(burst),
            "Add frames at a third of the sweep, when the air is still. About where 1309 to "
            "1312 were. Keep the frames you have. Camera or subject swayed.");
}

TEST(Action, TheFlashThatFellBehindGetsItsRateOrItsPower) {
  BurstAnalysis burst = flash_burst();
  const std::string again = "Add frames half-way through the sweep";
  const std::string keep = " About where 1309 to 1314 were. Keep the frames you have.";
  const std::string or_less = ", with half the flash power at twice the ISO.";
  EXPECT_EQ(action(burst), again + ", at 5 a second. Turn slower." + keep +
                               " Or stay at 10 a second" + or_less +
                               " The flash fell behind after 10 frames at 10 a second.");
  burst.advice.rate_per_s.reset();
  burst.advice.flash->held_rate_per_s.reset();
  EXPECT_EQ(action(burst), again + ", at a lower rate. Turn slower." + keep +
                               " Or stay at the old rate" + or_less +
                               " The flash fell behind after 10 frames.");
  burst.advice.flash.reset();
  EXPECT_EQ(action(burst), again + ". Wait for the flash before each frame." + keep);
  burst.verdict.reasons = {made::reason(ReasonKind::gap_from_dark, 2, 21)};
  for (std::size_t k = 3; k < 21; ++k) flag(burst, k, FrameFlag::dark, false);
  EXPECT_EQ(action(burst), "Whole sweep again. Wait for the flash before each frame.");
}

TEST(Action, AWholeSweepAfterTheFlashFellBehindIsAtTheRateThatHolds) {
  BurstAnalysis burst = flash_burst();
  burst.verdict.reasons = {made::reason(ReasonKind::gap_from_dark, 2, 21)};
  for (std::size_t k = 3; k < 21; ++k) flag(burst, k, FrameFlag::dark, false);
  EXPECT_EQ(
      action(burst),
      "Whole sweep again: the same turn in 24 frames, about 5 s at 5 a second. Or stay at 10 a "
      "second, with half the flash power at twice the ISO. The flash fell behind after 10 "
      "frames at 10 a second.");
}

TEST(Action, AFlashThatGaveUpNeedsLessPower) {
  BurstAnalysis burst = flash_burst();
  burst.advice.flash = {
      .pattern = FlashPattern::gave_up, .first_frame = 5, .lit_before = 5, .held_power_ev = -2.0};
  EXPECT_EQ(
      action(burst),
      "Add frames half-way through the sweep, with a quarter of the flash power at four times the "
      "ISO. About where 1309 to 1314 were. Keep the frames you have. Or wait for the flash before "
      "each frame. The flash fell behind after 5 frames at 10 a second and did not come back.");
}

TEST(Action, StandingStillAtAnOpenEndMaySayThatTheRingIsAtItsStop) {
  BurstAnalysis burst = complete_burst(1401, 20);
  burst.verdict = {.kind = VerdictKind::reshoot, .reasons = {open_end(false, 6.0, 19)}};
  burst.advice.sweeps = {{.frames_on_subject = 20, .still_at_end = 4, .turn_px = 45.0}};
  EXPECT_EQ(action(burst),
            "The ring stood still from 1416 to 1420, perhaps at its stop: move the camera a "
            "little, then the whole sweep again.");
  burst.near_side.from = NearSideSource::user;  // positions rise towards near: the end is near
  EXPECT_EQ(action(burst),
            "The ring stood still from 1416 to 1420, perhaps at its stop: move the camera back a "
            "little, then the whole sweep again.");
  // At the other end, which is covered, a hand may rest.
  burst.advice.sweeps[0].still_at_end = 0;
  burst.advice.sweeps[0].still_at_start = 4;
  EXPECT_EQ(action(burst).substr(0, 15), "Add frames from");
  burst.verdict.reasons = {open_end(true, 6.0, 0)};
  EXPECT_EQ(action(burst),
            "The ring stood still from 1401 to 1405, perhaps at its stop: move the camera forward "
            "a little, then the whole sweep again.");
}

}  // namespace
}  // namespace ringsweep
