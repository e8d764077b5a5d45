#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using ::testing::HasSubstr;

TEST(DetailsText, GivesAGapWithItsSdAndWhatIsAllowed) {
  const std::string text = details_text(made::gapped_burst());
  EXPECT_THAT(text, HasSubstr("verdict reshoot"));
  EXPECT_THAT(text, HasSubstr("Gap of 7.00 px (sd 0.30 px) between DSC01310.JPG and DSC01311.JPG"));
  EXPECT_THAT(text, HasSubstr("4.80 px allowed; 12.0 %"));
  EXPECT_THAT(text, HasSubstr("turn factor 0.51, 47 frames for the"));
  EXPECT_THAT(text, HasSubstr("scale sd 3.1 %"));
}

// The old handbook limit is the diagonal / 1500: 7211.1 px / 1500 for 6000 x 4000.
/// Wrapped lines joined again.
std::string in_one_line(std::string text) {
  for (std::size_t at; (at = text.find("\n  ")) != std::string::npos;) text.replace(at, 3, " ");
  return text;
}

TEST(DetailsText, SaysHowTheRingWasTurnedAndWhatTheFlashHeld) {
  BurstAnalysis burst = made::gapped_burst();
  SweepTurn& turn = burst.advice.sweeps[0];
  turn.frames_before = 3;
  turn.frames_after = 2;
  turn.standing_still = 4;
  turn.play = 1;
  turn.evenness = 0.21;
  turn.too_quick = {{.from = 9, .to = 10, .step_px = 7.0, .lost = 1}};
  burst.advice.rate_per_s = 8.0;
  burst.advice.flash = {.pattern = FlashPattern::every_nth,
                        .first_frame = 10,
                        .lit_before = 10,
                        .fired = 1,
                        .of = 2,
                        .held_rate_per_s = 4.0,
                        .held_power_ev = -1.0};
  const std::string text = in_one_line(details_text(burst));
  EXPECT_THAT(text, HasSubstr("47 frames for the same turn, 8.0 frames a second."));
  EXPECT_THAT(text, HasSubstr("Turn of sweep 1: 24 frames on the subject, 3 before it, 2 after it; "
                              "stood still for 4;"));
  EXPECT_THAT(text, HasSubstr("1 in the ring's play; steps differ by 21 % (sd); turn factor 0.51"));
  EXPECT_THAT(text, HasSubstr("Too quick between DSC01310.JPG and DSC01311.JPG: 7.00 px a frame; "
                              "the camera left out 1"));
  EXPECT_THAT(text, HasSubstr("Flash: 10 frames lit fully, then, from DSC01311.JPG on, 1 of 2 over "
                              "and over; -1.0 EV"));
  turn.jump = turn.too_quick[0];
  EXPECT_THAT(details_text(burst), HasSubstr("Jump between DSC01310.JPG and DSC01311.JPG"));
}

TEST(DetailsText, ShowsTheHandbookLimitAndDiffractionBesideTheLimit) {
  BurstAnalysis burst = made::complete_burst();
  burst.quarter_wave_blur_px = 4.57;
  const std::string text = details_text(burst);
  EXPECT_THAT(text, HasSubstr("Blur limit 2.40 px, allowed step 4.80 px."));
  EXPECT_THAT(text, HasSubstr("4.81 px."));
  EXPECT_THAT(text, HasSubstr("4.57 px (quarter wave"));
  EXPECT_THAT(text, HasSubstr("taken as the working one"));
  burst.working_f_number_given = burst.wave_model = true;
  const std::string given = details_text(burst);
  EXPECT_THAT(given, HasSubstr("with the working f-number as"));
  EXPECT_THAT(given, HasSubstr("scale sd 3.1 %; by defocus and diffraction together."));
}

// 3.6 px of 5 um at f/16 working are 0.288 mm behind the lens, / 0.5^2 of subject; by the lens on a
// body that stays put / (1 - 0.5^2) of extension, 10 degrees a mm.
TEST(DetailsText, GivesTheStepInMmAndDegreesAsFarAsTheLensIsKnown) {
  BurstAnalysis burst = made::complete_burst();
  EXPECT_THAT(details_text(burst), ::testing::Not(HasSubstr("That step is")));
  burst.ring = {.working_f_number = 16.0, .pitch_mm = 0.005, .magnification = 0.5};
  EXPECT_THAT(details_text(burst), HasSubstr("That step is 1.15 mm of subject depth.\n"));
  burst.ring.focus_by = FocusBy::lens;
  burst.ring.degrees_per_mm = 10.0;
  EXPECT_THAT(
      details_text(burst),
      HasSubstr("That step is 1.15 mm of subject depth, 0.384 mm of extension, 3.84 degrees "
                "of the ring.\n"));
  burst.ring.magnification = 1.0;
  EXPECT_THAT(details_text(burst), HasSubstr("So near to life size the focus ring"));
}

TEST(DetailsText, ListsEveryFrameAndADashWhereNothingIsKnown) {
  BurstAnalysis burst = made::complete_burst(1601, 6);
  burst.frames[2].focus_px.reset();
  burst.frames[2].focus_sd_px.reset();
  burst.frames[2].gain_ev = -6.25;
  made::flag(burst, 2, FrameFlag::dark, false);
  burst.frames[4].problem = "DSC01605.JPG: the picture data end too early; copy it again.";
  const std::string text = details_text(burst);
  EXPECT_THAT(text, ::testing::ContainsRegex(
                        "3  DSC01603.JPG +0.40 +- +- +-6.25 +- +-  covers nothing dark\n"));
  EXPECT_THAT(text, HasSubstr("the picture data end too early; copy it again.\n"));
}

TEST(DetailsText, SaysWhichEndIsNearAndWhoSaysSo) {
  BurstAnalysis burst = made::complete_burst();
  EXPECT_THAT(details_text(burst), HasSubstr("Which end is near is not known"));
  EXPECT_THAT(details_text(burst), HasSubstr("End where the first sweep began (frame DSC01207"));
  burst.near_side = {.from = NearSideSource::user, .probability = 1.0};
  EXPECT_THAT(details_text(burst), HasSubstr("grow towards near, as you said."));
  EXPECT_THAT(details_text(burst),
              HasSubstr("Far end where the first sweep began (frame DSC01207"));
  EXPECT_THAT(details_text(burst), HasSubstr("DSC01231.JPG, nearer, alone complete"));
  burst.near_side = {.from = NearSideSource::lens, .probability = 0.9961};
  EXPECT_THAT(details_text(burst), HasSubstr("as this lens does (probability 0.9961)"));
  burst.near_side = {.from = NearSideSource::picture, .probability = 0.9991};
  EXPECT_THAT(details_text(burst), HasSubstr("background is (probability 0.9991)"));
}

TEST(DetailsText, GivesTheFitsOwnWordsAndTheNotes) {
  BurstAnalysis burst = made::complete_burst();
  Reason reason = made::reason(ReasonKind::fit_not_trusted);
  reason.detail = "neighbouring frames differ by 40 px.";
  burst = made::with_reasons(burst, VerdictKind::cannot_tell, {reason});
  burst.notes = {"The ring paused."};
  const std::string text = details_text(burst);
  EXPECT_THAT(text, HasSubstr("not trusted: neighbouring frames differ by 40 px.\n"));
  EXPECT_THAT(text, HasSubstr("Note: The ring paused.\n"));
}

TEST(DetailsText, GivesShakeAndLostContrast) {
  BurstAnalysis burst = made::complete_burst();
  EXPECT_THAT(details_text(burst), ::testing::Not(HasSubstr("Contrast")));
  burst.frames[2].shake_px = 4.26;
  made::flag(burst, 2, FrameFlag::shaken, false);
  burst.haze = Haze{.first_frame = 3, .contrast_lost = 0.152};
  EXPECT_THAT(details_text(burst),
              HasSubstr("\nContrast falls at once from DSC01210.JPG on: 15 % are lost.\n"));
  EXPECT_THAT(details_text(burst),
              ::testing::ContainsRegex("DSC01209.JPG[^\n]* 4.3 [^\n]*shaken\n"));
  burst.start_s = made::kEightMinutesToFive;
  burst.haze->grows = true;
  EXPECT_THAT(details_text(burst),
              HasSubstr("\nContrast falls little by little from DSC01210.JPG (04:52) on: 15 % are "
                        "lost in the last frame.\n"));
}

}  // namespace
}  // namespace ringsweep
