#include "ringsweep/verdict.h"

#include <gtest/gtest.h>

#include "positions.h"

namespace ringsweep {
namespace {

constexpr double kLimitPx = 2.0, kAllowedPx = 4.0;

Verdict judge(const FocalPositions& focus, const std::vector<double>& subject,
              std::vector<bool> dark = {}) {
  dark.resize(focus.frames.size());
  return decide(focus, assess_coverage(focus, subject, {.blur_limit_px = kLimitPx}),
                find_sweeps(focus, 8.0), dark, kAllowedPx);
}

TEST(Verdict, CoveredSubjectIsComplete) {
  const Verdict v = judge(frames_at({0, 3, 6, 9}), evenly(0, 9, 91));
  EXPECT_EQ(v.kind, VerdictKind::complete);
  ASSERT_EQ(v.reasons.size(), 1U);
  EXPECT_EQ(v.reasons[0].kind, ReasonKind::covered);
}

TEST(Verdict, GapIsAReshootAndNamesTheFrameShotEarlierFirst) {
  const Verdict v = judge(frames_at({12, 9, 3, 0}), evenly(0, 12, 121));
  EXPECT_EQ(v.kind, VerdictKind::reshoot);
  ASSERT_EQ(v.reasons.size(), 1U);
  EXPECT_EQ(v.reasons[0].kind, ReasonKind::gap);
  EXPECT_EQ(v.reasons[0].first_frame, 1U);
  EXPECT_EQ(v.reasons[0].last_frame, 2U);
  EXPECT_FALSE(v.reasons[0].close_call);  // 6 is 1.5 times what is allowed
}

TEST(Verdict, GapWhereTheFlashFailedIsTheFlashsDoing) {
  FocalPositions focus = frames_at({0, 3, 6, 9, 12});
  forget(focus, 2);
  const Verdict v = judge(focus, evenly(0, 12, 121), {false, false, true});
  ASSERT_EQ(v.reasons.size(), 1U);
  EXPECT_EQ(v.reasons[0].kind, ReasonKind::gap_from_dark);
}

TEST(Verdict, GapThatTheRingMadeIsNotBlamedOnTheFlash) {
  FocalPositions focus = frames_at({0, 3, 8, 13, 16});  // 5 px a frame, were the flash there
  forget(focus, 2);
  const Verdict v = judge(focus, evenly(0, 16, 161), {false, false, true});
  ASSERT_EQ(v.reasons.size(), 1U);
  EXPECT_EQ(v.reasons[0].kind, ReasonKind::gap);
}

TEST(Verdict, CloseCallLiesWithin15PercentOfWhatIsAllowed) {
  const Verdict close = judge(frames_at({0, 3, 7.5, 10}), evenly(0, 10, 1001));
  ASSERT_EQ(close.reasons.size(), 1U);
  EXPECT_TRUE(close.reasons[0].close_call);  // 4.5 of 4
  const Verdict clear = judge(frames_at({0, 3, 7.7, 10}), evenly(0, 10, 1001));
  ASSERT_EQ(clear.reasons.size(), 1U);
  EXPECT_FALSE(clear.reasons[0].close_call);  // 4.7 of 4
}

TEST(Verdict, OpenEndIsAtTheStartWhereTheSweepBeganThere) {
  const Verdict low = judge(frames_at({0, 3, 6}), evenly(-4, 6, 1001));
  ASSERT_EQ(low.reasons.size(), 1U);
  EXPECT_EQ(low.reasons[0].kind, ReasonKind::open_end);
  EXPECT_TRUE(low.reasons[0].at_start);
  EXPECT_EQ(low.reasons[0].first_frame, 0U);
  const Verdict high = judge(frames_at({0, 3, 6}), evenly(0, 10, 1001));
  ASSERT_EQ(high.reasons.size(), 1U);
  EXPECT_FALSE(high.reasons[0].at_start);
  const Verdict falling = judge(frames_at({6, 3, 0}), evenly(-4, 6, 1001));
  ASSERT_EQ(falling.reasons.size(), 1U);
  EXPECT_FALSE(falling.reasons[0].at_start);
}

TEST(Verdict, GapThatIsSoftIsANote) {
  std::vector<double> subject = evenly(0.0, 3.0, 995);
  subject.insert(subject.end(), 5, 6.0);  // 1 in 200
  const Verdict v = judge(frames_at({0, 3, 9}), subject);
  EXPECT_EQ(v.kind, VerdictKind::complete);
  ASSERT_EQ(v.notes.size(), 1U);
  EXPECT_EQ(v.notes[0].kind, ReasonKind::soft_place);
  EXPECT_EQ(v.notes[0].first_frame, 1U);
  EXPECT_EQ(v.notes[0].last_frame, 2U);
}

TEST(Verdict, WidestStepThatNearlyMissedSomethingIsNamed) {
  const Verdict v = judge(frames_at({0, 3, 6.5, 10.3}), evenly(0, 10, 1001));
  ASSERT_EQ(v.reasons.size(), 1U);
  EXPECT_EQ(v.reasons[0].kind, ReasonKind::covered);
  EXPECT_TRUE(v.reasons[0].close_call);  // 3.8 of 4; 3.5 is close too
  EXPECT_EQ(v.reasons[0].first_frame, 2U);
  EXPECT_EQ(v.reasons[0].last_frame, 3U);
  EXPECT_FALSE(judge(frames_at({0, 3, 6.3, 9.6}), evenly(0, 9, 901)).reasons[0].close_call);
}

/// `share` of the subject beyond the lower end, which is the far one where that is known.
Verdict judge_end(double share, const KnownEnds& known, bool low = true) {
  const auto beyond = static_cast<std::size_t>(share * 1000.0);
  std::vector<double> subject = evenly(0.0, 6.0, 1000 - beyond);
  const std::vector<double> out = evenly(low ? -5.0 : 10.0, low ? -4.0 : 11.0, beyond);
  subject.insert(subject.end(), out.begin(), out.end());
  const FocalPositions focus = frames_at({0, 3, 6});
  return decide(focus, assess_coverage(focus, subject, {.blur_limit_px = kLimitPx}),
                find_sweeps(focus, 8.0), std::vector<bool>(3), kAllowedPx, known);
}

TEST(Verdict, OpenFarEndIsANoteUntilATenthIsSeenBeyond) {
  const Verdict note = judge_end(0.09, {.towards_near = 1.0});
  EXPECT_EQ(note.kind, VerdictKind::complete);
  ASSERT_EQ(note.notes.size(), 1U);
  EXPECT_EQ(note.notes[0].kind, ReasonKind::open_end);
  EXPECT_NEAR(note.notes[0].subject_share, 0.09, 1e-12);
  EXPECT_EQ(judge_end(0.11, {.towards_near = 1.0}).kind, VerdictKind::reshoot);
}

TEST(Verdict, OpenNearEndIsAReshoot) {
  EXPECT_EQ(judge_end(0.01, {.towards_near = 1.0}, false).kind, VerdictKind::reshoot);
}

TEST(Verdict, OpenEndOfUnknownSideIsAReshootWhereMuchLiesBeyond) {
  EXPECT_EQ(judge_end(0.01, {}).kind, VerdictKind::complete);
  EXPECT_EQ(judge_end(0.03, {}).kind, VerdictKind::reshoot);
}

TEST(Verdict, OpenEndThatIsLikelyFarIsJudgedAsFar) {
  EXPECT_EQ(judge_end(0.09, {.towards_near = 0.975}).kind, VerdictKind::complete);
  EXPECT_EQ(judge_end(0.09, {.towards_near = 0.025}, false).kind, VerdictKind::complete);
  EXPECT_EQ(judge_end(0.09, {.towards_near = 0.965}).kind, VerdictKind::reshoot);
  EXPECT_EQ(judge_end(0.01, {.towards_near = 0.025}).kind, VerdictKind::reshoot) << "likely near";
}

TEST(Verdict, OpenEndOfWhatTheUserWantsIsAReshootAtEitherSide) {
  EXPECT_EQ(judge_end(0.01, {.towards_near = 1.0, .range_said = true}).kind, VerdictKind::reshoot);
}

TEST(Verdict, EndsOfASubjectThatIsNotTrustedAreNotJudged) {
  const Verdict v = judge_end(0.5, {.towards_near = 1.0, .subject_trusted = false}, false);
  EXPECT_EQ(v.kind, VerdictKind::complete);
  ASSERT_EQ(v.notes.size(), 1U);
  EXPECT_EQ(v.notes[0].kind, ReasonKind::ends_not_told);
  EXPECT_EQ(v.notes[0].first_frame, 0U);
  EXPECT_EQ(v.notes[0].last_frame, 2U);
}

TEST(Verdict, PerchBeyondAnEndIsANote) {
  const Verdict v = judge_end(0.0, {.towards_near = 1.0, .perch_high = true});
  EXPECT_EQ(v.kind, VerdictKind::complete);
  ASSERT_EQ(v.notes.size(), 1U);
  EXPECT_EQ(v.notes[0].kind, ReasonKind::perch_goes_on);
  EXPECT_EQ(v.notes[0].first_frame, 2U);
  EXPECT_FALSE(v.notes[0].at_start);
}

TEST(Verdict, NearEndWhereThePerchTakesOverIsOpen) {
  // The subject is cut off at the limit beyond the highest frame.
  const FocalPositions focus = frames_at({0, 3, 6});
  const auto judged = [&](const KnownEnds& known) {
    Coverage coverage =
        assess_coverage(focus, evenly(1.0, 6.0 + kLimitPx, 701), {.blur_limit_px = kLimitPx});
    open_where_cut_off(coverage, known);
    return decide(focus, coverage, find_sweeps(focus, 8.0), std::vector<bool>(3), kAllowedPx,
                  known);
  };
  const Verdict near = judged({.towards_near = 0.975, .perch_high = true});
  EXPECT_EQ(near.kind, VerdictKind::reshoot);
  ASSERT_EQ(near.reasons.size(), 1U);
  EXPECT_EQ(near.reasons[0].kind, ReasonKind::open_end);
  EXPECT_EQ(near.reasons[0].first_frame, 2U);
  EXPECT_FALSE(near.reasons[0].close_call) << "nobody knows how far it goes on";
  EXPECT_EQ(judged({.towards_near = 0.965, .perch_high = true}).kind, VerdictKind::complete);
  EXPECT_EQ(judged({.towards_near = 0.0, .perch_high = true}).kind, VerdictKind::complete);
  EXPECT_EQ(judged({.towards_near = 1.0}).kind, VerdictKind::complete) << "nothing goes on";
  EXPECT_EQ(judged({.towards_near = 1.0, .range_said = true, .perch_high = true}).kind,
            VerdictKind::complete)
      << "what is said is believed";
}

TEST(Verdict, EndBeyondWhichLightsLieIsOpenUnlessItIsRatherTheFarOne) {
  const FocalPositions focus = frames_at({0, 3, 6});
  const auto judged = [&](std::size_t lights, const KnownEnds& known) {
    Coverage coverage = assess_coverage(focus, evenly(1.0, 7.0, 601), {.blur_limit_px = kLimitPx});
    for (End& end : coverage.ends)
      if (!end.low)
        open_where_lights_lie(end, {.count = lights, .beyond_px = 5.0, .sd_px = 1.0}, known);
    return decide(focus, coverage, find_sweeps(focus, 8.0), std::vector<bool>(3), kAllowedPx,
                  known);
  };
  const Verdict open = judged(2, {.towards_near = 0.65});
  EXPECT_EQ(open.kind, VerdictKind::reshoot);
  ASSERT_EQ(open.reasons.size(), 1U);
  EXPECT_EQ(open.reasons[0].kind, ReasonKind::open_end);
  EXPECT_EQ(open.reasons[0].first_frame, 2U);
  EXPECT_EQ(open.reasons[0].lights, 2U);
  EXPECT_DOUBLE_EQ(open.reasons[0].width_px, 5.0);
  EXPECT_EQ(judged(1, {.towards_near = 1.0}).kind, VerdictKind::complete) << "one may be anything";
  EXPECT_EQ(judged(2, {.towards_near = 0.5}).kind, VerdictKind::complete);
  EXPECT_EQ(judged(2, {.towards_near = 1.0, .range_said = true}).kind, VerdictKind::complete);
  EXPECT_EQ(judged(2, {.towards_near = 1.0, .subject_trusted = false}).kind, VerdictKind::complete);
}

TEST(FewestComplete, TakesOneSweepWhereOneWillDoElseTheFewest) {
  using Sweeps = std::vector<std::size_t>;
  // Sweeps cover bits of a subject of four.
  const auto search = [](const std::vector<unsigned>& covers) {
    return fewest_complete(covers.size(), [&](const Sweeps& some) {
      unsigned all = 0;
      for (const std::size_t s : some) all |= covers[s];
      return all == 15U;
    });
  };
  EXPECT_EQ(search({7, 15, 15}), (Sweeps{1}));
  EXPECT_EQ(search({7, 3, 12}), (Sweeps{0, 2}));
  EXPECT_EQ(search({1, 2, 4, 8}), (Sweeps{0, 1, 2, 3}));
  EXPECT_EQ(search({7, 3}), Sweeps{});
  EXPECT_EQ(search({}), Sweeps{});
}

Reason reason(ReasonKind kind, double width_px, double width_sd_px = 0.1) {
  return {.kind = kind, .width_px = width_px, .width_sd_px = width_sd_px};
}

// With a blur limit of 2 px and files of which one px is 2 of the full size, the limit is one px.
TEST(LimitedBySize, OnePxOfTheFileIsTheLeastBlurThatShows) {
  EXPECT_FALSE(too_small({.blur_limit_px = 2.0, .full_px_per_file_px = 2.0}));
  EXPECT_TRUE(too_small({.blur_limit_px = 2.0, .full_px_per_file_px = 2.2}));
  EXPECT_FALSE(too_small({.blur_limit_px = 0.5, .full_px_per_file_px = 1.0 / 1.9}));
  EXPECT_TRUE(too_small({.unknown = true}));
}

TEST(LimitedBySize, WhatLooksWellCannotBeTold) {
  const ShownSize quarter{.blur_limit_px = 2.0, .full_px_per_file_px = 4.0};
  const ShownSize half{.blur_limit_px = 2.0, .full_px_per_file_px = 2.0};
  const Verdict complete{.kind = VerdictKind::complete,
                         .reasons = {reason(ReasonKind::covered, 0)}};
  EXPECT_EQ(limited_by_size(complete, half).kind, VerdictKind::complete);
  for (const ShownSize& shown : {quarter, ShownSize{.unknown = true}}) {
    const Verdict v = limited_by_size(complete, shown);
    EXPECT_EQ(v.kind, VerdictKind::cannot_tell);
    ASSERT_EQ(v.reasons.size(), 1U);
    EXPECT_EQ(v.reasons[0].kind, ReasonKind::pictures_too_small);
  }
  const Verdict without{.kind = VerdictKind::complete_without,
                        .reasons = {reason(ReasonKind::moved, 20)}};
  EXPECT_EQ(limited_by_size(without, quarter).kind, VerdictKind::cannot_tell);
  EXPECT_EQ(limited_by_size(without, quarter).reasons.size(), 2U) << "it moved all the same";
}

TEST(LimitedBySize, WhatTheFilesShowToBeMissingIsMissing) {
  // One px of the file is 4 of the full size: a step of 8 leaves one px of blur midway.
  const ShownSize quarter{.blur_limit_px = 2.0, .full_px_per_file_px = 4.0};
  const auto kind = [&](const Reason& r) {
    const Verdict v = limited_by_size({.kind = VerdictKind::reshoot, .reasons = {r}}, quarter);
    EXPECT_TRUE(v.kind == VerdictKind::cannot_tell ? v.reasons.size() == 2U : v.notes.size() == 1U);
    return v.kind;
  };
  EXPECT_EQ(kind(reason(ReasonKind::gap, 8.1)), VerdictKind::cannot_tell) << "within 2 sd";
  EXPECT_EQ(kind(reason(ReasonKind::gap, 8.3)), VerdictKind::reshoot);
  EXPECT_EQ(kind(reason(ReasonKind::gap_from_dark, 8.3)), VerdictKind::reshoot);
  EXPECT_EQ(kind(reason(ReasonKind::open_end, 4.1)), VerdictKind::cannot_tell);
  EXPECT_EQ(kind(reason(ReasonKind::open_end, 4.3)), VerdictKind::reshoot);
  EXPECT_EQ(kind(reason(ReasonKind::moved, 4.3)), VerdictKind::reshoot);
  EXPECT_EQ(kind(reason(ReasonKind::drop_lost, 0.0)), VerdictKind::reshoot);
}

TEST(LimitedBySize, WhereThereIsTooLittleToLookAtThatIsTheReason) {
  const Verdict few{.kind = VerdictKind::cannot_tell,
                    .reasons = {reason(ReasonKind::too_few_frames, 0)}};
  EXPECT_EQ(limited_by_size(few, {.unknown = true}).reasons.front().kind,
            ReasonKind::too_few_frames);
  const Verdict no_fit{.kind = VerdictKind::cannot_tell,
                       .reasons = {reason(ReasonKind::fit_not_trusted, 0)}};
  EXPECT_EQ(limited_by_size(no_fit, {.unknown = true}).reasons.front().kind,
            ReasonKind::pictures_too_small);
}

TEST(Verdict, TooLittleToGoByIsCannotTell) {
  const auto expect = [](const FocalPositions& focus, const std::vector<double>& subject,
                         ReasonKind kind) {
    const Verdict v = judge(focus, subject);
    EXPECT_EQ(v.kind, VerdictKind::cannot_tell);
    ASSERT_EQ(v.reasons.size(), 1U);
    EXPECT_EQ(v.reasons[0].kind, kind);
  };
  expect(frames_at({}), {}, ReasonKind::too_few_frames);
  expect(frames_at({0, 3}), evenly(0, 3, 31), ReasonKind::too_few_frames);
  expect(frames_at({0, 3, 6}), {}, ReasonKind::no_subject);
  FocalPositions focus = frames_at({0, 3, 6});
  focus.status = FitStatus::no_sweep;
  expect(focus, evenly(0, 6, 61), ReasonKind::no_sweep);
  focus.status = FitStatus::iteration_limit;
  expect(focus, evenly(0, 6, 61), ReasonKind::fit_not_trusted);
  focus.status = FitStatus::not_trusted;
  focus.reason = "the frames agree with two orders";
  expect(focus, evenly(0, 6, 61), ReasonKind::fit_not_trusted);
  EXPECT_EQ(judge(focus, evenly(0, 6, 61)).reasons[0].detail, focus.reason);
}

}  // namespace
}  // namespace ringsweep
