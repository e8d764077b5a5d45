// Recipes, plans and whole small bursts.
#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <regex>

#include "maker/burst.h"
#include "maker/random.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

Recipe small_recipe() {
  Recipe recipe;
  recipe.name = "small";
  recipe.width_px = 200;
  recipe.height_px = 150;
  recipe.raster_per_px = 1.5;
  recipe.optics.pitch_mm = 0.087;  // the same sensor, fewer pixels: the subject is 4.5 px deep
  recipe.sweeps[0].from_px = 4.0;
  recipe.sweeps[0].to_px = -4.0;
  return recipe;
}

std::filesystem::path scratch(const std::string& name) {
  const auto folder = std::filesystem::path(testing::TempDir()) / ("burst_maker_" + name);
  std::filesystem::remove_all(folder);
  std::filesystem::create_directories(folder);
  return folder;
}

Result<Recipe> recipe_from_text(const std::string& text) {
  const auto file = scratch("recipe") / "recipe.json";
  std::ofstream(file) << text;
  return read_recipe(file);
}

TEST(Random, NormalDeviatesHaveMeanZeroAndVarianceOne) {
  double sum = 0.0, square = 0.0;
  constexpr int kCount = 200000;
  for (int i = 0; i < kCount; ++i) {
    const double x = normal_from_hash(hash(5, static_cast<std::uint64_t>(i)));
    sum += x;
    square += x * x;
  }
  // 4 sd of the mean and of the variance of 200,000 deviates.
  EXPECT_NEAR(sum / kCount, 0.0, 4.0 / std::sqrt(kCount));
  EXPECT_NEAR(square / kCount, 1.0, 4.0 * std::sqrt(2.0 / kCount));
}

TEST(PlanFrames, StepsStayWithinTheHandsLimits) {
  Recipe recipe;
  recipe.sweeps[0].smallest_step_px = 0.6;
  recipe.sweeps[0].largest_step_px = 2.2;
  const auto plans = plan_frames(recipe);
  ASSERT_GT(plans.size(), 15U);
  EXPECT_NEAR(plans.front().ref_q_px, recipe.sweeps[0].from_px, 1e-9);
  EXPECT_GE(plans.back().ref_q_px, recipe.sweeps[0].to_px - 1e-9);
  for (std::size_t k = 0; k + 1 < plans.size(); ++k) {
    const double step = plans[k].ref_q_px - plans[k + 1].ref_q_px;
    EXPECT_GE(step, 0.6 - 1e-6) << k;
    EXPECT_LE(step, 2.2 + 1e-6) << k;
    EXPECT_GT(plans[k].v_mm, plans[k + 1].v_mm) << "nearer focus needs a longer image distance";
    EXPECT_LT(plans[k].time, plans[k + 1].time) << k;
  }
}

TEST(PlanFrames, AJumpIsOneStepOfItsWidthAroundItsPlace) {
  Recipe recipe;
  recipe.sweeps[0].jumps = {{.at_px = 1.0, .width_px = 7.0}};
  int jumps = 0;
  const auto plans = plan_frames(recipe);
  for (std::size_t k = 0; k + 1 < plans.size(); ++k) {
    const double step = plans[k].ref_q_px - plans[k + 1].ref_q_px;
    if (step < 2.3) continue;
    ++jumps;
    EXPECT_NEAR(step, 7.0, 1e-9);
    EXPECT_LT(plans[k + 1].ref_q_px, 1.0);
    EXPECT_GT(plans[k].ref_q_px, 1.0);
  }
  EXPECT_EQ(jumps, 1);
}

TEST(PlanFrames, HazeStaysOrGrowsEvenlyToTheLastFrame) {
  Recipe recipe = small_recipe();
  recipe.haze = {.from_frame = 3, .share = 0.2};
  auto plans = plan_frames(recipe);
  const std::size_t last = plans.size() - 1;
  ASSERT_GT(last, 3U);
  EXPECT_EQ(plans[1].haze, 0.0);
  EXPECT_EQ(plans[2].haze, 0.2);
  EXPECT_EQ(plans[last].haze, 0.2);
  recipe.haze.grows = true;
  plans = plan_frames(recipe);
  EXPECT_EQ(plans[1].haze, 0.0);
  EXPECT_DOUBLE_EQ(plans[last].haze, 0.2);
  // Rounding alone.
  for (std::size_t k = 2; k <= last; ++k)
    EXPECT_NEAR(plans[k].haze - plans[k - 1].haze, 0.2 / static_cast<double>(last - 1), 1e-12);
}

TEST(PlanFrames, TimesPassMidnight) {
  Recipe recipe = small_recipe();
  recipe.start_time = "2024:12:31 23:59:59.900";
  recipe.interval_sd_s = 0.0;
  const auto plans = plan_frames(recipe);
  EXPECT_EQ(plans[0].time, "2024:12:31 23:59:59.900");
  EXPECT_EQ(plans[1].time, "2025:01:01 00:00:00.000");
}

TEST(ReadRecipe, SaysWhatIsWrong) {
  const auto problem = [](const std::string& text) {
    const auto recipe = recipe_from_text(text);
    return recipe ? std::string("none") : recipe.error().problem;
  };
  EXPECT_EQ(problem(R"({"name": "a"})"), "none");
  EXPECT_NE(problem(R"({"nmae": "a"})").find("'nmae'"), std::string::npos);
  EXPECT_NE(problem(R"({"optics": {"pupil_mm": "wide"}})").find("'pupil_mm'"), std::string::npos);
  EXPECT_NE(problem(R"({"optics": {"v_ref_mm": 50}})").find("focal length"), std::string::npos);
  EXPECT_NE(problem(R"({"start_time": "yesterday"})").find("start_time"), std::string::npos);
  EXPECT_NE(problem("{").find("JSON"), std::string::npos);
  EXPECT_NE(problem(R"({"first_number": 1e300})").find("'first_number'"), std::string::npos);
  EXPECT_NE(problem(R"({"width_px": 3000000000})").find("'width_px'"), std::string::npos);
  EXPECT_NE(problem(R"({"seed": -1})").find("'seed'"), std::string::npos);
  EXPECT_NE(problem(R"({"cut_short": [1, "a"]})").find("'cut_short'"), std::string::npos);
  EXPECT_NE(problem(R"({"first_number": 2147483647})").find("first number"), std::string::npos);
  EXPECT_NE(problem(R"({"interval_s": 1e30})").find("time"), std::string::npos);
  EXPECT_FALSE(read_recipe("/no/such/recipe.json"));
}

// A million lists in each other are more than a stack of 8 MB holds, at 8 bytes a level already.
TEST(ReadRecipe, AsDeepAsAFileCanBe) {
  const std::string deep = std::string(1'000'000, '[') + std::string(1'000'000, ']');
  EXPECT_TRUE(recipe_from_text("{\"comment\": " + deep + "}"));
  for (const char* field : {"name", "optics", "sweep", "v_mm", "unknown"})
    EXPECT_FALSE(recipe_from_text("{\"" + std::string(field) + "\": " + deep + "}")) << field;
}

TEST(PlanFrames, AHesitationIsNoLongerThanASweepCanBe) {
  Recipe recipe = small_recipe();
  recipe.sweeps[0].hesitations = {
      {.at_px = 0.0, .frames = std::numeric_limits<int>::max(), .back_px = 0.0, .play_px = 0.0}};
  EXPECT_LT(plan_frames(recipe).size(), 5000U);
}

TEST(TakeFrame, SameRecipeSamePixelsOnAnyNumberOfThreads) {
  const Recipe recipe = small_recipe();
  const auto plans = plan_frames(recipe);
  const cv::Mat first = take_frame(Stage(recipe).scene(3), recipe, plans[3]);
  cv::Mat second;
  {
    const tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
    second = take_frame(Stage(recipe).scene(3), recipe, plans[3]);
  }
  EXPECT_EQ(cv::norm(first, second, cv::NORM_INF), 0.0);

  Recipe other = recipe;
  other.seed = recipe.seed + 1;
  EXPECT_GT(cv::norm(first, take_frame(Stage(other).scene(3), other, plans[3]), cv::NORM_INF),
            10.0);
}

TEST(TakeFrame, LightFallsWithTheSquareOfTheImageDistance) {
  // Same pupil, farther from the sensor: illuminance ~ (D / v)^2. Seen on the far meadow, the upper
  // left corner, which no focus changes.
  Recipe recipe = small_recipe();
  recipe.flicker_sd_ev = 0.0;
  recipe.shift_sd_px = 0.0;
  recipe.sensor.full_well_e = 1e7;
  recipe.v_mm = {128.0, 130.0, 132.0, 134.0, 144.0};
  const auto plans = plan_frames(recipe);
  Stage stage(recipe);
  const auto corner = [&](const FramePlan& plan) {
    const cv::Mat bgr = take_frame(stage.scene(0), recipe, plan);
    const double code = cv::mean(bgr(cv::Rect(0, 0, 60, 15)))[1] / 255.0;
    return std::pow((code + 0.055) / 1.055, 2.4);
  };
  const double ratio = corner(plans.front()) / corner(plans.back());
  // 5 %: the enlarged picture shows a slightly smaller piece of the meadow's gradient there.
  EXPECT_NEAR(ratio, std::pow(144.0 / 128.0, 2.0), 0.05 * ratio);
}

TEST(WriteBurst, WritesFramesAndTruthAndSaysWhereItCannot) {
  Recipe recipe = small_recipe();
  recipe.flash = {{2, -4.0}};
  const auto folder = scratch("write");
  int calls = 0;
  const auto truth = write_burst(recipe, folder, [&calls](int, int) { ++calls; });
  ASSERT_TRUE(truth) << truth.error().problem;
  EXPECT_EQ(calls, static_cast<int>(plan_frames(recipe).size()));
  double lit = 0.0, dark = 0.0;
  for (const auto& frame : (*truth)["frames"]) {
    const cv::Mat picture = cv::imread((folder / frame["file"].get<std::string>()).string());
    ASSERT_EQ(picture.size(), cv::Size(200, 150));
    if (frame["index"] == 2) dark = cv::mean(picture)[1];
    if (frame["index"] == 3) lit = cv::mean(picture)[1];
  }
  EXPECT_LT(dark, 0.5 * lit);
  std::ifstream in(folder / "truth.json");
  EXPECT_EQ(nlohmann::json::parse(in), *truth);

  std::ofstream(folder / "a_file") << "in the way";
  EXPECT_FALSE(write_burst(recipe, folder / "a_file"));
}

TEST(TwentyMegapixelRecipe, Has28FramesThatCoverAPlausibleSubject) {
  const Recipe recipe = twenty_megapixel_recipe();
  EXPECT_EQ(recipe.width_px * recipe.height_px, 5472 * 3648);
  EXPECT_EQ(plan_frames(recipe).size(), 28U);
}

}  // namespace
}  // namespace ringsweep::maker
