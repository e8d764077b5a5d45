// The scores, on JSON small enough to reckon by hand. Numbers are exact but for the rounding of a
// dozen double operations on values near 1: hence kRounding.
#include "score.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

namespace ringsweep::accuracy {
namespace {

using nlohmann::json;
using testing::ElementsAre;

constexpr double kRounding = 1e-12;

MATCHER_P3(Counts, found, due, wrong, "") {
  return static_cast<int>(arg.found) == found && static_cast<int>(arg.due) == due &&
         static_cast<int>(arg.wrong) == wrong;
}
MATCHER_P2(IsSized, px, right, "") { return arg.px == px && arg.right == right; }

/// Frames a, b, c, ... at these positions; the scene's origin lies at (100, 50).
json truth_at(const std::vector<double>& focus_px) {
  json frames = json::array();
  for (std::size_t k = 0; k < focus_px.size(); ++k) {
    frames.push_back({{"file", std::string(1, static_cast<char>('a' + k))},
                      {"focus_px", focus_px[k]},
                      {"on_subject", true},
                      {"flags", json::array()},
                      {"from_scene", {1.0, 0.0, 100.0, 50.0}}});
  }
  return {{"verdict", "complete"}, {"first_end", "near"}, {"frames", frames}};
}

json said_at(const std::vector<double>& focus_px, double sd_px) {
  json frames = json::array();
  for (std::size_t k = 0; k < focus_px.size(); ++k) {
    frames.push_back({{"file", std::string(1, static_cast<char>('a' + k))},
                      {"focus_px", focus_px[k]},
                      {"focus_sd_px", sd_px},
                      {"flags", json::array()}});
  }
  return {{"verdict", "complete"}, {"reference", "a"}, {"frames", frames}};
}

TEST(ScorePositions, AreInTheBlurOfTheSweepThatIsTheBest) {
  json truth = truth_at({-1.0, 0.0, 1.0, 1.0, 0.0, -1.0});
  for (std::size_t k = 3; k < 6; ++k) truth["frames"][k]["blur"] = 1.41;
  json said = said_at({-1.41, 0.0, 1.41, 1.41, 0.0, -1.41}, 0.1);
  said["sweeps"] = {{{"first", 1}, {"last", 3}, {"blur", -0.29}},
                    {{"first", 4}, {"last", 6}, {"blur", 0.0}}};
  truth["turn_factor"] = 1.41, truth["frames_for_same_turn"] = 2.0;
  said["advice"] = {{"turn_factor", 1.0}, {"frames_for_same_turn", 3}};
  EXPECT_NEAR(*score_burst(said, truth).scale, 1.0, kRounding);
  EXPECT_NEAR(*score_burst(said, truth).turn, 1.0, kRounding);
  EXPECT_NEAR(*score_burst(said, truth).same_turn, 1.0, kRounding);  // 2.82, rounded
  said["sweeps"][0]["blur"] = 0.0;  // one fit for all: in those of the recipe's pupil
  EXPECT_NEAR(*score_burst(said, truth).scale, 1.41, kRounding);
}

TEST(ScorePositions, ErrorsAreThoseReckonedByHand) {
  // Means 0.1 and 0; the slope of said on true is 1. Of true on said: Sxy / Sxx = 2 / 2.06, what is
  // left of Syy = 2 is 2 - 4 / 2.06.
  const BurstScore s = score_burst(said_at({-1.0, 0.3, 1.0}, 0.1), truth_at({-1.0, 0.0, 1.0}));
  EXPECT_NEAR(*s.scale, 1.0, kRounding);
  EXPECT_NEAR(*s.rms_px, std::sqrt((0.01 + 0.04 + 0.01) / 3.0), kRounding);
  EXPECT_NEAR(*s.shape_px, std::sqrt((2.0 - 4.0 / 2.06) / 3.0), kRounding);
  EXPECT_EQ(s.sign_right, true);
  ASSERT_EQ(s.errors.size(), 3U);
  EXPECT_NEAR(s.errors[1].px, 0.2, kRounding);
  // Against an sd of 0.1, scaled like the positions, the errors left are -0.7, 2 and -1.3 sd.
  EXPECT_NEAR(*s.errors[0].in_sd, -0.7, 1e-10);
  EXPECT_NEAR(*s.errors[1].in_sd, 2.0, 1e-10);
  EXPECT_NEAR(*s.errors[2].in_sd, -1.3, 1e-10);
  EXPECT_NEAR(*s.cover, 2.0 / 3.0, kRounding);  // 2 sd lies outside of 1.96 sd
}

TEST(ScorePositions, AMirroredAndShiftedAnswerIsRightButForTheSign) {
  const BurstScore s = score_burst(said_at({8.0, 7.0, 6.0}, 0.1), truth_at({-1.0, 0.0, 1.0}));
  EXPECT_NEAR(*s.rms_px, 0.0, kRounding);
  EXPECT_EQ(s.sign_right, false);
}

TEST(ScorePositions, WhoToldTheSignIsRead) {
  const auto told = [](const json& near_side) {
    json said = said_at({-1.0, 0.0, 1.0}, 0.1);
    said["near_side"] = near_side;
    return score_burst(said, truth_at({-1.0, 0.0, 1.0})).sign_told;
  };
  EXPECT_EQ(told({{"from", "picture"}}), true);
  EXPECT_EQ(told({{"from", "unknown"}}), false);
  EXPECT_EQ(told({{"from", "user"}}), std::nullopt);
  EXPECT_EQ(told(nullptr), std::nullopt);
}

TEST(ScorePositions, TheScalesIntervalHoldsUpToItsEdge) {
  json said = said_at({-1.1, 0.0, 1.1}, 0.1);
  said["scale_sd"] = 0.1 / 1.96 * 1.0005;
  EXPECT_EQ(score_burst(said, truth_at({-1.0, 0.0, 1.0})).scale_holds, true);
  said["scale_sd"] = 0.1 / 1.96 * 0.9995;
  EXPECT_EQ(score_burst(said, truth_at({-1.0, 0.0, 1.0})).scale_holds, false);
  said["scale_sd"] = nullptr;
  EXPECT_EQ(score_burst(said, truth_at({-1.0, 0.0, 1.0})).scale_holds, std::nullopt);
}

TEST(ScorePositions, DarkFramesAndThoseBesideTheSubjectAreNotDue) {
  json truth = truth_at({-1.0, 0.0, 1.0, 2.0, 9.0});
  truth["frames"][4]["on_subject"] = false;
  truth["frames"][3]["flags"] = {"dark"};
  const BurstScore s = score_burst(said_at({-1.0, 0.0, 1.0, 7.0, 7.0}, 0.1), truth);
  EXPECT_THAT(s.used, Counts(3, 3, 0));
  EXPECT_NEAR(*s.rms_px, 0.0, kRounding);
}

TEST(ScoreGaps, WidthIsComparedAndWhatIsTooWideIsFalse) {
  json truth = truth_at({0.0, 1.0, 6.0, 7.0, 20.0});
  truth["gaps"] = {{{"after", "b"}, {"before", "c"}, {"width_px", 5.0}},
                   {{"after", "d"}, {"before", "e"}, {"width_px", 13.0}}};
  json said = said_at({0.0, 1.0, 6.0, 7.0, 20.0}, 0.1);
  // a to c is 6 of 5 px: at most 1.5 times as wide, and covers all of b to c. a to e is far too
  // wide for d to e.
  said["gaps"] = {{{"after", "a"}, {"before", "c"}, {"width_px", 5.5}},
                  {{"after", "a"}, {"before", "e"}, {"width_px", 20.0}}};
  const BurstScore s = score_burst(said, truth);
  EXPECT_THAT(s.gaps, Counts(1, 2, 1));
  ASSERT_EQ(s.gap_width_errors.size(), 1U);
  EXPECT_NEAR(s.gap_width_errors[0], 0.1, kRounding);
  EXPECT_THAT(s.gap_list.due, ElementsAre(IsSized(5.0, true), IsSized(13.0, false)));
  EXPECT_THAT(s.gap_list.told, ElementsAre(IsSized(5.5, true), IsSized(20.0, false)));
}

TEST(ScoreGaps, HowSureAGapIsToldStandsBesideWhetherItIsOne) {
  json truth = truth_at({0.0, 1.0, 6.0, 9.0});
  truth["widest_step_px"] = 5.0;
  truth["gaps"] = {{{"after", "b"}, {"before", "c"}, {"width_px", 5.0}}};
  json said = said_at({0.0, 1.0, 6.0, 9.0}, 0.1);
  said["gaps"] = {{{"after", "b"}, {"before", "c"}, {"width_px", 5.5}, {"probability", 0.99}},
                  {{"after", "c"}, {"before", "d"}, {"width_px", 4.1}, {"probability", 0.6}}};
  BurstScore s = score_burst(said, truth);
  ASSERT_EQ(s.told_gaps.size(), 2U);
  EXPECT_TRUE(s.told_gaps[0].wider);
  EXPECT_EQ(s.told_gaps[1].probability, 0.6);
  EXPECT_FALSE(s.told_gaps[1].wider);
  EXPECT_EQ(s.widest_step, 5.0 / 4.0);
  EXPECT_TRUE(s.false_warning);
  said["gaps"][1]["soft"] = true;
  EXPECT_FALSE(score_burst(said, truth).false_warning);
}

TEST(ScoreBurst, FramesForTheSameTurnAndWhetherAnythingMoved) {
  json truth = truth_at({0.0, 1.0, 2.0}), said = said_at({0.0, 1.0, 2.0}, 0.1);
  EXPECT_FALSE(score_burst(said, truth).same_turn);
  EXPECT_TRUE(score_burst(said, truth).at_rest);
  truth["frames_for_same_turn"] = 8.0;
  said["advice"] = {{"frames_for_same_turn", 10}};
  EXPECT_EQ(score_burst(said, truth).same_turn, 1.0 + 1.5 / 8.0);
  said["advice"] = {{"frames_for_same_turn", 8}};
  truth["frames_for_same_turn"] = 7.6;
  EXPECT_EQ(score_burst(said, truth).same_turn, 1.0);
  truth["drops"] = {{"lost", json::array()}, {"appeared", {{{"drop", 3}}}}};
  EXPECT_FALSE(score_burst(said, truth).at_rest);
}

TEST(ScoreGaps, AWidthsErrorIsCountedInItsSd) {
  json truth = truth_at({0.0, 1.0, 6.0, 7.0});
  truth["gaps"] = {{{"after", "b"}, {"before", "c"}, {"width_px", 5.0}}};
  json said = said_at({0.0, 1.0, 6.0, 7.0}, 0.1);
  said["gaps"] = {
      {{"after", "b"}, {"before", "c"}, {"width_px", 5.5}, {"width_sd_px", 0.25}},
      {{"after", "c"}, {"before", "d"}, {"width_px", 1.0}, {"width_sd_px", 0.25}}};  // none is due
  EXPECT_THAT(score_burst(said, truth).gap_widths_in_sd, ElementsAre(2.0));
  said["gaps"][0]["width_sd_px"] = nullptr;
  EXPECT_TRUE(score_burst(said, truth).gap_widths_in_sd.empty());
}

TEST(ScoreSteps, WidthsAreComparedWithTheirSign) {
  const auto step = [](const char* after, const char* before, double width_px) {
    return json{{"after", after}, {"before", before}, {"width_px", width_px}, {"width_sd_px", 0.5}};
  };
  const json truth = truth_at({0.0, 2.0, 3.0, 9.0});
  // The other sign, and b and c, truly 1 px apart, the other way round by 0.5 px.
  json said = said_at({0.0, -3.0, -2.5, -9.0}, 0.1);
  said["steps"] = {step("b", "d", 6.0), step("b", "c", 0.5), step("a", "c", 2.5)};
  // 6 for 7, 0.5 for -1, 2.5 for 3 px, in sds of 0.5.
  EXPECT_THAT(score_burst(said, truth).step_widths_in_sd, ElementsAre(-2.0, 3.0, -1.0));
  EXPECT_EQ(score_burst(said, truth).sign_right, false);
}

TEST(ScoreSteps, DarkFramesAndThoseBesideTheSubjectHaveNone) {
  json truth = truth_at({0.0, 1.0, 2.0, 3.0, 4.0});
  truth["frames"][0]["on_subject"] = false;
  truth["frames"][4]["flags"] = {"dark"};
  json said = said_at({0.0, 1.0, 2.0, 3.0, 4.0}, 0.1);
  said["steps"] = json::array();
  for (const auto& [after, before] : {std::pair("a", "b"), {"b", "c"}, {"c", "d"}, {"d", "e"}})
    said["steps"].push_back(
        {{"after", after}, {"before", before}, {"width_px", 1.0}, {"width_sd_px", 0.1}});
  EXPECT_THAT(score_burst(said, truth).step_widths_in_sd, ElementsAre(0.0, 0.0));
}

TEST(Merged, StepsOfAllBurstsOfAReportAreCounted) {
  const json step = {{"after", "a"}, {"before", "b"}, {"width_px", 1.0}, {"width_sd_px", 0.1}};
  const json whole = merged({{"bursts", {{{"steps", {step}}}, {{"steps", {step, step}}}}}});
  EXPECT_EQ(whole.at("steps").size(), 3U);
}

TEST(ScoreGaps, HalfOfTheTrueOneAndAtMostOneAndAHalfTimesAsWide) {
  // True: 0 to 4 px, a to b. Told: from a to c, or from c to b.
  const auto found = [](double at_c, const char* after, const char* before) {
    json truth = truth_at({0.0, 4.0, at_c});
    truth["gaps"] = {{{"after", "a"}, {"before", "b"}, {"width_px", 4.0}}};
    json said = said_at({0.0, 4.0, at_c}, 0.1);
    said["gaps"] = {{{"after", after}, {"before", before}, {"width_px", 4.0}}};
    return score_burst(said, truth).gaps.found == 1;
  };
  EXPECT_TRUE(found(5.997, "a", "c"));
  EXPECT_FALSE(found(6.003, "a", "c"));
  EXPECT_TRUE(found(1.999, "c", "b"));
  EXPECT_FALSE(found(2.001, "c", "b"));
}

TEST(ScoreEnds, TheFirstEndIsTheTruthsFirstEnd) {
  json truth = truth_at({2.0, 1.0, 0.0});
  truth["ends"] = {{{"end", "near"}, {"state", "open"}}, {{"end", "far"}, {"state", "covered"}}};
  json said = said_at({2.0, 1.0, 0.0}, 0.1);
  EXPECT_EQ(score_burst(said, truth).ends.has_value(), false);  // not checked
  said["ends"] = {{{"end", "first"}, {"state", "open"}}, {{"end", "last"}, {"state", "open"}}};
  EXPECT_THAT(*score_burst(said, truth).ends, Counts(1, 1, 1));
}

TEST(ScoreFlags, DarkAndDimAreCountedTogetherAndAlone) {
  json truth = truth_at({0.0, 1.0, 2.0, 3.0});
  truth["frames"][1]["flags"] = {"dark"};
  truth["frames"][2]["flags"] = {"dim"};
  json said = said_at({0.0, 1.0, 2.0, 3.0}, 0.1);
  said["frames"][1]["flags"] = {"dim"};
  said["frames"][3]["flags"] = {"dark"};
  const BurstScore s = score_burst(said, truth);
  EXPECT_THAT(*s.lit, Counts(1, 2, 1));
  EXPECT_THAT(*s.dark, Counts(0, 1, 1));
  EXPECT_THAT(*s.dim, Counts(0, 1, 1));
  for (json& frame : said["frames"]) frame.erase("flags");
  EXPECT_EQ(score_burst(said, truth).dark.has_value(), false);
}

TEST(ScoreFlags, ShakenFramesAreDueOnlyWhereTheyAreLookedFor) {
  json truth = truth_at({0.0, 1.0, 2.0});
  truth["frames"][1]["flags"] = {"shaken"};
  json said = said_at({0.0, 1.0, 2.0}, 0.1);
  said["checks_made"] = {"coverage"};
  EXPECT_EQ(score_burst(said, truth).shaken.has_value(), false);
  said["checks_made"] = {"coverage", "shaking"};
  said["frames"][0]["flags"] = {"shaken"};
  EXPECT_THAT(*score_burst(said, truth).shaken, Counts(0, 1, 1));
}

TEST(ScoreFlags, ShakenFramesOffTheSubjectAreNeitherDueNorFalse) {
  json truth = truth_at({0.0, 1.0, 2.0});
  truth["frames"][0]["flags"] = {"shaken"};
  truth["frames"][0]["on_subject"] = false;
  truth["frames"][2]["on_subject"] = false;
  json said = said_at({0.0, 1.0, 2.0}, 0.1);
  said["checks_made"] = {"shaking"};
  EXPECT_THAT(*score_burst(said, truth).shaken, Counts(0, 0, 0));
  said["frames"][0]["flags"] = {"shaken"};
  EXPECT_THAT(*score_burst(said, truth).shaken, Counts(0, 0, 0));
  said["frames"][2]["flags"] = {"shaken"};  // but it stood still
  EXPECT_THAT(*score_burst(said, truth).shaken, Counts(0, 0, 1));
}

/// A part of 10 x 10 px at (100, 50) of the picture, elsewhere from frame c on, by 3 px.
json truth_with_move() {
  json truth = truth_at({0.0, 1.0, 2.0, 3.0, 4.0});
  truth["moved"] = {{{"file", "c"}, {"scene_box", {0.0, 0.0, 10.0, 10.0}}, {"shift_px", 3.0}}};
  return truth;
}

json said_move(const char* file, const std::vector<double>& box) {
  json said = said_at({0.0, 1.0, 2.0, 3.0, 4.0}, 0.1);
  said["moved"] = {{{"file", file}, {"box", box}, {"shift_px", 2.5}}};
  return said;
}

TEST(ScoreMoves, ABoxMustCoverThirtyPercentWithinAFrame) {
  const json truth = truth_with_move();
  const auto moved = [&](const char* file, const std::vector<double>& box) {
    return *score_burst(said_move(file, box), truth).moved;
  };
  EXPECT_THAT(moved("d", {100.0, 50.0, 3.001, 10.0}), Counts(1, 1, 0));
  // In the right place but too small, or too late: missed, yet no false alarm.
  EXPECT_THAT(moved("c", {100.0, 50.0, 2.999, 10.0}), Counts(0, 1, 0));
  EXPECT_THAT(moved("e", {100.0, 50.0, 10.0, 10.0}), Counts(0, 1, 0));
  EXPECT_THAT(moved("c", {111.0, 50.0, 10.0, 10.0}), Counts(0, 1, 1));  // beside it
  EXPECT_THAT(moved("c", {0.0, 0.0, 100.0, 100.0}), Counts(0, 1, 1));   // around everything
  EXPECT_THAT(moved("c", {100.0, 50.0, 19.99, 10.0}), Counts(1, 1, 0));
  EXPECT_THAT(moved("c", {100.0, 50.0, 20.01, 10.0}), Counts(0, 1, 1));  // above twice its area
}

TEST(ScoreBurst, AFalseWarningIsOneThatTheSummarySpeaksOf) {
  json truth = truth_at({2.0, 1.0, 0.0});
  truth["ends"] = {{{"end", "far"}, {"state", "covered"}}};
  const auto warns = [&](const char* list, json what) {
    json said = said_at({2.0, 1.0, 0.0}, 0.1);
    said["checks_made"] = {"coverage", "shaking"};
    said[list] = std::move(what);
    return score_burst(said, truth).false_warning;
  };
  EXPECT_FALSE(warns("ends", json::array()));
  const auto end = [](double share) {
    return json{{{"end", "far"}, {"state", "open"}, {"subject_share", share}}};
  };
  EXPECT_TRUE(warns("ends", end(0.03)));
  EXPECT_FALSE(warns("ends", end(0.029)));
  const auto move = [](const char* kind, bool conflict) {
    return json{{{"file", "b"}, {"box", {0, 0, 9, 9}}, {"kind", kind}, {"conflict", conflict}}};
  };
  EXPECT_TRUE(warns("moved", move("stays", true)));
  EXPECT_TRUE(warns("moved", move("to-and-fro", false)));
  EXPECT_FALSE(warns("moved", move("stays", false)));  // stands in the report alone
  json frames = said_at({2.0, 1.0, 0.0}, 0.1)["frames"];
  EXPECT_FALSE(warns("frames", frames));
  frames[1]["flags"] = {"shaken"};
  EXPECT_TRUE(warns("frames", frames));
}

TEST(ScoreMoves, SizesAreTheTruthsAndTheReports) {
  const BurstScore s = score_burst(said_move("c", {100.0, 50.0, 10.0, 10.0}), truth_with_move());
  EXPECT_THAT(s.move_list.due, ElementsAre(IsSized(3.0, true)));
  EXPECT_THAT(s.move_list.told, ElementsAre(IsSized(2.5, true)));
  ASSERT_EQ(s.moves.size(), 1U);
  EXPECT_TRUE(s.moves[0].seen_there && s.moves[0].found);
  EXPECT_DOUBLE_EQ(*s.moves[0].error_px, -0.5);
  const BurstScore late = score_burst(said_move("e", {100.0, 50.0, 10.0, 10.0}), truth_with_move());
  ASSERT_EQ(late.moves.size(), 1U);
  EXPECT_TRUE(late.moves[0].seen_there);
  EXPECT_FALSE(late.moves[0].found);
  EXPECT_FALSE(late.moves[0].error_px);
  EXPECT_EQ(score_burst(said_at({0.0, 1.0, 2.0, 3.0, 4.0}, 0.1), truth_with_move()).moved,
            std::nullopt);
}

json lost(double x, double y, double radius_px, bool optional) {
  return {{"scene_x", x},     {"scene_y", y},         {"radius_px", radius_px},
          {"last_seen", "b"}, {"first_missing", "c"}, {"optional", optional}};
}

json told(double x, double y, const char* last_seen, const char* first_missing) {
  return {{"x", x},
          {"y", y},
          {"radius_px", 5.0},
          {"last_seen", last_seen},
          {"first_missing", first_missing}};
}

TEST(ScoreDrops, TheOptionalAreNeitherDueNorFalse) {
  json truth = truth_at({0.0, 1.0, 2.0, 3.0, 4.0});
  truth["drops"]["lost"] = {lost(40.0, 0.0, 3.0, true), lost(0.0, 0.0, 8.0, false),
                            lost(20.0, 0.0, 2.0, false)};
  json said = said_at({0.0, 1.0, 2.0, 3.0, 4.0}, 0.1);
  EXPECT_EQ(score_burst(said, truth).drops, std::nullopt);
  // 11.995 px from a drop of radius 8 is within 1.5 radii; 6.005 px from one of radius 2 is beyond
  // 6 px.
  said["drops"]["lost"] = {told(111.995, 50.0, "b", "d"), told(140.0, 50.0, "b", "c"),
                           told(126.005, 50.0, "b", "c")};
  const BurstScore s = score_burst(said, truth);
  EXPECT_THAT(*s.drops, Counts(1, 2, 1));
  EXPECT_THAT(*s.when, Counts(1, 2, 0));  // d is one frame late
  EXPECT_THAT(s.drop_list.due, ElementsAre(IsSized(8.0, true), IsSized(2.0, false)));
  EXPECT_THAT(s.drop_list.told, ElementsAre(IsSized(5.0, true), IsSized(5.0, false)));
  said["drops"]["lost"][0]["first_missing"] = "e";
  EXPECT_THAT(*score_burst(said, truth).when, Counts(0, 2, 0));
  EXPECT_THAT(*score_burst(said, truth).open, Counts(1, 2, 0));  // from b to e lies b to c
  said["drops"]["lost"][0]["last_seen"] = "d";
  EXPECT_THAT(*score_burst(said, truth).open, Counts(0, 2, 0));
}

TEST(Merged, ABurstThatWasSplitIsScoredOnTheSum) {
  json first = said_at({0.0, 1.0}, 0.1), second = said_at({2.0}, 0.1);
  second["moved"] = {{{"file", "a"}}};
  second["drops"]["lost"] = {told(0.0, 0.0, "a", "a")};
  const json whole = merged({{"bursts", {first, second}}});
  EXPECT_EQ(whole["split_into"], 2);
  EXPECT_EQ(whole["frames"].size(), 3U);
  EXPECT_EQ(whole["moved"].size(), 1U);
  EXPECT_EQ(whole["drops"]["lost"].size(), 1U);
  EXPECT_FALSE(merged({{"bursts", {first}}}).contains("moved"));
  EXPECT_TRUE(merged({{"bursts", json::array()}}).is_null());
}

}  // namespace
}  // namespace ringsweep::accuracy
