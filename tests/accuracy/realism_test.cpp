// Are our own bursts as hard as someone else's? The analysis must not be much better on the bursts
// of this project's maker than on ray-traced ones, whose renderer shares no code with it: where it
// is, the maker leaves out a part of reality. Slow: analyses whole bursts.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "check.h"
#include "maker/suite.h"
#include "score.h"
#include "shared_folder.h"
#include "suite_run.h"

namespace ringsweep::accuracy {
namespace {

namespace fs = std::filesystem;

/// Largest factor by which our own bursts may come out better.
constexpr double kMostTimesBetter = 1.5;

struct Pooled {
  double shape_square = 0.0;
  std::size_t frames = 0;
  double scale_square = 0.0;
  std::size_t bursts = 0;

  void add(const std::string& burst, const BurstScore& score) {
    EXPECT_TRUE(score.scale) << burst << " has no positions";
    if (!score.scale) return;
    for (const FrameError& e : score.errors) shape_square += e.shape_px * e.shape_px;
    frames += score.errors.size();
    scale_square += std::pow(*score.scale - 1.0, 2.0);
    ++bursts;
  }
  void add_folders(const fs::path& folder, std::span<const char* const> names) {
    for (const char* name : names) {
      std::ifstream in(folder / name / "truth.json");
      add(name, score_burst(check(folder / name).said, nlohmann::json::parse(in)));
    }
  }
  [[nodiscard]] double shape_rms() const {
    return std::sqrt(shape_square / static_cast<double>(frames));
  }
  [[nodiscard]] double scale_rms() const {
    return std::sqrt(scale_square / static_cast<double>(bursts));
  }
};

/// Bursts of the quick suite that are not held back, the first two of each of these groups.
void add_suite(Pooled& all, std::span<const maker::SuiteGroup> groups) {
  constexpr int kOfEach = 2;
  const TemporaryFolder folder;
  std::map<maker::SuiteGroup, int> taken;
  for (const maker::SuiteCase& one : maker::suite(maker::SuiteSize::quick)) {
    if (one.held_back || std::ranges::find(groups, one.group) == groups.end()) continue;
    if (++taken[one.group] > kOfEach) continue;
    const Case made =
        run_case(one.name, maker::name_of(one.group), one.recipe, folder.path() / one.name);
    EXPECT_TRUE(made.ours) << one.name << ": " << made.failed;
    if (made.ours) all.add(one.name, *made.ours);
  }
}

TEST(Realism, OurOwnBurstsAreNotMuchEasierThanRayTracedOnes) {
  const fs::path traced_folder = shared_folder() / "rendered-bursts" / "beetle";
  if (!fs::exists(traced_folder / "1-complete" / "truth.json"))
    GTEST_SKIP() << "no ray-traced bursts at " << traced_folder;
  // Bursts of the same kinds, neither with moved parts nor lost drops: those are not modelled yet.
  constexpr const char* kTraced[] = {"1-complete", "2-gap", "5-flash", "8-twosweeps"};
  constexpr const char* kSamples[] = {"meadow-complete", "meadow-gap", "meadow-flash",
                                      "meadow-two-sweeps"};
  constexpr maker::SuiteGroup kGroups[] = {maker::SuiteGroup::plain, maker::SuiteGroup::gap,
                                           maker::SuiteGroup::hand};
  Pooled traced, own;
  traced.add_folders(traced_folder, kTraced);
  own.add_folders(RINGSWEEP_SAMPLE_BURSTS, kSamples);
  // A scene has one bias of scale, and all ray-traced bursts are of one scene, the samples of
  // another: which of the two has less says little, so other scenes of ours count too.
  add_suite(own, kGroups);
  EXPECT_GE(own.shape_rms() * kMostTimesBetter, traced.shape_rms())
      << "px rms over " << own.frames << " and " << traced.frames << " frames";
  EXPECT_GE(own.scale_rms() * kMostTimesBetter, traced.scale_rms())
      << "relative, over " << own.bursts << " and " << traced.bursts << " bursts";
  RecordProperty("own_shape_px", std::to_string(own.shape_rms()));
  RecordProperty("traced_shape_px", std::to_string(traced.shape_rms()));
  RecordProperty("own_scale", std::to_string(own.scale_rms()));
  RecordProperty("traced_scale", std::to_string(traced.scale_rms()));
}

}  // namespace
}  // namespace ringsweep::accuracy
