// Lost drops, from files to verdict, on bursts whose truth is known.

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "analysed.h"
#include "shared_folder.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using main_job::analysed;
using main_job::truth_of;
using nlohmann::json;

/// Where a lost drop of the truth lies in the reference frame.
cv::Point2d place_of(const json& drop, const json& truth, const std::string& reference) {
  for (const json& frame : truth.at("frames")) {
    if (frame.at("file") != reference) continue;
    const auto m = frame.at("from_scene").get<std::vector<double>>();
    const double x = drop.at("scene_x").get<double>(), y = drop.at("scene_y").get<double>();
    return {m[0] * x - m[1] * y + m[2], m[1] * x + m[0] * y + m[3]};
  }
  return {-1e9, -1e9};
}

/// How many of the lost drops that are due are told, with the frames between which they went; every
/// one that is told is in the truth.
std::size_t told_of(const BurstAnalysis& burst, const json& truth) {
  std::size_t told = 0;
  for (const DropChange& drop : burst.drops.lost) {
    const bool true_one = std::ranges::any_of(truth.at("drops").at("lost"), [&](const json& due) {
      const cv::Point2d at = place_of(due, truth, burst.frames[burst.reference].file);
      return cv::norm(drop.at - at) <= 1.5 * due.at("radius_px").get<double>() &&
             burst.frames[drop.before].file == due.at("last_seen") &&
             burst.frames[drop.after].file == due.at("first_missing");
    });
    EXPECT_TRUE(true_one) << "no drop went at " << drop.at;
    if (true_one) ++told;
  }
  return told;
}

TEST(DropsJob, ThreeThatWereWipedOff) {
  const fs::path folder = fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-drops";
  const BurstAnalysis burst = analysed(folder);
  EXPECT_EQ(told_of(burst, truth_of(folder)), 3U);
  EXPECT_EQ(drop_events(burst.drops.lost).size(), 1U) << "a wipe is one event";
  EXPECT_EQ(burst.verdict.kind, VerdictKind::complete_without);
}

TEST(DropsJob, WhoDoesNotCareIsNotTold) {
  const BurstAnalysis burst =
      analysed(fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-drops", 1, {.ignore_drops = true});
  EXPECT_FALSE(burst.drops.looked);
  EXPECT_EQ(burst.verdict.kind, VerdictKind::complete);
}

TEST(DropsJob, RefractingOnesOfARayTracedBurst) {
  const fs::path folder = shared_folder() / "rendered-bursts/beetle/4-drops";
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent";
  const BurstAnalysis burst = analysed(folder);
  // One stands between hairs and is never seen sharper than 6 px: its whole picture tells it.
  EXPECT_EQ(told_of(burst, truth_of(folder)), 5U);
  EXPECT_EQ(burst.verdict.kind, VerdictKind::reshoot);
}

TEST(DropsJob, NoneWasLostInOtherSamples) {
  for (const char* name : {"complete", "gap", "flash", "two-sweeps", "moved"}) {
    const BurstAnalysis burst =
        analysed(fs::path(RINGSWEEP_SAMPLE_BURSTS) / ("meadow-" + std::string(name)));
    EXPECT_TRUE(burst.drops.lost.empty()) << name;
  }
}

}  // namespace
}  // namespace ringsweep
