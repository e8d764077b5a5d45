// Movement over the whole job: bursts whose truth is known, and real stacks of things that stand
// still.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>

#include "analysed.h"
#include "shared_folder.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using main_job::analysed;
using main_job::truth_of;
using nlohmann::json;

/// Share of a box in scene px that a box of the reference frame covers.
double covered(const BurstAnalysis& burst, const json& truth, const json& scene_box,
               const cv::Rect& box) {
  const json& frames = truth.at("frames");
  const auto reference = std::ranges::find_if(frames, [&](const json& frame) {
    return frame.at("file") == burst.frames[burst.reference].file;
  });
  const auto m = reference->at("from_scene").get<std::vector<double>>();
  const auto b = scene_box.get<std::vector<double>>();
  const auto at = [&](double x, double y) {
    return cv::Point2d(m[0] * x - m[1] * y + m[2], m[1] * x + m[0] * y + m[3]);
  };
  const cv::Rect2d due(at(b[0], b[1]), at(b[0] + b[2], b[1] + b[3]));
  return (due & cv::Rect2d(box)).area() / due.area();
}

void expect_moves_as_in_truth(const fs::path& folder) {
  const json truth = truth_of(folder);
  const BurstAnalysis burst = analysed(folder);
  ASSERT_TRUE(burst.movement.looked);
  for (const json& due : truth.at("moved")) {
    const bool found = std::ranges::any_of(burst.movement.parts, [&](const MovedPart& part) {
      return burst.frames[part.frame].file == due.at("file") && part.conflict &&
             covered(burst, truth, due.at("scene_box"), part.box_px) >= 0.5;
    });
    EXPECT_TRUE(found) << due.dump();
  }
  // Flags stand on all frames on one side of the move, and on none on the other.
  const std::size_t first = burst.movement.parts.front().frame;
  for (std::size_t k = 0; k < burst.frames.size(); ++k)
    EXPECT_EQ(burst.frames[k].pose, k < first ? 0U : 1U);
  EXPECT_EQ(burst.verdict.kind, VerdictKind::reshoot);
}

TEST(MovementJob, TheSampleThatMoves) {
  expect_moves_as_in_truth(fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-moved");
}

TEST(MovementJob, TheRayTracedBurstThatMoves) {
  const fs::path folder = shared_folder() / "rendered-bursts/beetle/3-moved";
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent";
  expect_moves_as_in_truth(folder);
}

void expect_nothing_moved(const fs::path& folder) {
  const BurstAnalysis burst = analysed(folder);
  for (const MovedPart& part : burst.movement.parts)
    ADD_FAILURE() << folder << ": frame " << part.frame + 1 << ", " << part.shift_px << " px";
}

TEST(MovementJob, NothingMovedInTheOtherSamples) {
  for (const char* name : {"complete", "gap", "flash", "two-sweeps", "drops"})
    expect_nothing_moved(fs::path(RINGSWEEP_SAMPLE_BURSTS) / ("meadow-" + std::string(name)));
}

/// A folder under the shared one.
class StandsStill : public ::testing::TestWithParam<const char*> {};

TEST_P(StandsStill, AndIsSaidTo) {
  const fs::path folder = shared_folder() / GetParam();
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent";
  expect_nothing_moved(folder);
}

INSTANTIATE_TEST_SUITE_P(
    Bursts, StandsStill,
    ::testing::Values("rendered-bursts/beetle/1-complete", "rendered-bursts/beetle/7-wobble",
                      "rendered-bursts/beetle/8-twosweeps", "rendered-bursts/beetle/9-shake",
                      "real-bursts/zstep-bracket-30", "real-bursts/phone-diopter-boxes-20",
                      "real-bursts/dslr-ring-louvres-10", "real-bursts/macro-cactus-26",
                      "real-bursts/sweep-miniatures-41"));

}  // namespace
}  // namespace ringsweep
