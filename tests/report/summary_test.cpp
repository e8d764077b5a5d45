// What the photographer reads beside the tripod. The wording is ours; what it must not contain
// (numbers in px, doubts in per cent, the words of report.json) is a promise of the project.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cctype>
#include <string>
#include <string_view>
#include <vector>

#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using made::complete_burst;
using made::flag;
using made::gapped_burst;
using made::with_reasons;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

std::vector<std::string> lines(const std::string& text) {
  std::vector<std::string> result;
  std::size_t begin = 0;
  for (std::size_t end = 0; (end = text.find('\n', begin)) != std::string::npos; begin = end + 1) {
    result.push_back(text.substr(begin, end - begin));
  }
  EXPECT_EQ(begin, text.size()) << "text must end with a line feed";
  return result;
}

/// Words, lower case, hyphens kept: "complete-without" is one word, "without" another.
std::vector<std::string> words(const std::string& text) {
  std::vector<std::string> result(1);
  for (const char c : text) {
    if (std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '-' || c == '_') {
      result.back() += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    } else if (!result.back().empty()) {
      result.emplace_back();
    }
  }
  return result;
}

/// One burst for every verdict, reason and flag there is.
std::vector<BurstAnalysis> every_case() {
  std::vector<BurstAnalysis> cases{complete_burst(), gapped_burst()};
  const Reason gap = gapped_burst().verdict.reasons.front();
  const auto reason = [](ReasonKind kind) {
    Reason result = made::reason(kind, 9, 12);
    result.width_px = 5.1;
    result.detail = "residuals of 3.4 px rms, sd 0.2";
    return result;
  };
  for (const bool close : {false, true}) {
    for (const bool at_start : {false, true}) {
      for (const ReasonKind kind :
           {ReasonKind::gap, ReasonKind::gap_from_dark, ReasonKind::open_end, ReasonKind::moved}) {
        Reason each = reason(kind);
        each.close_call = close;
        each.at_start = at_start;
        cases.push_back(with_reasons(complete_burst(), VerdictKind::reshoot, {each}));
        cases.push_back(with_reasons(complete_burst(), VerdictKind::reshoot, {gap, each, each}));
      }
    }
    Reason covered = reason(ReasonKind::covered);
    covered.close_call = close;
    cases.push_back(with_reasons(complete_burst(), VerdictKind::complete, {covered}));
  }
  for (const ReasonKind kind :
       {ReasonKind::too_few_frames, ReasonKind::no_subject, ReasonKind::fit_not_trusted}) {
    cases.push_back(with_reasons(complete_burst(), VerdictKind::cannot_tell, {reason(kind)}));
  }
  for (const FullSizeFrom from : {FullSizeFrom::exif, FullSizeFrom::unknown}) {
    BurstAnalysis small = with_reasons(complete_burst(), VerdictKind::cannot_tell,
                                       {reason(ReasonKind::pictures_too_small)});
    small.full_size_from = from;
    cases.push_back(small);
    small.verdict.reasons.push_back(gap);
    cases.push_back(small);
    small = gapped_burst();
    small.full_size_from = from;
    small.verdict.notes = {reason(ReasonKind::pictures_too_small)};
    cases.push_back(small);
  }
  for (const ReasonKind kind :
       {ReasonKind::soft_place, ReasonKind::open_end, ReasonKind::perch_goes_on,
        ReasonKind::outside_picture, ReasonKind::ends_not_told, ReasonKind::trembled,
        ReasonKind::waking}) {
    BurstAnalysis noted = complete_burst();
    Reason note = reason(kind);
    note.subject_share = 0.2;
    noted.verdict.notes = {note};
    cases.push_back(noted);
    noted.verdict.notes = {note, reason(ReasonKind::soft_place), note};
    cases.push_back(noted);
  }
  BurstAnalysis flags = complete_burst();
  std::size_t k = 3;
  for (const FrameFlag each :
       {FrameFlag::dark, FrameFlag::dim, FrameFlag::partly_lit, FrameFlag::shaken, FrameFlag::moved,
        FrameFlag::idle, FrameFlag::unreadable, FrameFlag::other_settings,
        FrameFlag::other_picture}) {
    flag(flags, k++, each, false);
  }
  cases.push_back(flags);
  flags.lens_doubt = LensDoubt{.quarter_wave_px = 4.0};
  flags.scale_sd = 0.3;
  cases.push_back(flags);
  flags.lens_doubt->quarter_wave_px.reset();
  cases.push_back(flags);
  flags.verdict.kind = VerdictKind::complete_without;
  cases.push_back(flags);
  return cases;
}

TEST(SummaryText, HasNoNumberOfTheFitAndNoWordOfTheJson) {
  constexpr std::array<std::string_view, 29> kForbidden{"px",
                                                        "sd",
                                                        "ev",
                                                        "probability",
                                                        "share",
                                                        "residuals",
                                                        "rms",
                                                        "fit",
                                                        "reshoot",
                                                        "cannot-tell",
                                                        "complete-without",
                                                        "usable",
                                                        "dark",
                                                        "dim",
                                                        "shaken",
                                                        "moved",
                                                        "idle",
                                                        "unreadable",
                                                        "partly-lit",
                                                        "partly_lit",
                                                        "other-settings",
                                                        "other-picture",
                                                        "gap",
                                                        "gaps",
                                                        "ends",
                                                        "open",
                                                        "covered",
                                                        "verdict",
                                                        "turn_factor"};
  for (const BurstAnalysis& burst : every_case()) {
    std::string text = summary_text(burst);
    // The one plain sentence with two of these words in it.
    const std::size_t at = text.find("No gap from 1216 to 1219; the ends are yours to judge.");
    if (at == 0) text = text.substr(text.find('\n') + 1);
    for (const std::string_view word : kForbidden) {
      EXPECT_THAT(words(text), Not(::testing::Contains(word))) << text;
    }
    EXPECT_EQ(text.find('%'), std::string::npos) << text;
    // A decimal point between digits is a measured number.
    for (std::size_t i = 1; i + 1 < text.size(); ++i) {
      const bool decimal = text[i] == '.' &&
                           std::isdigit(static_cast<unsigned char>(text[i - 1])) &&
                           std::isdigit(static_cast<unsigned char>(text[i + 1]));
      EXPECT_FALSE(decimal) << text;
    }
  }
}

TEST(SummaryText, EveryLineFitsATerminalAndTheLastOneIsAnAction) {
  for (const BurstAnalysis& burst : every_case()) {
    const std::vector<std::string> all = lines(summary_text(burst));
    for (const std::string& line : all) EXPECT_LE(line.size(), 100U) << line;
    ASSERT_GE(all.size(), 3U);
    EXPECT_THAT(all.back(),
                ::testing::AnyOf(StartsWith("At home, stack only "), StartsWith("Keep "),
                                 StartsWith("Stack "), StartsWith("Add frames"),
                                 StartsWith("Whole sweep again"), StartsWith("When all is still"),
                                 StartsWith("Sweep again"), StartsWith("Wait for the flash"),
                                 StartsWith("Check the flash"), StartsWith("Try another card"),
                                 StartsWith("Check the files"), StartsWith("  ")));
    EXPECT_THAT(all.back(), ::testing::EndsWith("."));
  }
}

TEST(SummaryText, CompleteSaysThatYouMayLeave) {
  EXPECT_THAT(
      lines(summary_text(complete_burst())),
      ElementsAre("Good, 1207 to 1231: you may leave.", "Not checked: movement, lost drops.",
                  "Keep all 25 frames, 1207 to 1231."));
}

TEST(SummaryText, CompleteThoughTheFlashMissedOne) {
  BurstAnalysis burst = complete_burst(1601, 20);
  flag(burst, 7, FrameFlag::dark, false);
  flag(burst, 14, FrameFlag::idle, true);
  flag(burst, 15, FrameFlag::idle, true);
  flag(burst, 16, FrameFlag::idle, true);
  flag(burst, 10, FrameFlag::dim, true);
  EXPECT_THAT(
      lines(summary_text(burst)),
      ElementsAre("Good, 1601 to 1620: you may leave.", "Flash missed: 1608.", "Flash weak: 1611.",
                  "Nothing new: 1615 to 1617.", "Not checked: movement, lost drops.",
                  "Keep 1601 to 1620, without 1608."));
}

TEST(SummaryText, ACloseCallIsSaidToBeClose) {
  Reason covered = made::reason(ReasonKind::covered, 7, 8);
  covered.close_call = true;
  EXPECT_THAT(
      lines(summary_text(with_reasons(complete_burst(), VerdictKind::complete, {covered})))[1],
      "A close call between 1214 and 1215: just sharp enough.");
  BurstAnalysis gapped = gapped_burst();
  gapped.verdict.reasons.front().close_call = true;
  EXPECT_EQ(lines(summary_text(gapped)).front(),
            "Not yet, 1301 to 1324: nothing quite sharp between 1310 and 1311, a close call.");
}

TEST(SummaryText, CompleteWithoutNamesTheFramesToLeaveOut) {
  BurstAnalysis burst = complete_burst();
  burst.verdict.kind = VerdictKind::complete_without;
  flag(burst, 9, FrameFlag::moved, true);
  flag(burst, 14, FrameFlag::moved, true);
  const auto all = lines(summary_text(burst));
  EXPECT_EQ(all.front(), "Good, 1207 to 1231 without 1216 and 1221: you may leave.");
  EXPECT_EQ(all.back(), "Stack 1207 to 1231 without 1216 and 1221.");
}

/// Upper left of the 6000 x 4000 px of a made analysis.
Reason moved_at(std::size_t frame) {
  Reason reason = made::reason(ReasonKind::moved, frame, frame);
  reason.width_px = 6.0;
  reason.box_px = {300, 200, 500, 400};
  return reason;
}

TEST(SummaryText, WhatMovedIsNamedWithPlaceAndFrame) {
  BurstAnalysis burst = with_reasons(complete_burst(), VerdictKind::reshoot, {moved_at(9)});
  burst.movement.looked = true;
  EXPECT_THAT(lines(summary_text(burst)),
              ElementsAre("Not yet, 1207 to 1231: the subject shifted, upper left, from 1216 on.",
                          "Not checked: lost drops.",
                          "When all is still, sweep again. Keep the frames you have."));
  burst = with_reasons(complete_burst(), VerdictKind::complete_without,
                       {made::reason(ReasonKind::covered), moved_at(23)});
  for (const std::size_t k : {23U, 24U}) flag(burst, k, FrameFlag::moved, true);
  EXPECT_THAT(lines(summary_text(burst)),
              ElementsAre("Good, 1207 to 1229: you may leave.",
                          "The subject shifted, upper left, from 1230 on.",
                          "Not checked: movement, lost drops.",
                          "At home, stack only 1207 to 1229: they cover it all."));
  burst.verdict.notes = {made::reason(ReasonKind::open_end, 22, 22)};
  EXPECT_EQ(lines(summary_text(burst)).back(), "At home, stack only 1207 to 1229.")
      << "an end stays soft";
}

TEST(SummaryText, DropsThatWentAtOnceAreOneLine) {
  BurstAnalysis burst = complete_burst();
  burst.movement.looked = true;
  burst.drops.looked = true;
  for (const double x : {400.0, 500.0, 600.0})
    burst.drops.lost.push_back({.at = {x, 300.0}, .radius_px = 20.0, .before = 9, .after = 10});
  EXPECT_THAT(lines(summary_text(burst)),
              ElementsAre("Good, 1207 to 1231: you may leave.",
                          "3 water drops fell or dried, upper left, between 1216 and 1217.",
                          "Keep all 25 frames, 1207 to 1231."));
  burst.drops.lost.resize(1);
  EXPECT_THAT(summary_text(burst),
              HasSubstr("1 water drop fell or dried, upper left, between 1216 and 1217.\n"));
  // Where it is the reason, it is said once.
  burst.drops.lost[0].conflict = true;
  Reason gone = made::reason(ReasonKind::drop_lost, 9, 10);
  gone.drops = 1;
  gone.box_px = {300, 200, 500, 400};
  burst = with_reasons(burst, VerdictKind::reshoot, {gone});
  EXPECT_THAT(
      lines(summary_text(burst)),
      ElementsAre(
          "Not yet, 1207 to 1231: 1 water drop fell or dried, upper left, between 1216 and 1217.",
          "Whole sweep again. Keep the frames you have."));
}

TEST(SummaryText, TremblingIsOneLineAndWakingAnother) {
  BurstAnalysis burst = complete_burst();
  burst.movement.looked = true;
  Reason trembled = made::reason(ReasonKind::trembled, 9, 9);
  trembled.box_px = {5200, 200, 500, 400};
  burst.verdict.notes = {trembled, made::reason(ReasonKind::waking)};
  EXPECT_THAT(
      lines(summary_text(burst)),
      ElementsAre("Good, 1207 to 1231: you may leave.", "Antennae or hairs trembled, upper right.",
                  "The animal is waking; leave it after this try.", "Not checked: lost drops.",
                  "Keep all 25 frames, 1207 to 1231."));
  burst.verdict.notes[0].calm_first = 12;
  burst.verdict.notes[0].calm_last = 24;
  EXPECT_THAT(summary_text(burst),
              HasSubstr("Antennae or hairs trembled, upper right; calmest in 1219 to 1231.\n"));
}

TEST(SummaryText, PicturesThatAreTooSmallAreSaidAndWhatTheyShow) {
  const Reason small = made::reason(ReasonKind::pictures_too_small);
  BurstAnalysis burst = with_reasons(complete_burst(), VerdictKind::cannot_tell, {small});
  burst.full_size_from = FullSizeFrom::exif;
  EXPECT_THAT(
      lines(summary_text(burst)),
      ElementsAre("Cannot tell, 1207 to 1231: pictures too small, use the full-size files.",
                  "Not checked: movement, lost drops.", "Check the files on the camera's card."));
  burst.full_size_from = FullSizeFrom::unknown;
  EXPECT_EQ(lines(summary_text(burst)).back(),
            "Check the files on the camera's card; if these are they, say --full-size.");
  burst = gapped_burst();
  burst.verdict = {.kind = VerdictKind::cannot_tell,
                   .reasons = {small, burst.verdict.reasons.front()}};
  EXPECT_THAT(lines(summary_text(burst)),
              ::testing::IsSupersetOf(
                  {"Cannot tell, 1301 to 1324: pictures too small, use the full-size files.",
                   "  Nothing sharp between 1310 and 1311."}));
  burst = gapped_burst();
  burst.verdict.notes = {small};
  EXPECT_THAT(
      lines(summary_text(burst)),
      ::testing::Contains(
          "These pictures are too small to show all that is soft: use the full-size files."));
}

TEST(SummaryText, AGapNamesItsFramesAndHowToTurn) {
  EXPECT_THAT(lines(summary_text(gapped_burst())),
              ElementsAre("Not yet, 1301 to 1324: nothing sharp between 1310 and 1311.",
                          "Not checked: movement, lost drops.",
                          "Whole sweep again: the same turn in 47 frames instead of 24."));
}

TEST(SummaryText, SeveralGapsAreListedAndNeighbouringStretchesJoined) {
  BurstAnalysis burst = gapped_burst();
  Reason second = burst.verdict.reasons.front();
  second.first_frame = 11;
  second.last_frame = 12;
  burst.verdict.reasons.insert(burst.verdict.reasons.begin(), second);  // by depth, not by time
  EXPECT_THAT(
      lines(summary_text(burst)),
      ElementsAre("Not yet, 1301 to 1324: not sharp in 2 places.",
                  "  Nothing sharp between 1310 and 1311.",
                  "  Nothing sharp between 1312 and 1313.", "Not checked: movement, lost drops.",
                  "Whole sweep again: the same turn in 47 frames instead of 24."));
}

TEST(SummaryText, ManyGapsAskForTheWholeSweep) {
  BurstAnalysis burst = gapped_burst();
  const Reason gap = burst.verdict.reasons.front();
  burst.verdict.reasons.clear();
  for (const std::size_t at : {1U, 4U, 7U, 10U, 13U, 16U, 19U, 21U}) {
    Reason each = gap;
    each.first_frame = at;
    each.last_frame = at + 1;
    burst.verdict.reasons.push_back(each);
  }
  const auto all = lines(summary_text(burst));
  EXPECT_EQ(all[6], "  And 3 more places like these.");
  EXPECT_EQ(all.back(), "Whole sweep again: the same turn in 47 frames instead of 24.");
}

TEST(SummaryText, AfterAMissedFlashItSaysToWaitForItNotToTurnLess) {
  BurstAnalysis burst = gapped_burst();
  Reason& reason = burst.verdict.reasons.front();
  reason.kind = ReasonKind::gap_from_dark;
  reason.last_frame = 12;
  flag(burst, 10, FrameFlag::dark, false);
  flag(burst, 11, FrameFlag::dark, false);
  EXPECT_THAT(lines(summary_text(burst)),
              ElementsAre("Not yet, 1301 to 1324: the flash missed 1311 and 1312.",
                          "Flash missed: 1311 and 1312.", "Not checked: movement, lost drops.",
                          "Add frames half-way through the sweep. Wait for the flash before each "
                          "frame. About where 1309 to",
                          "  1314 were. Keep the frames you have."));
}

TEST(SummaryText, AnOpenEndSaysTooLateOrTooSoon) {
  BurstAnalysis burst = complete_burst(1401, 20);
  Reason reason = made::reason(ReasonKind::open_end);
  reason.width_px = 10.0;  // at 3 px a frame: at least 4 frames more
  reason.at_start = true;
  auto all = lines(summary_text(with_reasons(burst, VerdictKind::reshoot, {reason})));
  EXPECT_EQ(all.front(),
            "Not yet, 1401 to 1420: started too late, nothing sharp where you began, before 1401.");
  EXPECT_EQ(all.back(),
            "Add frames from at least 4 frames before 1401 to 1402. Keep the frames you have.");
  burst.near_side.from = NearSideSource::user;
  EXPECT_THAT(summary_text(with_reasons(burst, VerdictKind::reshoot, {reason})),
              ::testing::HasSubstr("where you began (the far end), before 1401."));
  burst.near_side = {};

  reason.at_start = false;
  reason.first_frame = reason.last_frame = 19;
  burst.advice.largest_step_px = 0.0;
  all = lines(summary_text(with_reasons(burst, VerdictKind::reshoot, {reason})));
  EXPECT_EQ(all.front(),
            "Not yet, 1401 to 1420: stopped too soon, nothing sharp where you stopped, past 1420.");
  EXPECT_EQ(all.back(), "Add frames from 1419 to well past 1420. Keep the frames you have.");
}

TEST(SummaryText, AGapBetweenTwoSweepsAsksForAWholeOne) {
  BurstAnalysis burst = gapped_burst();
  burst.verdict.reasons.front().last_frame = 20;
  EXPECT_EQ(lines(summary_text(burst)).back(),
            "Whole sweep again: the same turn in 47 frames instead of 24.");
}

TEST(SummaryText, CannotTellAlwaysComesWithAnAction) {
  const auto said = [](const BurstAnalysis& burst, ReasonKind kind) {
    return lines(summary_text(with_reasons(burst, VerdictKind::cannot_tell, {made::reason(kind)})));
  };
  const BurstAnalysis burst = complete_burst(1701, 6);
  EXPECT_EQ(said(burst, ReasonKind::no_subject).front(),
            "Cannot tell, 1701 to 1706: no frame is sharp anywhere.");
  EXPECT_EQ(said(burst, ReasonKind::no_subject).back(),
            "Sweep again, from a little before the subject to a little past it.");
  EXPECT_EQ(said(burst, ReasonKind::no_sweep).front(),
            "Cannot tell, 1701 to 1706: all frames focus in the same place.");
  EXPECT_EQ(said(burst, ReasonKind::no_sweep).back(),
            "Turn the ring while you shoot, from a little before the subject to a little past it.");
  EXPECT_EQ(said(burst, ReasonKind::fit_not_trusted).back(),
            "Sweep again, one way and without stopping, camera and subject held still.");

  BurstAnalysis dark = burst;
  for (std::size_t k = 0; k < 5; ++k) flag(dark, k, FrameFlag::dark, false);
  EXPECT_EQ(said(dark, ReasonKind::too_few_frames).front(),
            "Cannot tell, 1701 to 1706: only 1 frame is good enough.");
  EXPECT_EQ(said(dark, ReasonKind::too_few_frames).back(),
            "Check the flash, then sweep again and wait for it before each frame.");

  BurstAnalysis broken = burst;
  for (std::size_t k = 0; k < 4; ++k) flag(broken, k, FrameFlag::unreadable, false);
  const auto all = said(broken, ReasonKind::too_few_frames);
  EXPECT_EQ(all[1], "Cannot be read: 1701 to 1704.");
  EXPECT_EQ(all.back(), "Try another card or reader; while the animal stays, sweep again.");
}

TEST(SummaryText, ATestShotIsNoPartOfTheSweep) {
  BurstAnalysis burst = complete_burst();
  flag(burst, 0, FrameFlag::other_settings, false);
  const auto all = lines(summary_text(burst));
  EXPECT_EQ(all[0], "Good, 1208 to 1231: you may leave.");
  EXPECT_EQ(all[1], "Other camera settings, left out: 1207.");
}

TEST(SummaryText, ABurstWithoutFramesIsNoCrash) {
  BurstAnalysis burst;
  burst.verdict.reasons = {made::reason(ReasonKind::too_few_frames)};
  EXPECT_THAT(summary_text(burst), StartsWith("Cannot tell, no frames"));
  EXPECT_THAT(details_text(burst), HasSubstr("0 frames"));
}

TEST(SummaryText, HazeSaysWhereToLook) {
  BurstAnalysis burst = complete_burst();
  EXPECT_THAT(summary_text(burst), ::testing::Not(::testing::HasSubstr("Softer")));
  burst.haze = Haze{.first_frame = 9, .contrast_lost = 0.2};
  EXPECT_THAT(
      summary_text(burst),
      ::testing::HasSubstr(
          "\nSofter from frame 1216 on: look for dew on the front lens or the diffuser.\n"));
  burst.start_s = made::kEightMinutesToFive;
  EXPECT_THAT(summary_text(burst),
              ::testing::HasSubstr("\nSofter since 04:52, from frame 1216 on: look for dew on the "
                                   "front lens or the diffuser.\n"));
  burst.haze->grows = true;
  EXPECT_THAT(summary_text(burst), ::testing::HasSubstr("\nSofter and softer since 04:52, from"));
}

TEST(SummaryText, ADoubtAboutTheLensIsToldWhereTheAnswerHangsOnIt) {
  BurstAnalysis burst = complete_burst();  // steps of 3 px, 4.8 px allowed
  burst.lens_doubt = LensDoubt{.quarter_wave_px = 4.0};
  burst.scale_sd = 0.29;  // 3 px may be 4.74 px
  EXPECT_THAT(summary_text(burst), Not(HasSubstr("Less sure")));
  burst.scale_sd = 0.31;  // or 4.86 px
  EXPECT_THAT(lines(summary_text(burst))[1],
              StartsWith("Less sure than usual: the lens itself blurs"));
  EXPECT_THAT(lines(summary_text(burst))[2],
              ::testing::EndsWith("Say --working-f-number and --pitch-um to be surer."));
  burst.lens_doubt = LensDoubt{.quarter_wave_px = std::nullopt, .needs_pitch = false};
  EXPECT_EQ(lines(summary_text(burst))[1],
            "Less sure than usual: the pictures do not show how much the lens itself blurs. Say");
  EXPECT_EQ(lines(summary_text(burst))[2], "  --working-f-number to be surer.");

  burst.coverage.subject_low_px = 100.0, burst.coverage.subject_high_px = 110.0;
  burst.coverage.steps.clear();
  EXPECT_THAT(summary_text(burst), Not(HasSubstr("Less sure"))) << "no step lies on the subject";
  burst.coverage.ends[1].beyond_px = 1.5;  // 2.43 px of 2.4 px
  EXPECT_THAT(summary_text(burst), HasSubstr("Less sure"));
  burst.lens_doubt.reset();
  EXPECT_THAT(summary_text(burst), Not(HasSubstr("Less sure")));

  BurstAnalysis gapped = gapped_burst();  // what is missing is missing
  gapped.lens_doubt = LensDoubt{};
  gapped.scale_sd = 0.31;
  EXPECT_THAT(summary_text(gapped), Not(HasSubstr("Less sure")));
}

/// `burst` with one note from frame 9 to 10, 10 % of the subject, in the upper left ninth.
BurstAnalysis noted(BurstAnalysis burst, ReasonKind kind, bool at_start = false) {
  Reason note = made::reason(kind, 9, kind == ReasonKind::open_end ? 9 : 10);
  note.subject_share = 0.1;
  note.at_start = at_start;
  note.box_px = {100, 50, 800, 600};
  burst.verdict.notes.push_back(note);
  return burst;
}

TEST(Summary, OneSoftPlaceIsNamedInTheFirstLine) {
  const std::string text = summary_text(noted(complete_burst(), ReasonKind::soft_place));
  EXPECT_EQ(
      lines(text)[0],
      "Good, 1207 to 1231, one soft place: between 1216 and 1217, upper left. You may leave.");
}

TEST(Summary, SeveralSoftPlacesAreListedBelow) {
  BurstAnalysis burst = complete_burst();
  for (int i = 0; i < 4; ++i) burst = noted(burst, ReasonKind::soft_place);
  const std::string text = summary_text(burst);
  EXPECT_EQ(lines(text)[0], "Good, 1207 to 1231, 4 soft places: you may leave.");
  EXPECT_THAT(text, HasSubstr("A little soft: between 1216 and 1217, upper left; "));
  EXPECT_THAT(text, HasSubstr("and 1 more."));
}

TEST(Summary, EndThatIsLeftSoftIsSaid) {
  const std::string text = summary_text(noted(complete_burst(), ReasonKind::open_end));
  EXPECT_THAT(text, HasSubstr("The end stays soft past 1216: about a tenth of it."));
  BurstAnalysis far = noted(complete_burst(), ReasonKind::open_end, true);
  far.near_side = {.from = NearSideSource::picture, .probability = 1.0, .contradicted = false};
  EXPECT_THAT(summary_text(far), HasSubstr("The far end stays soft before 1216"));
}

TEST(Summary, EndsThatAreNotJudgedAreLeftToTheReader) {
  const std::string text = summary_text(noted(complete_burst(), ReasonKind::ends_not_told));
  EXPECT_EQ(lines(text)[0], "No gap from 1216 to 1217; the ends are yours to judge.");
}

TEST(Summary, PerchIsSaidWhereItMayBeNear) {
  EXPECT_THAT(summary_text(noted(complete_burst(), ReasonKind::perch_goes_on)),
              HasSubstr("What runs out of the picture stays blurred past 1216"));
  BurstAnalysis far = noted(complete_burst(), ReasonKind::perch_goes_on, true);
  far.near_side = {.from = NearSideSource::picture, .probability = 1.0, .contradicted = false};
  EXPECT_THAT(summary_text(far), Not(HasSubstr("stays blurred")));
}

TEST(Summary, WhatLeavesThePictureIsSaid) {
  EXPECT_THAT(summary_text(noted(complete_burst(), ReasonKind::outside_picture)),
              HasSubstr("A part of it leaves the picture just where it is in focus, about 1216"));
}

TEST(Headline, IsTheFirstLineWithoutTheFrames) {
  EXPECT_EQ(headline(complete_burst()), "Good: you may leave.");
  BurstAnalysis burst = gapped_burst();
  EXPECT_EQ(headline(burst), "Not yet: nothing sharp between 1310 and 1311.");
  burst.verdict.kind = VerdictKind::cannot_tell;
  burst.verdict.reasons = {made::reason(ReasonKind::no_sweep)};
  EXPECT_EQ(headline(burst), "Cannot tell: all frames focus in the same place.");
}

TEST(Summary, OfSeveralSweepsSaysWhichAreNeeded) {
  BurstAnalysis burst = complete_burst();
  Sweep half = burst.sweeps[0];
  half.last = 11;
  Sweep back = half;
  back.first = 12;
  back.last = 24;
  burst.sweeps = {half, back};
  burst.complete_sweeps = {1};
  EXPECT_THAT(summary_text(burst), HasSubstr("The sweep 1219 to 1231 would do alone."));
  EXPECT_THAT(summary_text(burst), HasSubstr("Keep 1219 to 1231."));
  burst.complete_sweeps = {0, 1};
  EXPECT_THAT(summary_text(burst),
              HasSubstr("The sweeps 1207 to 1218 and 1219 to 1231 fill each other's gaps.\n"));
  EXPECT_THAT(summary_text(burst), HasSubstr("Keep all 25 frames, 1207 to 1231."));
  BurstAnalysis three = burst;
  three.sweeps.insert(three.sweeps.begin() + 1, three.sweeps[0]);
  three.sweeps[0].last = 5;
  three.sweeps[1].first = 6;
  three.complete_sweeps = {0, 2};
  EXPECT_THAT(summary_text(three), HasSubstr("\nKeep 1207 to 1212 and 1219 to 1231.\n"));
  three.complete_sweeps = {1, 2};
  EXPECT_THAT(summary_text(three), HasSubstr("\nKeep 1213 to 1231.\n"));
  burst.sweeps[1].difference.light_ev = -0.7;
  EXPECT_THAT(summary_text(burst),
              HasSubstr(", but they differ in light: one whole\n  sweep would be better."));
  burst.sweeps[1].difference = {.viewpoint_px = 3.1};
  EXPECT_THAT(summary_text(burst), HasSubstr(", but they differ in viewpoint: one\n"));
}

}  // namespace
}  // namespace ringsweep
