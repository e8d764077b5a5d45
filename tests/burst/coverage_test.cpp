// Coverage. Source: W. J. Smith, Modern Optical Engineering, eq. (9.8), depth of focus +-B N.
#include "ringsweep/coverage.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <stdexcept>
#include <vector>

#include "positions.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

TEST(FindGaps, AGapBeginsAtTheHandbookDepthOfFocus) {
  // 1:1, f = 100 mm at f/8: pupil 12.5 mm, image distance 200 mm, N_w = 16. B = 2 px of 4 um.
  constexpr ThinLens kLens{.pupil_mm = 12.5, .pitch_mm = 0.004};
  constexpr double kImageMm = 200.0, kBlurMm = 0.008;
  constexpr double kStepMm = 2.0 * kBlurMm * kImageMm / kLens.pupil_mm;  // 2 B N_w = 0.256 mm

  // The book holds the image distance v fixed, the exact disc of a point midway has v + s/2:
  // s / 2v = 6.4e-4 apart. That, not rounding (1e-15), is the room between book and code.
  constexpr double kModelError = kStepMm / (2.0 * kImageMm);
  EXPECT_NEAR(blur_diameter_px(kLens, kImageMm, kImageMm + kStepMm / 2.0), 2.0, 2.0 * kModelError);

  const auto gaps_at = [](double step_px) {
    const std::array subject_px{0.0, step_px / 2.0, step_px};
    return find_gaps(frames_at({0.0, step_px}), subject_px, {.blur_limit_px = 2.0}).size();
  };
  constexpr double kStepPx = kStepMm * kLens.pupil_mm / (kImageMm * kLens.pitch_mm);
  EXPECT_EQ(gaps_at(kStepPx * (1.0 - kModelError)), 0U);
  EXPECT_EQ(gaps_at(kStepPx * (1.0 + kModelError)), 1U);
}

TEST(FindGaps, AirBetweenTwoFramesIsNoGap) {
  // 20 px apart; the subject lies within 2 px of one or the other.
  const std::array subject_px{-1.0, 0.0, 1.9, 18.1, 20.0, 21.0};
  EXPECT_TRUE(find_gaps(frames_at({0.0, 20.0}), subject_px, {.blur_limit_px = 2.0}).empty());
}

TEST(FindGaps, NamesTheFramesBelowAndAboveWhateverTheirOrder) {
  const auto gaps =
      find_gaps(frames_at({9.0, 3.0, 0.0, 12.0}), evenly(0.0, 12.0, 121), {.blur_limit_px = 2.0});
  ASSERT_EQ(gaps.size(), 1U);
  EXPECT_EQ(gaps[0].lower, 1U);
  EXPECT_EQ(gaps[0].upper, 0U);
  EXPECT_DOUBLE_EQ(gaps[0].width_px, 6.0);
  // The open 5..7 of 0..12: 19 or, with rounding of the grid of 0.1, up to 21 of 121 tiles.
  EXPECT_NEAR(gaps[0].subject_share, 20.0 / 121.0, 1.0 / 121.0);
}

TEST(FindGaps, FrameThatIsNotUsableCoversNothing) {
  FocalPositions focus = frames_at({0.0, 3.0, 6.0});
  EXPECT_TRUE(find_gaps(focus, evenly(0.0, 6.0, 61), {.blur_limit_px = 2.0}).empty());
  focus.frames[1].usable = false;
  EXPECT_EQ(find_gaps(focus, evenly(0.0, 6.0, 61), {.blur_limit_px = 2.0}).size(), 1U);
}

TEST(FindGaps, WidthSdHoldsCovarianceAndScale) {
  FocalPositions focus = frames_at({0.0, 6.0});
  focus.covariance_px2 << 0.04, 0.03, 0.03, 0.09;
  focus.scale_sd = 0.05;
  const auto gaps = find_gaps(focus, evenly(0.0, 6.0, 61), {.blur_limit_px = 2.0});
  ASSERT_EQ(gaps.size(), 1U);
  // var(b - a) = 0.04 + 0.09 - 2 x 0.03, and (6 x 0.05)^2: sqrt 0.16. Rounding only.
  EXPECT_NEAR(gaps[0].width_sd_px, 0.4, 1e-12);
}

TEST(FindGaps, IsSoftUnlessItIsWiderWithProbability95) {
  const auto gap = [](double width_px, double sd_px, const CoverageOptions& options = {}) {
    FocalPositions focus = frames_at({0.0, width_px});
    focus.covariance_px2(1, 1) = sd_px * sd_px;
    return find_gaps(focus, evenly(0.0, width_px, 1001), options).at(0);
  };
  // Normal distribution: 1.6449 sd above the limit is 0.95 (E. S. Pearson, H. O. Hartley,
  // Biometrika Tables for Statisticians, table 1, from memory). sd 0.3 px: 4 + 0.4935 px.
  EXPECT_TRUE(gap(4.49, 0.3).soft);
  EXPECT_FALSE(gap(4.50, 0.3).soft);
  EXPECT_NEAR(gap(4.0 + 0.3 * 1.6449, 0.3).probability, 0.95, 1e-5);  // digits of the quantile
  EXPECT_EQ(gap(4.01, 0.0).probability, 1.0);
  // No step removes what the lens blurs itself.
  EXPECT_TRUE(gap(6.0, 0.1, {.least_width_px = 6.0}).soft);
  EXPECT_FALSE(gap(6.01, 0.1, {.least_width_px = 6.0}).soft);
}

TEST(FindGaps, IsSoftWhereItHoldsLessThanAHundredthOfTheSubject) {
  const auto soft = [](std::size_t in_gap, double gap_share) {
    std::vector<double> subject = evenly(0.0, 1.9, 1000 - in_gap);
    const std::vector<double> inside = evenly(4.9, 5.1, in_gap);
    subject.insert(subject.end(), inside.begin(), inside.end());
    return find_gaps(frames_at({0.0, 10.0}), subject,
                     {.blur_limit_px = 2.0, .gap_share = gap_share})
        .at(0)
        .soft;
  };
  EXPECT_TRUE(soft(9, 0.01));
  EXPECT_FALSE(soft(10, 0.01));
  EXPECT_FALSE(soft(3, 0.0));  // the user said where the subject is
}

TEST(FindGaps, FewerTilesThanNoiseAreNoGap) {
  std::vector<double> subject = evenly(0.0, 1.0, 999);
  subject.push_back(5.0);  // 1 in 1000, less than 0.002
  EXPECT_TRUE(find_gaps(frames_at({0.0, 10.0}), subject, {.blur_limit_px = 2.0}).empty());
  subject.insert(subject.end(), {5.1, 5.2});  // 3 in 1002
  EXPECT_EQ(find_gaps(frames_at({0.0, 10.0}), subject, {.blur_limit_px = 2.0}).size(), 1U);
}

TEST(FindGaps, NoFrameOneFrameNoSubjectHaveNoGap) {
  EXPECT_TRUE(find_gaps(frames_at({}), evenly(0, 9, 10), {}).empty());
  EXPECT_TRUE(find_gaps(frames_at({4.0}), evenly(0, 9, 10), {}).empty());
  EXPECT_TRUE(find_gaps(frames_at({0.0, 9.0}), {}, {}).empty());
}

TEST(FindGaps, BlurLimitMustBePositive) {
  EXPECT_THROW((void)find_gaps(frames_at({0.0, 9.0}), {}, {.blur_limit_px = 0.0}),
               std::invalid_argument);
}

/// The subject lies in the sweep from 0 to 6 px, but for some tiles beyond its end.
bool end_is_open(double beyond_px, std::size_t tiles, double sd_px) {
  FocalPositions focus = frames_at({0.0, 3.0, 6.0});
  focus.covariance_px2(2, 2) = sd_px * sd_px;
  std::vector<double> subject{1.0, 2.0};
  subject.insert(subject.end(), tiles, 6.0 + beyond_px);
  return assess_coverage(focus, subject, {.blur_limit_px = 2.0}).ends[1].open;
}

TEST(AssessCoverage, AnEndThatMayWellBeCoveredIsNotOpen) {
  // The subject goes on by 2.2 px, 0.2 px beyond the limit: open from 0.2 / 1.645 = 0.1216 px of sd
  // down.
  constexpr std::size_t kMany = 1000;
  EXPECT_TRUE(end_is_open(2.2, kMany, 0.121));
  EXPECT_FALSE(end_is_open(2.2, kMany, 0.122));
  // Whatever the sd, half a px beyond the limit of 2 px is open.
  EXPECT_FALSE(end_is_open(2.49, kMany, 5.0));
  EXPECT_TRUE(end_is_open(2.51, kMany, 5.0));
}

TEST(AssessCoverage, AnEndOfFewTilesMustLieFartherOut) {
  // One tile by 0.3 blur limits of 2 px, four by half as much.
  EXPECT_FALSE(end_is_open(2.59, 1, 0.0));
  EXPECT_TRUE(end_is_open(2.61, 1, 0.0));
  EXPECT_FALSE(end_is_open(2.29, 4, 0.0));
  EXPECT_TRUE(end_is_open(2.31, 4, 0.0));
}

TEST(AssessCoverage, EndIsOpenWhereTheSubjectGoesOnBeyondTheLimit) {
  // 0.5 % of 1001 tiles are left beyond each end: 5 tiles, 0.05 px of this grid.
  const Coverage c =
      assess_coverage(frames_at({3.0, 0.0, 6.0}), evenly(-1.0, 9.0, 1001), {.blur_limit_px = 2.0});
  ASSERT_TRUE(c.has_subject);
  ASSERT_EQ(c.ends.size(), 2U);
  EXPECT_TRUE(c.ends[0].low);
  EXPECT_FALSE(c.ends[0].open);
  EXPECT_EQ(c.ends[0].frame, 1U);
  EXPECT_NEAR(c.ends[0].beyond_px, 1.0 - 0.05, 1e-9);
  EXPECT_TRUE(c.ends[1].open);
  EXPECT_EQ(c.ends[1].frame, 2U);
  EXPECT_NEAR(c.ends[1].beyond_px, 3.0 - 0.05, 1e-9);
}

TEST(AssessCoverage, EndTellsHowMuchOfTheSubjectLiesBeyond) {
  // -1 to 9 in 1000 steps of 0.01 px; 8 is 2 px beyond the last frame: what lies above it, 100 of
  // 1001 tiles.
  const Coverage c =
      assess_coverage(frames_at({3.0, 0.0, 6.0}), evenly(-1.0, 9.0, 1001), {.blur_limit_px = 2.0});
  EXPECT_EQ(c.ends[0].subject_share, 0.0);
  EXPECT_NEAR(c.ends[1].subject_share, 100.0 / 1001.0, 1.0 / 1001.0);
}

TEST(AssessCoverage, StepTellsWhatItNearlyMissed) {
  // 3.9 px, 0.85 x 2 px from either side leave 0.5 px in the middle: 5 of 40 tiles, give or take
  // one.
  const Coverage c =
      assess_coverage(frames_at({0.0, 3.9, 6.0}), evenly(0.0, 3.9, 40), {.blur_limit_px = 2.0});
  ASSERT_FALSE(c.steps.empty());
  EXPECT_NEAR(c.steps[0].nearly_missed_share, 5.0 / 40.0, 1.0 / 40.0);
  EXPECT_TRUE(c.gaps.empty());
}

TEST(AssessCoverage, StepsThatReachIntoTheSubjectAreThereGapOrNot) {
  FocalPositions focus = frames_at({9.0, 3.0, 0.0, 4.0, 12.0, 15.0});
  focus.covariance_px2 = Eigen::MatrixXd::Identity(6, 6) * 0.04;
  focus.covariance_px2(0, 3) = focus.covariance_px2(3, 0) = 0.03;
  focus.scale_sd = 0.05;
  // From 3.5 to 10.5: the frames at 0 and 15 have a neighbour between them and the subject.
  const Coverage c = assess_coverage(focus, evenly(3.5, 10.5, 71), {.blur_limit_px = 2.0});
  ASSERT_EQ(c.steps.size(), 3U);
  EXPECT_EQ(c.steps[0].lower, 1U);
  EXPECT_EQ(c.steps[0].upper, 3U);
  EXPECT_EQ(c.steps[1].upper, 0U);
  EXPECT_EQ(c.steps[2].upper, 4U);
  EXPECT_DOUBLE_EQ(c.steps[1].width_px, 5.0);
  // 2 x 0.04 - 2 x 0.03 and (5 x 0.05)^2. Rounding only.
  EXPECT_NEAR(c.steps[1].width_sd_px, std::sqrt(0.02 + 0.0625), 1e-12);
}

TEST(AssessCoverage, NothingSharpIsNoSubjectAndNoEnds) {
  const Coverage c = assess_coverage(frames_at({0.0, 3.0}), {}, {});
  EXPECT_TRUE(c.steps.empty());
  EXPECT_FALSE(c.has_subject);
  EXPECT_TRUE(c.ends.empty());
}

/// Whether the subject is cut off beyond the lowest frame, at 0 px, or beyond the highest, at 30.
struct CutOff {
  bool low = false, high = false;
};

CutOff cut_off(const std::vector<double>& subject_px) {
  const Coverage coverage =
      assess_coverage(frames_at({0.0, 10.0, 20.0, 30.0}), subject_px, {.blur_limit_px = 2.0});
  EXPECT_EQ(coverage.ends.size(), 2U);
  return {coverage.ends[0].low && coverage.ends[0].cut_off, coverage.ends[1].cut_off};
}

TEST(AssessCoverage, SubjectIsCutOffWhereItEndsAtTheLimitAsDenseAsBefore) {
  // 20 tiles a px.
  const CutOff at_limit = cut_off(evenly(-2.0, 32.0, 681));
  EXPECT_TRUE(at_limit.low);
  EXPECT_TRUE(at_limit.high);
  const CutOff goes_on = cut_off(evenly(-4.0, 15.0, 381));
  EXPECT_TRUE(goes_on.low);
  EXPECT_FALSE(goes_on.high);
}

TEST(AssessCoverage, SubjectThatEndsBeforeTheLimitIsNotCutOff) {
  EXPECT_FALSE(cut_off(evenly(-1.4, 15.0, 329)).low);
  // Or thins out: half as dense from the middle of the limit on.
  std::vector<double> rim = evenly(-1.0, 15.0, 321);
  for (const double q : {-1.1, -1.2, -1.3, -1.4, -1.5, -1.6, -1.7, -1.8, -1.9}) rim.push_back(q);
  EXPECT_FALSE(cut_off(rim).low);
}

TEST(AssessCoverage, FewTilesDoNotTellThatTheSubjectIsCutOff) {
  // As dense to the limit as before, but of 1,000 tiles three lie in its last quarter.
  std::vector<double> subject = evenly(2.0, 15.0, 988);
  for (const double q : evenly(-1.95, 0.0, 12)) subject.push_back(q);
  EXPECT_FALSE(cut_off(subject).low);
}

}  // namespace
}  // namespace ringsweep
