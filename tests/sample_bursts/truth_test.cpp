// The truth of a burst: made from known positions, and against truth files made by others.
#include "maker/truth.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "ringsweep/thin_lens.h"
#include "shared_folder.h"

namespace ringsweep::maker {
namespace {

using nlohmann::json;

constexpr double kVRef = 136.0;

/// A recipe whose frames focus at these positions; with D / p large the scale hardly changes, so
/// positions at v_ref and at the middle scale are alike but for a shift.
struct Burst {
  Recipe recipe;
  std::vector<FramePlan> plans;
  std::vector<float> subject;
};

Burst burst_at(const std::vector<double>& q_px, double subject_low, double subject_high) {
  Burst b;
  b.recipe.optics = {60.0, 60.0, 0.001, kVRef};
  b.recipe.flicker_sd_ev = 0.0;
  for (const double q : q_px) {
    b.recipe.v_mm.push_back(kVRef / (1.0 - q * 0.001 / 60.0));
  }
  b.plans = plan_frames(b.recipe);
  constexpr int kPixels = 10001;
  for (int i = 0; i < kPixels; ++i) {
    b.subject.push_back(
        static_cast<float>(std::lerp(subject_low, subject_high, i / (kPixels - 1.0))));
  }
  return b;
}

json truth(const Burst& b) { return truth_of(b.recipe, b.plans, {b.subject, {}, {}}); }

// Breathing of 12 px at D / p = 60,000 px is 2e-4: a px of 5 is right to 0.001, as printed.
constexpr double kTolerance = 0.004;

TEST(Truth, AStepWiderThanAllowedWithSubjectInsideIsAGap) {
  const json t = truth(burst_at({6, 4, 2, -3, -5}, -4.0, 5.0));
  EXPECT_EQ(t["format"], "burst-truth");
  EXPECT_EQ(t["version"], 1);
  EXPECT_EQ(t["verdict"], "reshoot");
  EXPECT_EQ(t["first_end"], "near");
  ASSERT_EQ(t["gaps"].size(), 1U);
  EXPECT_EQ(t["gaps"][0]["after"], t["frames"][2]["file"]);
  EXPECT_EQ(t["gaps"][0]["before"], t["frames"][3]["file"]);
  EXPECT_NEAR(t["gaps"][0]["width_px"].get<double>(), 5.0, kTolerance);
  // Farther than 2 px from both is the middle 1 px of a subject 9 px deep.
  EXPECT_NEAR(t["gaps"][0]["subject_share"].get<double>(), 1.0 / 9.0, 0.002);
  // 3 px over the largest step on the subject.
  EXPECT_NEAR(t["turn_factor"].get<double>(), 3.0 / 5.0, 0.001);
  EXPECT_NEAR(t["widest_step_px"].get<double>(), 5.0, kTolerance);
  // All five frames show some of the subject within 2 px.
  EXPECT_NEAR(t["frames_for_same_turn"].get<double>(), 5.0 * 5.0 / 3.0, 0.02);
}

TEST(Truth, AFrameThroughAnotherPupilIsSharpUpToTheLimitOfItsOwnBlur) {
  Burst b = burst_at({4, 1, -2, -5}, -4.0, 5.0);  // 3 px apart
  EXPECT_EQ(truth(b)["verdict"], "complete");
  EXPECT_FALSE(truth(b)["frames"][0].contains("blur"));
  // Twice as wide, each is sharp 1 px to either side: the middle third of each step is in none.
  for (FramePlan& p : b.plans) p.pupil_factor = 2.0;
  const json wide = truth(b);
  EXPECT_EQ(wide["verdict"], "reshoot");
  EXPECT_EQ(wide["frames"][0]["blur"], 2.0);
  ASSERT_EQ(wide["gaps"].size(), 3U);
  EXPECT_NEAR(wide["gaps"][0]["width_px"].get<double>(), 3.0, kTolerance);
  EXPECT_NEAR(wide["gaps"][0]["subject_share"].get<double>(), 1.0 / 9.0, 0.002);
  EXPECT_NEAR(wide["widest_step_px"].get<double>(), 6.0, 2.0 * kTolerance);
  EXPECT_NEAR(wide["turn_factor"].get<double>(), 3.0 / 3.0, 0.001) << "as told, by the recipe's";
  // Among wide ones one that is sharp 4 px to either side covers what it alone reaches: of -6 to 2
  // and of 0 to 2, 3 to 5 nothing but 2 to 3 is left out.
  b.plans[2].pupil_factor = 0.5;
  const json mixed = truth(b);
  ASSERT_EQ(mixed["gaps"].size(), 1U);
  EXPECT_EQ(mixed["gaps"][0]["after"], mixed["frames"][0]["file"]);
  EXPECT_EQ(mixed["gaps"][0]["before"], mixed["frames"][2]["file"]);
  EXPECT_NEAR(mixed["gaps"][0]["subject_share"].get<double>(), 1.0 / 9.0, 0.002);
}

TEST(Truth, TheWidestStepIsOneWithSubjectInside) {
  // 6 px over air, 2.2 px into the subject.
  const json t = truth(burst_at({12, 6, 3.8, 2, 0, -2, -4}, -4.0, 5.0));
  EXPECT_NEAR(t["widest_step_px"].get<double>(), 2.2, kTolerance);
}

TEST(Truth, AWideStepOverAirIsNoGap) {
  EXPECT_EQ(truth(burst_at({12, 6.5, 4, 2, 0, -2, -4}, -4.0, 5.0))["verdict"], "complete");
}

TEST(Truth, DarkFramesCoverNothingButTheRingTurnedForThem) {
  Burst b = burst_at({6, 4, 2, 0.5, -1, -3, -5}, -4.0, 5.0);
  EXPECT_EQ(truth(b)["verdict"], "complete");
  b.plans[3].exposure_ev = b.plans[4].exposure_ev = -4.0;
  b.plans[1].exposure_ev = -1.2;
  const json t = truth(b);
  EXPECT_EQ(t["frames"][3]["flags"], json::array({"dark"}));
  EXPECT_EQ(t["frames"][1]["flags"], json::array({"dim"}));
  ASSERT_EQ(t["gaps"].size(), 1U);
  EXPECT_EQ(t["gaps"][0]["after"], t["frames"][2]["file"]);
  EXPECT_EQ(t["gaps"][0]["before"], t["frames"][5]["file"]);
  EXPECT_NEAR(t["turn_factor"].get<double>(), 1.5, 0.001);
}

TEST(Truth, ASweepThatStartsLateLeavesTheNearEndOpen) {
  const json t = truth(burst_at({1, -0.5, -2, -4, -6}, -4.0, 5.0));
  const double near_px = t["subject_px"][1], first_px = t["frames"][0]["focus_px"];
  EXPECT_EQ(t["verdict"], "reshoot");
  EXPECT_EQ(t["ends"][0]["end"], "near");
  EXPECT_EQ(t["ends"][0]["state"], "open");
  EXPECT_NEAR(t["ends"][0]["beyond_px"].get<double>(), near_px - first_px,
              0.002);                                               // rounded thrice
  EXPECT_NEAR(near_px - first_px, 0.955 + 3.0, 0.01 + kTolerance);  // 99.5 % of -4 .. 5 is 4.955
  EXPECT_EQ(t["ends"][1]["state"], "covered");
}

TEST(Truth, FarFirstIsNamedAndGapsKeepTheOrderOfCapture) {
  const json t = truth(burst_at({-5, -3, 2, 4, 6}, -4.0, 5.0));
  EXPECT_EQ(t["first_end"], "far");
  ASSERT_EQ(t["gaps"].size(), 1U);
  EXPECT_EQ(t["gaps"][0]["after"], t["frames"][1]["file"]);
  EXPECT_EQ(t["gaps"][0]["before"], t["frames"][2]["file"]);
}

TEST(Truth, FramesOnAirAreNotOnTheSubject) {
  const json t = truth(burst_at({8, 6.9, 5, 0, -5, -6.1}, -4.0, 5.0));
  std::vector<bool> on;
  for (const auto& f : t["frames"]) on.push_back(f["on_subject"]);
  // Within 2 px of 6.9 lie 4.9 to 5.0: 1 % of the subject; of -6.1 nothing.
  EXPECT_EQ(on, (std::vector<bool>{false, true, true, true, true, false}));
}

// Of the frames at 6, 4, 2, 0, -2, -4 the part lies at 0 to 3 px: seen sharp before and after.
Burst with_move(int frame, double shift_px) {
  Burst b = burst_at({6, 4, 2, 0, -2, -4}, -4.0, 5.0);
  b.recipe.moves = {{.part = "head", .frame = frame, .shift_px = shift_px}};
  return b;
}

SeenMove seen_move(const Move& of) {
  SeenMove move{.part = "head",
                .frame = of.frame,
                .kind = of.kind,
                .shift_px = of.shift_px,
                .box_px = {10, 20, 30, 40},
                .before_px = {},
                .after_px = {}};
  for (int i = 0; i <= 300; ++i) move.before_px.push_back(0.01 * i);
  move.after_px = move.before_px;
  return move;
}

json truth_with_move(const Burst& b) {
  return truth_of(b.recipe, b.plans, {b.subject, {seen_move(b.recipe.moves[0])}, {}});
}

TEST(Truth, APartThatMovesWhileItIsSharpIsAConflict) {
  const json t = truth_with_move(with_move(4, 5.0));
  ASSERT_EQ(t["moved"].size(), 1U);
  const json& m = t["moved"][0];
  EXPECT_EQ(m["file"], t["frames"][3]["file"]);
  EXPECT_EQ(m["conflict"], true);
  EXPECT_NEAR(m["shift_px"].get<double>(), 5.0, 0.01);
  // Before it the frame at 2 px shows 0 to 3 within 2 px, after it that at 0 px shows 0 to 2.
  EXPECT_NEAR(m["sharp_before"].get<double>(), 1.0, 0.01);
  EXPECT_NEAR(m["sharp_after"].get<double>(), 2.0 / 3.0, 0.01);
  EXPECT_EQ(t["verdict"], "reshoot");  // neither half covers the subject
}

TEST(Truth, WhatMovesByLessThanTheBlurLimitOrWhileBlurredIsNone) {
  EXPECT_EQ(truth_with_move(with_move(4, 1.5))["moved"][0]["conflict"], false);
  EXPECT_EQ(truth_with_move(with_move(4, 1.5))["verdict"], "complete");
  EXPECT_EQ(truth_with_move(with_move(6, 5.0))["moved"][0]["conflict"], false);  // sharp no more
}

TEST(Truth, HowFarAPartGoesToAndFroIsToldByTheFramesThatShowIt) {
  Burst b = burst_at({9, 6, 5, 4, 3, 2, 1, 0, -1, -8}, -4.0, 5.0);
  b.recipe.moves = {{.part = "head", .frame = 3, .shift_px = 5.0, .kind = Move::Kind::to_and_fro}};
  SeenMove move = seen_move(b.recipe.moves[0]);
  // The middle of the part is at 1.5 px. Frames at 6 px and -8 px are too far off: none counts.
  move.shares = {0, 0, 1, -1, 1, -1, 1, -1, 1, 90};
  const json t = truth_of(b.recipe, b.plans, {b.subject, {move}, {}});
  // Seven places of +1 and -1, four and three: squares about the mean of 1/7 are 7 - 1/7.
  const double sd = std::sqrt((7.0 - 1.0 / 7.0) / 6.0);
  EXPECT_NEAR(t["moved"][0]["shift_px"].get<double>(), 5.0 * 2.0 * sd, 0.01);  // rounded
}

TEST(Truth, OnePoseThatCoversAloneIsCompleteWithoutTheOthers) {
  Burst b = burst_at({6, 4, 2, 0, -2, -4, 0, 2}, -4.0, 5.0);
  b.recipe.moves = {{.part = "head", .frame = 7, .shift_px = 5.0}};
  EXPECT_EQ(truth_with_move(b)["verdict"], "complete-without");
}

TEST(Truth, ADropThatGoesIsAConflictOnlyWhereFramesOnBothSidesShowItSharp) {
  Burst b = burst_at({6, 4, 2, 0, -2, -4}, -4.0, 5.0);
  b.recipe.drops = {{.drop = 1, .frame = 4}, {.drop = 2, .frame = 4}, {.drop = 3, .frame = 4}};
  const auto drop = [](double q_px, double visible) {
    return SeenDrop{.x_px = 1, .y_px = 2, .radius_px = 5, .q_px = q_px, .visible = visible};
  };
  const json t =
      truth_of(b.recipe, b.plans, {b.subject, {}, {drop(1, 0.9), drop(4, 0.9), drop(1, 0.1)}});
  const json& lost = t["drops"]["lost"];
  ASSERT_EQ(lost.size(), 3U);
  EXPECT_EQ(lost[0]["last_seen"], t["frames"][2]["file"]);
  EXPECT_EQ(lost[0]["first_missing"], t["frames"][3]["file"]);
  EXPECT_EQ(lost[0]["conflict"], true);
  EXPECT_EQ(lost[0]["optional"], false);
  EXPECT_EQ(lost[1]["conflict"], false) << "4 px from the next frame";
  EXPECT_EQ(lost[1]["optional"], false);
  EXPECT_EQ(lost[2]["conflict"], false) << "hidden";
  EXPECT_EQ(lost[2]["optional"], true);
  EXPECT_EQ(t["drops"]["visible"], 2);
}

TEST(Truth, WhatIsShakenCutShortOrLitInPartCoversNothing) {
  for (const int spoilt : {0, 1, 2, 3}) {
    Burst b = burst_at({6, 4, 1, -2, -4}, -4.0, 5.0);
    if (spoilt == 1) b.plans[2].shake_x_px = 3.0;
    if (spoilt == 2) b.plans[2].cut_short = true;
    if (spoilt == 3) b.plans[2].lit_to = 0.5;
    const json t = truth(b);
    EXPECT_EQ(t["gaps"].size(), spoilt == 0 ? 0U : 1U) << spoilt;
    const std::vector<json> flags{json::array(), {"shaken"}, {"unreadable"}, {"partly-lit"}};
    EXPECT_EQ(t["frames"][2]["flags"], flags[static_cast<std::size_t>(spoilt)]);
  }
}

TEST(Truth, AFrameMissingOnTheCardIsNotListedAndCoversNothing) {
  Burst b = burst_at({6, 4, 1, -2, -4}, -4.0, 5.0);
  b.plans[2].written = false;
  const json t = truth(b);
  EXPECT_EQ(t["frames"].size(), 4U);
  EXPECT_EQ(t["frames"][2]["index"], 3);
  EXPECT_EQ(t["gaps"].size(), 1U);
}

// Half the flash and ambient light of -1 EV: (1/2 + 1/2) / (1 + 1/2) = -0.585 EV.
TEST(Truth, AmbientLightCountsInDarkAndInLitFrames) {
  Burst b = burst_at({6, 4, 1, -2, -4}, -4.0, 5.0);
  for (FramePlan& p : b.plans) p.ambient_ev = -1.0;
  b.plans[2].exposure_ev = -1.0;
  EXPECT_NEAR(truth(b)["frames"][2]["exposure_ev"].get<double>(), std::log2(1.0 / 1.5), 0.001);
}

TEST(Truth, SwayInDepthIsAnotherPositionOfTheSameRing) {
  Burst b = burst_at({6, 4, 2, 0, -2, -4}, -4.0, 5.0);
  const json still = truth(b);
  b.recipe.sways = {{.first = 3, .last = 3, .depth_px = 1.5}};
  const json t = truth(b);
  EXPECT_NEAR(t["frames"][2]["focus_px"].get<double>(),
              still["frames"][2]["focus_px"].get<double>() - 1.5, kTolerance);
  EXPECT_EQ(t["frames"][2]["ring_px"], still["frames"][2]["ring_px"]);
  EXPECT_EQ(t["turn_factor"], still["turn_factor"]);
}

TEST(Truth, AgreesWithRayTracedBursts) {
  const auto bursts = shared_folder() / "rendered-bursts" / "beetle";
  if (!std::filesystem::exists(bursts)) GTEST_SKIP() << bursts << " is not here";
  int compared = 0;
  for (const auto& entry : std::filesystem::directory_iterator(bursts)) {
    std::ifstream in(entry.path() / "truth.json");
    const json theirs = json::parse(in);
    const json& camera = theirs["camera"];
    Recipe recipe;
    recipe.optics = {camera["focal_length_mm"], camera["aperture_diameter_mm"],
                     camera["pixel_pitch_mm"], camera["v_ref_mm"]};
    recipe.width_px = theirs["width"];
    recipe.height_px = theirs["height"];
    recipe.flicker_sd_ev = 0.0;
    for (const auto& f : theirs["frames"]) recipe.v_mm.push_back(f["v_mm"]);
    auto plans = plan_frames(recipe);
    std::vector<float> subject;  // two points: their ends are what is known of it
    for (std::size_t k = 0; k < plans.size(); ++k) {
      const auto& f = theirs["frames"][k];
      plans[k].shift_x_px = f["shift_x_px"];
      plans[k].shift_y_px = f["shift_y_px"];
      plans[k].rotation_deg = f["rotation_deg"];
      if (!f["flags"].empty()) plans[k].exposure_ev = -4.0;
    }
    const ThinLens lens{recipe.optics.pupil_mm, recipe.optics.pitch_mm};
    for (const char* end : {"v_far_0_5", "v_near_99_5"}) {
      subject.push_back(static_cast<float>(
          focal_position_px(lens, recipe.optics.v_ref_mm, theirs["subject"][end])));
    }
    const json ours = truth_of(recipe, plans, {subject, {}, {}});
    for (std::size_t k = 0; k < plans.size(); ++k) {
      const auto& a = ours["frames"][k];
      const auto& b = theirs["frames"][k];
      // v_mm is printed to 1e-4 mm: 0.0003 px; focus_px to 0.001.
      EXPECT_NEAR(a["focus_px"].get<double>(), b["focus_px"].get<double>(), 0.002)
          << entry.path() << k;
      EXPECT_NEAR(a["u_mm"].get<double>(), b["u_mm"].get<double>(), 0.001) << entry.path() << k;
      for (std::size_t i = 0; i < 4; ++i) {
        // Rotation is printed to 0.001 degree, shifts to 0.001 px.
        EXPECT_NEAR(a["from_scene"][i].get<double>(), b["from_scene"][i].get<double>(),
                    i < 2 ? 2e-5 : 0.002)
            << entry.path() << k << " entry " << i;
      }
      ++compared;
    }
    for (std::size_t i = 0; i < 2; ++i) {
      EXPECT_NEAR(ours["subject_px"][i].get<double>(), theirs["subject_px"][i].get<double>(), 0.3)
          << entry.path();
      EXPECT_EQ(ours["ends"][i]["state"], theirs["ends"][i]["state"]) << entry.path();
    }
    EXPECT_EQ(ours["first_end"], theirs["first_end"]);
  }
  EXPECT_GT(compared, 100);
}

}  // namespace
}  // namespace ringsweep::maker
