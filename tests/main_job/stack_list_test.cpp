// Files to stack list, on bursts whose truth is known: do the fewest frames still show every depth
// of the subject sharp, where the whole burst does?
#include "ringsweep/stack_list.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <vector>

#include "analysed.h"
#include "app/stack_input.h"
#include "shared_folder.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using main_job::analysed;
using nlohmann::json;

/// How much of the subject, px of depth, is farther than the blur limit from all of these
/// positions.
double soft_px(std::vector<double> q_px, double low_px, double high_px, double blur_limit_px) {
  std::ranges::sort(q_px);
  double soft = 0.0;
  double sharp_to = low_px;
  for (const double q : q_px) {
    soft += std::max(0.0, std::min(q - blur_limit_px, high_px) - sharp_to);
    sharp_to = std::max(sharp_to, q + blur_limit_px);
  }
  return soft + std::max(0.0, high_px - sharp_to);
}

/// The true positions of the named frames that can be used; a dim one can.
std::vector<double> true_positions(const json& truth, const std::set<std::string>& names) {
  std::vector<double> q_px;
  for (const json& frame : truth["frames"]) {
    const bool good =
        std::ranges::all_of(frame["flags"], [](const json& flag) { return flag == "dim"; });
    if (good && names.contains(frame["file"].get<std::string>()))
      q_px.push_back(frame["focus_px"].get<double>());
  }
  return q_px;
}

class StackListOf : public ::testing::TestWithParam<std::string> {};

TEST_P(StackListOf, TheFewestFramesShowWhatTheBurstShows) {
  const fs::path shared = shared_folder();
  const fs::path folder = GetParam().starts_with("meadow")
                              ? fs::path(RINGSWEEP_SAMPLE_BURSTS) / GetParam()
                              : shared / "rendered-bursts/beetle" / GetParam();
  if (!fs::exists(folder / "truth.json")) GTEST_SKIP() << folder << " is not here";
  std::ifstream file(folder / "truth.json");
  const json truth = json::parse(file);
  const BurstAnalysis burst = analysed(folder);
  const auto wanted = app::wanted_depths(burst);
  ASSERT_TRUE(wanted);
  const std::vector<StackFrame> frames = app::stack_frames(burst);
  const StackRange range{.wanted = *wanted, .empty = app::empty_depths(burst)};
  const StackOptions options{.blur_limit_px = burst.blur_limit_px};
  const double low = truth["subject_px"][0], high = truth["subject_px"][1];

  std::set<std::string> all;
  for (const FrameAnalysis& frame : burst.frames) all.insert(frame.file);
  const double least = soft_px(true_positions(truth, all), low, high, burst.blur_limit_px);
  for (const auto& make : {fewest_frames, all_good_frames}) {
    const std::vector<StackList> lists = make(frames, range, options);
    ASSERT_EQ(lists.size(), 1U);
    std::set<std::string> names;
    for (const std::size_t k : lists[0].frames) names.insert(burst.frames[k].file);
    const double soft = soft_px(true_positions(truth, names), low, high, burst.blur_limit_px);
    RecordProperty(make == fewest_frames ? "fewest" : "all_good",
                   std::to_string(names.size()) + " of " + std::to_string(all.size()));
    // Depth is counted whether anything lies there or not; true ends are those of 0.5 % of the
    // subject's pixels, told to a few tenths of a px (main_job_test).
    EXPECT_LE(soft, least + 0.25) << names.size() << " of " << all.size() << " frames";
    if (truth["verdict"] == "complete") {
      EXPECT_LE(soft, 0.25);
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Samples, StackListOf,
                         ::testing::Values("meadow-complete", "meadow-gap", "meadow-flash",
                                           "meadow-two-sweeps", "meadow-drops"));
INSTANTIATE_TEST_SUITE_P(Rendered, StackListOf,
                         ::testing::Values("1-complete", "2-gap", "5-flash", "6-late",
                                           "8-twosweeps"));

}  // namespace
}  // namespace ringsweep
