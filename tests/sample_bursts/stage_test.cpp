// The hand on the ring, and what moves on stage.
#include "maker/stage.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/core.hpp>
#include <utility>

#include "maker/burst.h"
#include "maker/scenes.h"

namespace ringsweep::maker {
namespace {

Recipe one_sweep() {
  Recipe recipe;
  recipe.sweeps[0] = {.from_px = 10.0, .to_px = -10.0};
  return recipe;
}

std::vector<double> positions(const Recipe& recipe) {
  std::vector<double> q;
  for (const FramePlan& p : plan_frames(recipe)) q.push_back(p.ref_q_px);
  return q;
}

constexpr double kSame = 1e-9;

TEST(Hand, RestsWhereItIsTold) {
  Recipe recipe = one_sweep();
  recipe.sweeps[0].hesitations = {{.at_px = 2.0, .frames = 3}};
  const auto q = positions(recipe);
  int still = 0;
  for (std::size_t k = 1; k < q.size(); ++k) {
    if (std::abs(q[k] - q[k - 1]) > kSame) continue;
    ++still;
    EXPECT_LT(q[k], 2.0 + kSame);
    EXPECT_GT(q[k], 2.0 - recipe.sweeps[0].largest_step_px - kSame);
  }
  EXPECT_EQ(still, 3);
}

TEST(Hand, TurnsBackByAsMuchAndGoesOn) {
  Recipe recipe = one_sweep();
  recipe.sweeps[0].hesitations = {{.at_px = 2.0, .back_px = 4.0}};
  const auto q = positions(recipe);
  const auto lowest = std::ranges::find_if(q, [](double x) { return x < 2.0; });
  const auto turned = std::ranges::max_element(lowest, q.end());
  // Back by 4 px or by as much as the last step is wide beyond it.
  EXPECT_GE(*turned - *lowest, 4.0 - recipe.sweeps[0].largest_step_px - kSame);
  EXPECT_LE(*turned - *lowest, 4.0 + recipe.sweeps[0].largest_step_px + kSame);
  EXPECT_LT(q.back(), -10.0 + recipe.sweeps[0].largest_step_px);
}

TEST(Hand, PlayIsLostAtEachTurn) {
  Recipe recipe = one_sweep();
  recipe.sweeps[0].hesitations = {{.at_px = 2.0, .back_px = 4.0, .play_px = 5.0}};
  const auto q = positions(recipe);
  const auto still = std::count_if(q.begin() + 1, q.end(), [&, last = q[0]](double x) mutable {
    return std::abs(std::exchange(last, x) - x) < kSame;
  });
  // 5 px of play, steps of 0.6 to 2.2 px: two whole steps at least at each of two turns.
  EXPECT_GE(still, 4);
}

TEST(Hand, TheRingsEndStopsIt) {
  Recipe recipe = one_sweep();
  recipe.sweeps[0].end_stop_px = -3.0;
  const auto q = positions(recipe);
  ASSERT_GT(q.size(), 5U);
  EXPECT_EQ(std::ranges::count(q, q.back()), 4);
  EXPECT_NEAR(q.back(), -3.0, kSame);
}

TEST(Hand, SweepsFollowEachOtherAfterAPause) {
  Recipe recipe = one_sweep();
  recipe.interval_sd_s = 0.0;
  recipe.sweeps.push_back({.from_px = -10.0, .to_px = 10.0, .pause_s = 2.0});
  recipe.sweeps[1].pupil_factor = 0.8;
  const auto plans = plan_frames(recipe);
  const auto second = std::ranges::find(plans, std::size_t{1}, &FramePlan::sweep);
  ASSERT_NE(second, plans.end());
  EXPECT_LT((second - 1)->ref_q_px, -10.0 + 2.2);
  EXPECT_NEAR(second->ref_q_px, -10.0, kSame);
  EXPECT_EQ(second->pupil_factor, 0.8);
  const auto seconds = [](const FramePlan& p) { return std::stod(p.time.substr(17)); };
  EXPECT_NEAR(seconds(*second) - seconds(*(second - 1)), 2.1, 0.0015);  // printed to 1 ms
}

TEST(Hand, AFullBufferSlowsIt) {
  Recipe recipe = one_sweep();
  recipe.interval_sd_s = 0.0;
  recipe.buffer_frames = 8;
  const auto plans = plan_frames(recipe);
  const auto seconds = [&](std::size_t k) { return std::stod(plans[k].time.substr(17)); };
  EXPECT_NEAR(seconds(7) - seconds(6), 0.1, 0.0015);
  EXPECT_NEAR(seconds(8) - seconds(7), 0.35, 0.0015);
}

TEST(Hand, InnerFocusingBreathesByItsFactor) {
  Recipe recipe = one_sweep();
  const auto unit = plan_frames(recipe);
  recipe.optics.focusing = Focusing::internal;
  recipe.optics.breathing = -0.5;
  const auto inner = plan_frames(recipe);
  for (std::size_t k = 0; k < unit.size(); ++k)
    EXPECT_NEAR(std::log(inner[k].scale), -0.5 * std::log(unit[k].scale), 1e-12);
}

Recipe small_varied() {
  Recipe recipe = one_sweep();
  recipe.scene = SceneKind::varied;
  recipe.seed = 4;
  recipe.perch = Perch::stem;
  recipe.blade = false;
  recipe.width_px = 200;
  recipe.height_px = 150;
  recipe.raster_per_px = 1.5;
  recipe.optics.pitch_mm = 0.087;
  return recipe;
}

/// Raster px whose front differs between two frames, as shares of the picture.
double share_that_differs(Stage& stage, std::size_t one, std::size_t other) {
  const Scene a = stage.scene(one);
  const Scene& b = stage.scene(other);
  EXPECT_EQ(a.tiles.size(), b.tiles.size());
  std::size_t fewer = 0, differ = 0, all = 0;
  for (std::size_t t = 0; t < a.tiles.size(); ++t) {
    fewer = std::min(a.tiles[t].size(), b.tiles[t].size());
    all += std::max(a.tiles[t].size(), b.tiles[t].size());
    differ += std::max(a.tiles[t].size(), b.tiles[t].size()) - fewer;
    for (std::size_t i = 0; i < fewer; ++i)
      differ += a.tiles[t][i].q_px != b.tiles[t][i].q_px ? 1U : 0U;
  }
  return static_cast<double>(differ) / static_cast<double>(all);
}

TEST(Stage, APartMovesByTheAskedPxFromItsFrameOn) {
  for (const char* part : {"head", "leg-1", "antenna-2", "abdomen"}) {
    Recipe recipe = small_varied();
    recipe.moves = {{.part = part, .frame = 5, .shift_px = 3.0, .way_deg = 60.0}};
    Stage stage(recipe);
    ASSERT_EQ(stage.sight().moves.size(), 1U) << part;
    // The angle is sought in four rounds, each at least ten times nearer.
    EXPECT_NEAR(stage.sight().moves[0].shift_px, 3.0, 0.003) << part;
    EXPECT_EQ(stage.pose(0), stage.pose(3)) << part;
    EXPECT_EQ(stage.pose(4), stage.pose(9)) << part;
    EXPECT_GT(share_that_differs(stage, 3, 4), 0.001) << part;
  }
}

TEST(Stage, WhatTheHeadCarriesMovesAlong) {
  Recipe recipe = small_varied();
  recipe.moves = {{.part = "head", .frame = 2, .shift_px = 3.0}};
  Stage stage(recipe);
  const Cast& cast = stage.cast();
  const Pose pose = stage.pose(1);
  for (std::size_t p = 0; p < cast.parts.size(); ++p) {
    const cv::Vec3f at = cast.parts[p].joint + cv::Vec3f(20, 10, 5);
    const bool moves = cv::norm(posed(cast, pose, static_cast<std::uint8_t>(p), at) - at) > 1e-4;
    const std::string& name = cast.parts[p].name;
    EXPECT_EQ(moves, name == "head" || name.starts_with("antenna")) << name;
  }
}

TEST(Stage, DropsGoAppearRollAndMerge) {
  Recipe recipe = small_varied();
  recipe.drops = {{.kind = DropEvent::Kind::gone, .drop = 1, .frame = 3},
                  {.kind = DropEvent::Kind::appears, .drop = 2, .frame = 3},
                  {.kind = DropEvent::Kind::rolls, .drop = 3, .frame = 3, .shift_px = 4.0},
                  {.kind = DropEvent::Kind::merges, .drop = 4, .frame = 3}};
  Stage stage(recipe);
  ASSERT_GE(stage.cast().drops.size(), 5U);
  const Light light = light_from(0.0F, Lights::square);
  const auto drops_in = [&](std::size_t k) {
    std::map<int, Ellipsoid> found;
    for (const Object& o : objects_of(stage.cast(), stage.pose(k), light))
      if (o.drop > 0) found[o.drop] = std::get<Ellipsoid>(o.solids[0]);
    return found;
  };
  const auto before = drops_in(1), after = drops_in(2);
  EXPECT_TRUE(before.contains(1) && !after.contains(1));
  EXPECT_TRUE(!before.contains(2) && after.contains(2));
  EXPECT_NEAR(after.at(3).centre[1] - before.at(3).centre[1], 4.0 * 1000.0 / 200.0, 1e-3);
  EXPECT_TRUE(before.contains(4) && !after.contains(4));
  // The volume of the fourth is in another one.
  double volume_before = 0.0, volume_after = 0.0;
  for (const auto& [number, e] : before)
    if (number > 3) volume_before += std::pow(e.half[0], 3.0);
  for (const auto& [number, e] : after)
    if (number > 3 ||
        (number > 0 && before.contains(number) && e.half[0] != before.at(number).half[0]))
      volume_after += std::pow(e.half[0], 3.0);
  for (const auto& [number, e] : before)
    if (number <= 3 && after.contains(number) && after.at(number).half[0] != e.half[0])
      volume_before += std::pow(e.half[0], 3.0);
  EXPECT_NEAR(volume_after, volume_before, 1e-3 * volume_before);
}

TEST(Stage, AnUnknownPartOrDropIsRefused) {
  Recipe recipe = small_varied();
  recipe.moves = {{.part = "tail", .frame = 2, .shift_px = 3.0}};
  EXPECT_THROW(Stage stage(recipe), std::invalid_argument);
  recipe.moves.clear();
  recipe.drops = {{.drop = 999, .frame = 2}};
  EXPECT_THROW(Stage stage(recipe), std::invalid_argument);
}

TEST(VariedCast, EverySeedAndPerchHasAnAnimalInThePicture) {
  const Light light = light_from(0.0F, Lights::two);
  for (const Perch perch : {Perch::seed_head, Perch::stem, Perch::leaf})
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
      const Cast cast = varied_cast(seed, perch, light, 640);
      EXPECT_EQ(cast.parts.size(), 12U);
      const double depth = depth_range(cast).depth_u();
      EXPECT_GT(depth, 100.0) << seed;
      EXPECT_LT(depth, 1000.0) << seed;
      for (const Drop& drop : cast.drops) {
        EXPECT_GE(drop.radius * 0.64F, 2.0F - 1e-3F);
        EXPECT_LE(drop.radius * 0.64F, 15.0F + 1e-3F);
      }
      for (const Object& o : cast.objects)
        if (o.part == 3)
          if (const auto* e = std::get_if<Ellipsoid>(&o.solids[0])) {
            EXPECT_LT(std::abs(e->centre[0]), 500.0F) << "the head, seed " << seed;
          }
    }
}

}  // namespace
}  // namespace ringsweep::maker
