// The table: pooled figures reckoned by hand. kRounding as in score_test.cpp.
#include "table.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <stdexcept>

namespace ringsweep::accuracy {
namespace {

using testing::HasSubstr;

constexpr double kRounding = 1e-12;

// R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3; 81 of 263 from the
// paper, the others from memory. Four digits are printed: half of the last one.
TEST(Wilson, AgreesWithPublishedValues) {
  struct Published {
    std::size_t hits, n;
    double low, high;
  };
  constexpr double kHalfDigit = 0.5e-4 + 1e-9;
  for (const Published& p : {Published{81, 263, 0.2553, 0.3662}, Published{15, 148, 0.0624, 0.1605},
                             Published{0, 20, 0.0, 0.1611}, Published{1, 29, 0.0061, 0.1718}}) {
    const Interval interval = wilson95(p.hits, p.n);
    EXPECT_NEAR(interval.low, p.low, kHalfDigit) << p.hits << " of " << p.n;
    EXPECT_NEAR(interval.high, p.high, kHalfDigit) << p.hits << " of " << p.n;
  }
  EXPECT_EQ(wilson95(50, 50).high, 1.0);
  EXPECT_THROW((void)wilson95(0, 0), std::invalid_argument);
  EXPECT_THROW((void)wilson95(2, 1), std::invalid_argument);
}

BurstScore score(const std::vector<double>& errors_px) {
  BurstScore s;
  s.verdict_said = s.verdict_true = "complete";
  s.verdict_right = true;
  double sum = 0.0;
  for (const double px : errors_px) {
    s.errors.push_back({.px = px, .shape_px = px / 2.0, .in_sd = px});
    sum += px * px;
  }
  s.rms_px = std::sqrt(sum / static_cast<double>(errors_px.size()));
  s.used = {.found = errors_px.size(), .due = errors_px.size()};
  return s;
}

Case answered(const std::string& name, const std::string& group, const BurstScore& s) {
  return {.name = name, .group = group, .verdict_true = s.verdict_true, .ours = s, .seconds = 2.0};
}

TEST(Table, PositionsArePooledOverFramesNotBursts) {
  const std::vector<Case> cases{answered("one", "complete", score({1.0, -1.0})),
                                answered("two", "complete", score({3.0}))};
  const Table table = make_table(cases);
  EXPECT_NEAR(*row(table, "position.rms_px").ours.value, std::sqrt(11.0 / 3.0), kRounding);
  EXPECT_EQ(row(table, "position.rms_px").ours.cases, 3U);
  EXPECT_EQ(*row(table, "position.worst_px").ours.value, 3.0);
  EXPECT_NEAR(*row(table, "position.shape_rms_px").ours.value, std::sqrt(11.0 / 3.0) / 2.0,
              kRounding);
  // 1 sd twice and 3 sd once: two of three hold.
  EXPECT_EQ(row(table, "position.holds").ours.hits, 2U);
  EXPECT_EQ(row(table, "position.holds").ours.cases, 3U);
  ASSERT_EQ(row(table, "position.rms_px").worst.size(), 2U);
  EXPECT_EQ(row(table, "position.rms_px").worst[0].name, "two");
}

TEST(Table, TheNearSideCountsWhereThePictureTellsIt) {
  BurstScore right = score({1.0}), wrong = right, untold = right, by_user = right;
  right.sign_told = wrong.sign_told = true;
  untold.sign_told = false;
  right.sign_right = by_user.sign_right = true;
  wrong.sign_right = untold.sign_right = false;
  const std::vector<Case> cases{answered("a", "", right), answered("b", "", wrong),
                                answered("c", "", untold), answered("d", "", by_user)};
  const Table table = make_table(cases);
  EXPECT_EQ(row(table, "side.told").ours.hits, 2U);
  EXPECT_EQ(row(table, "side.told").ours.cases, 3U);
  EXPECT_EQ(row(table, "side.right").ours.hits, 1U);
  EXPECT_EQ(row(table, "side.right").ours.cases, 2U);
  ASSERT_EQ(row(table, "side.right").worst.size(), 1U);
  EXPECT_EQ(row(table, "side.right").worst[0].name, "b");
}

TEST(Table, VerdictsAtRestAreSortedByTheWidestStep) {
  BurstScore narrow = score({1.0}), close = narrow, wide = narrow, moved = narrow;
  narrow.widest_step = 0.7, close.widest_step = 0.9, wide.widest_step = 1.4;
  moved.widest_step = 0.6, moved.at_rest = false, moved.verdict_right = false;
  narrow.verdict_said = "reshoot", narrow.verdict_right = false, narrow.false_warning = true;
  wide.verdict_true = wide.verdict_said = "reshoot";
  const std::vector<Case> cases{answered("a", "", narrow), answered("b", "", close),
                                answered("c", "", wide), answered("d", "", moved)};
  const Table table = make_table(cases);
  EXPECT_EQ(row(table, "verdict.rest.below_085").ours.cases, 1U);
  EXPECT_EQ(row(table, "verdict.rest.below_085").ours.hits, 0U);
  EXPECT_EQ(row(table, "verdict.rest.085_100").ours.hits, 1U);
  EXPECT_EQ(row(table, "verdict.rest.100_115").ours.cases, 0U);
  EXPECT_EQ(row(table, "verdict.rest.above_115").ours.hits, 1U);
  EXPECT_EQ(row(table, "verdict.rest.false_reshoot").ours.hits, 1U);
  EXPECT_EQ(row(table, "verdict.rest.false_complete").ours.hits, 0U);
  EXPECT_EQ(row(table, "verdict.rest.false_complete").ours.cases, 1U);
  // Of the two at rest that are complete.
  EXPECT_EQ(row(table, "verdict.rest.false_warning").ours.hits, 1U);
  EXPECT_EQ(row(table, "verdict.rest.false_warning").ours.cases, 2U);
}

TEST(Table, GapsAreSortedByHowSureTheyAreTold) {
  BurstScore s = score({1.0});
  s.told_gaps = {{0.6, false}, {0.7, true}, {0.9, true}, {0.99, true}, {1.0, true}};
  const Table table = make_table(std::vector<Case>{answered("a", "", s)});
  EXPECT_EQ(row(table, "gap.sure.50_80").ours.hits, 1U);
  EXPECT_EQ(row(table, "gap.sure.50_80").ours.cases, 2U);
  EXPECT_EQ(row(table, "gap.sure.80_95").ours.cases, 1U);
  EXPECT_EQ(row(table, "gap.sure.95_100").ours.cases, 2U);
}

TEST(Table, TheScalesSpreadIsAboutItsMean) {
  BurstScore a = score({1.0}), b = score({1.0}), c = score({1.0});
  a.scale = 0.9, b.scale = 1.0, c.scale = 1.04;
  a.scale_holds = false, b.scale_holds = true;
  const std::vector<Case> cases{answered("a", "", a), answered("b", "", b), answered("c", "", c)};
  const Table table = make_table(cases);
  EXPECT_NEAR(*row(table, "scale.mean").ours.value, -0.02, kRounding);
  // -0.08, 0.02, 0.06 from the mean: 0.0104 / 2
  EXPECT_NEAR(*row(table, "scale.sd").ours.value, std::sqrt(0.0052), kRounding);
  EXPECT_NEAR(*row(table, "scale.worst").ours.value, -0.1, kRounding);
  EXPECT_EQ(row(table, "scale.holds").ours.cases, 2U);
  EXPECT_EQ(row(table, "scale.mean").worst[0].name, "a");
}

TEST(Table, BurstsWithDiffractionStandWithAndWithoutTheLens) {
  BurstScore plain = score({1.0}), without = score({1.0}), with = score({1.0});
  plain.scale = 1.2, without.scale = 0.8, with.scale = 0.96;
  without.scale_holds = true, with.scale_holds = false;
  std::vector<Case> cases{answered("plain", "", plain), answered("small", "", without)};
  EXPECT_EQ(row(make_table(cases), "scale.lens-given.mean").ours.why, "no such burst");
  cases[1].lens_given = with;
  const Table table = make_table(cases);
  EXPECT_NEAR(*row(table, "scale.lens-given.mean").ours.value, -0.04, kRounding);
  EXPECT_NEAR(*row(table, "scale.lens-unknown.mean").ours.value, -0.2, kRounding);
  EXPECT_EQ(row(table, "scale.lens-unknown.sd").ours.why, "fewer than two");
  EXPECT_EQ(row(table, "scale.lens-given.within").ours.hits, 1U);
  EXPECT_EQ(row(table, "scale.lens-unknown.within").ours.hits, 0U);
  EXPECT_EQ(row(table, "scale.lens-given.holds").ours.hits, 0U);
  EXPECT_EQ(row(table, "scale.lens-unknown.holds").ours.hits, 1U);
  EXPECT_EQ(row(table, "scale.lens-unknown.holds").ours.cases, 1U);
}

TEST(Table, IntervalsOfWidthsHoldUpTo196Sd) {
  BurstScore a = score({1.0}), b = score({1.0});
  a.gap_widths_in_sd = {1.959, -1.961};
  a.step_widths_in_sd = {1.0, -1.0, 1.959};
  b.step_widths_in_sd = {-1.961, 3.0};
  const std::vector<Case> cases{answered("a", "", a), answered("b", "", b)};
  const Table table = make_table(cases);
  EXPECT_EQ(row(table, "gaps.width_holds").ours.hits, 1U);
  EXPECT_EQ(row(table, "gaps.width_holds").ours.cases, 2U);
  EXPECT_EQ(row(table, "steps.holds").ours.hits, 3U);
  EXPECT_EQ(row(table, "steps.holds").ours.cases, 5U);
  EXPECT_EQ(row(table, "steps.holds").ours.interval->low, wilson95(3, 5).low);
  EXPECT_NEAR(*row(table, "steps.rms_sd").ours.value,
              std::sqrt((1.0 + 1.0 + 1.959 * 1.959 + 1.961 * 1.961 + 9.0) / 5.0), kRounding);
  EXPECT_EQ(row(table, "steps.holds").naive.why, "cannot tell");
}

TEST(Table, MissedIsOfDueAndFalseIsOfTold) {
  BurstScore a = score({1.0}), b = score({1.0});
  a.gaps = {.found = 1, .due = 3, .wrong = 1};
  b.gaps = {.found = 0, .due = 1, .wrong = 0};
  const std::vector<Case> cases{answered("a", "", a), answered("b", "", b)};
  const Table table = make_table(cases);
  EXPECT_EQ(*row(table, "gaps.missed").ours.value, 0.75);
  EXPECT_EQ(row(table, "gaps.missed").ours.cases, 4U);
  EXPECT_EQ(*row(table, "gaps.false").ours.value, 0.5);
  EXPECT_EQ(row(table, "gaps.false").ours.cases, 2U);
  EXPECT_EQ(row(table, "gaps.missed").ours.interval->low, wilson95(3, 4).low);
}

TEST(Table, ASizeOnAnEdgeBelongsToTheBinAboveIt) {
  BurstScore s = score({1.0});
  s.moved = Count{.found = 1, .due = 3, .wrong = 1};
  s.move_list.due = {{1.0, true}, {1.99, false}, {2.0, false}};
  s.move_list.told = {{1.5, true}, {0.7, false}};
  const std::vector<Case> cases{answered("a", "", s)};
  const Table table = make_table(cases);
  EXPECT_EQ(row(table, "moved.missed.1-2").ours.hits, 1U);
  EXPECT_EQ(row(table, "moved.missed.1-2").ours.cases, 2U);
  EXPECT_EQ(row(table, "moved.missed.2-4").ours.cases, 1U);
  EXPECT_EQ(*row(table, "moved.false.0.5-1").ours.value, 1.0);
  EXPECT_EQ(*row(table, "moved.false.1-2").ours.value, 0.0);
  EXPECT_EQ(row(table, "moved.missed.4-8").ours.why, "none due");
}

TEST(Table, AFigureWithoutCasesSaysWhyAndIsNotZero) {
  BurstScore s = score({1.0});
  s.dark = Count{};
  const std::vector<Case> cases{answered("a", "", s)};
  const std::vector<Table> tables = make_tables(cases);
  EXPECT_EQ(row(tables[0], "drops.missed").ours.value, std::nullopt);
  EXPECT_EQ(row(tables[0], "drops.missed").ours.why, "not checked");
  EXPECT_EQ(row(tables[0], "dark.missed").ours.why, "none due");
  EXPECT_EQ(row(tables[0], "dark.false").ours.why, "none told");
  EXPECT_EQ(row(tables[0], "verdict.right.reshoot").ours.why, "no such burst");
  EXPECT_EQ(row(tables[0], "verdict.right").naive.why, "cannot tell");
  EXPECT_EQ(row(tables[0], "gaps.width_rms").ours.why, "none found");
  EXPECT_EQ(row(tables[0], "scale.holds").ours.why, "no sd said");
  EXPECT_EQ(row(make_table({}), "drops.missed").ours.why, "no answer");
  EXPECT_TRUE(
      table_json(tables, "head")["tables"][0]["rows"]["drops.missed"]["ours"]["value"].is_null());
  EXPECT_THAT(table_csv(tables), HasSubstr("all,drops.missed,share,,0,,,,not checked,"));
  EXPECT_THAT(table_text(tables, "head"), HasSubstr("-  not checked"));
}

TEST(Table, ABurstWithoutAnAnswerHasNoRightVerdict) {
  std::vector<Case> cases{
      answered("a", "gap", score({1.0})),
      {.name = "b", .group = "gap", .failed = "no burst was found", .verdict_true = "reshoot"},
      {.name = "c", .group = "gap", .failed = "cannot be made"}};
  const std::vector<Table> tables = make_tables(cases);
  EXPECT_EQ(row(tables[0], "verdict.right").ours.hits, 1U);
  EXPECT_EQ(row(tables[0], "verdict.right").ours.cases, 2U);  // c has no truth
  EXPECT_EQ(*row(tables[0], "verdict.right.reshoot").ours.value, 0.0);
  EXPECT_THAT(table_text(tables, "head"), HasSubstr("failed: b: no burst was found"));
  EXPECT_THAT(bursts_csv(cases), HasSubstr("\nb,gap,no burst was found,reshoot,,0,"));
}

TEST(Table, SaidCompleteButIsNotIsOfThoseSaidComplete) {
  BurstScore wrong = score({1.0});
  wrong.verdict_true = "reshoot";
  wrong.verdict_right = false;
  const std::vector<Case> cases{answered("a", "", score({1.0})), answered("b", "", wrong)};
  const Table table = make_table(cases);
  EXPECT_EQ(*row(table, "verdict.false_complete").ours.value, 0.5);
  EXPECT_EQ(row(table, "verdict.false_complete").worst[0].name, "b");
  BurstScore unsure = wrong;
  unsure.verdict_said = "cannot-tell";
  const std::vector<Case> unsaid{answered("a", "", wrong), answered("b", "", unsure)};
  EXPECT_EQ(*row(make_table(unsaid), "verdict.cannot_tell").ours.value, 0.5);
  EXPECT_EQ(*row(make_table(unsaid), "verdict.false_complete").ours.value, 1.0);
}

TEST(Table, GroupsFollowTheFirstTableInTheirOrder) {
  const std::vector<Case> cases{answered("a", "gap", score({1.0})),
                                answered("b", "drops", score({2.0})),
                                answered("c", "gap", score({3.0}))};
  const std::vector<Table> tables = make_tables(cases);
  ASSERT_EQ(tables.size(), 3U);
  EXPECT_EQ(tables[1].group, "gap");
  EXPECT_EQ(tables[1].bursts, 2U);
  EXPECT_EQ(tables[2].group, "drops");
  EXPECT_EQ(*row(tables[2], "position.rms_px").ours.value, 2.0);
}

TEST(Table, EveryLineOfTheCsvHasTheFieldsOfItsHead) {
  const std::vector<Case> cases{answered("a", "gap", score({1.0, 2.0})),
                                {.name = "b", .group = "gap", .failed = "ends early"}};
  for (const std::string& csv : {table_csv(make_tables(cases)), bursts_csv(cases)}) {
    std::size_t start = 0, commas = 0;
    for (std::size_t end = csv.find('\n'); end != std::string::npos;
         start = end + 1, end = csv.find('\n', start)) {
      const std::string line = csv.substr(start, end - start);
      const auto here = static_cast<std::size_t>(std::ranges::count(line, ','));
      if (start == 0) commas = here;
      EXPECT_EQ(here, commas) << line;
    }
  }
}

}  // namespace
}  // namespace ringsweep::accuracy
