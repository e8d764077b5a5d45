// The committed sample bursts.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <regex>
#include <set>

#include "maker/burst.h"

namespace ringsweep::maker {
namespace {

using nlohmann::json;
const std::filesystem::path kSamples = RINGSWEEP_SAMPLE_BURSTS;

constexpr const char* kBursts[] = {"meadow-complete",   "meadow-gap",   "meadow-flash",
                                   "meadow-two-sweeps", "meadow-moved", "meadow-drops"};

json truth_in(const std::string& burst) {
  std::ifstream in(kSamples / burst / "truth.json");
  return json::parse(in);
}

class SampleBurst : public testing::TestWithParam<const char*> {};

TEST_P(SampleBurst, HasItsFramesItsTruthAndARunInAndRunOut) {
  const json truth = truth_in(GetParam());
  const auto& frames = truth["frames"];
  EXPECT_GE(frames.size(), 20U);
  EXPECT_LE(frames.size(), 32U);
  std::set<std::string> named{"truth.json"};
  for (const auto& f : frames) {
    const std::string file = f["file"];
    EXPECT_TRUE(std::regex_match(file, std::regex("DSC0[0-9]{4}\\.JPG"))) << file;
    const cv::Mat picture =
        cv::imread((kSamples / GetParam() / file).string(), cv::IMREAD_UNCHANGED);
    EXPECT_EQ(picture.cols, truth["width"].get<int>()) << file;
    EXPECT_EQ(picture.rows, truth["height"].get<int>()) << file;
    named.insert(file);
  }
  for (const auto& entry : std::filesystem::directory_iterator(kSamples / GetParam())) {
    EXPECT_TRUE(named.contains(entry.path().filename().string())) << entry.path();
  }
  EXPECT_FALSE(frames.front()["on_subject"].get<bool>());
  EXPECT_FALSE(frames.back()["on_subject"].get<bool>());
  // The same beetle: as many px of blur as there are px of picture.
  const double depth =
      (truth["subject_px"][1].get<double>() - truth["subject_px"][0].get<double>()) * 1280.0 /
      truth["width"].get<double>();
  EXPECT_GT(depth, 24.0);
  EXPECT_LT(depth, 31.0);
}

TEST_P(SampleBurst, IsMadeByItsRecipe) {
  const auto recipe = read_recipe(kSamples / "recipes" / (std::string(GetParam()) + ".json"));
  ASSERT_TRUE(recipe) << recipe.error().problem;
  const json truth = truth_in(GetParam());
  const auto plans = plan_frames(*recipe);
  ASSERT_EQ(plans.size(), truth["frames"].size());
  for (std::size_t k = 0; k < plans.size(); ++k) {
    EXPECT_EQ(plans[k].file, truth["frames"][k]["file"]);
    EXPECT_EQ(plans[k].time, truth["frames"][k]["time"]);
    EXPECT_NEAR(plans[k].v_mm, truth["frames"][k]["v_mm"].get<double>(), 1e-5);  // as printed
  }
}

INSTANTIATE_TEST_SUITE_P(Samples, SampleBurst, testing::ValuesIn(kBursts));

TEST(SampleBursts, TellTheirStories) {
  const json complete = truth_in("meadow-complete"), gap = truth_in("meadow-gap");
  EXPECT_EQ(complete["verdict"], "complete");
  EXPECT_TRUE(complete["gaps"].empty());
  EXPECT_EQ(gap["verdict"], "reshoot");
  ASSERT_EQ(gap["gaps"].size(), 1U);
  EXPECT_NEAR(gap["gaps"][0]["width_px"].get<double>(), 7.0, 0.3);
  const json flash = truth_in("meadow-flash"), sweeps = truth_in("meadow-two-sweeps");
  EXPECT_EQ(flash["verdict"], "reshoot");
  ASSERT_EQ(flash["gaps"].size(), 1U);
  const auto dark = std::ranges::count_if(
      flash["frames"], [](const json& f) { return f["flags"] == json::array({"dark"}); });
  EXPECT_EQ(dark, 4);
  EXPECT_EQ(sweeps["verdict"], "complete");
  EXPECT_EQ(sweeps["frames"].back()["sweep"], 2);
  const json moved = truth_in("meadow-moved"), drops = truth_in("meadow-drops");
  EXPECT_EQ(moved["verdict"], "reshoot");
  ASSERT_EQ(moved["moved"].size(), 1U);
  EXPECT_NEAR(moved["moved"][0]["shift_px"].get<double>(), 6.0, 0.1);
  EXPECT_EQ(drops["verdict"], "complete-without");
  EXPECT_EQ(drops["drops"]["lost"].size(), 3U);
}

TEST(SampleBursts, AreSmall) {
  std::uintmax_t bytes = 0;
  for (const char* burst : kBursts) {
    for (const auto& entry : std::filesystem::directory_iterator(kSamples / burst)) {
      bytes += entry.file_size();
    }
  }
  EXPECT_GT(bytes, 1'000'000U);
  EXPECT_LT(bytes, 25'000'000U);
}

TEST(SampleBursts, AreSharpToThePixelWhereTheyFocus) {
  // Of two frames, the one that focuses on the middle of the body has several times the detail
  // there, and detail of the finest scale: neighbouring pixels differ by far more than the noise.
  const json truth = truth_in("meadow-complete");
  const auto detail = [&](std::size_t k) {
    const auto& f = truth["frames"][k];
    const cv::Mat grey =
        cv::imread((kSamples / "meadow-complete" / f["file"].get<std::string>()).string(),
                   cv::IMREAD_GRAYSCALE);
    cv::Mat edges;
    // The elytra, in picture px from the centre; breathing moves this by a few px.
    cv::Laplacian(grey(cv::Rect(690, 330, 160, 90)), edges, CV_32F);
    cv::Scalar mean, sd;
    cv::meanStdDev(edges, mean, sd);
    return sd[0];
  };
  double most = 0.0, least = 1e9;
  for (std::size_t k = 0; k < truth["frames"].size(); ++k) {
    most = std::max(most, detail(k));
    least = std::min(least, detail(k));
  }
  EXPECT_GT(most, 5.0 * least);
  // White noise of sd s gives sqrt(20) s; the samples' noise is about 2 codes.
  EXPECT_GT(most, 3.0 * std::sqrt(20.0) * 2.0);
}

}  // namespace
}  // namespace ringsweep::maker
