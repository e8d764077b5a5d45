// Are our own bursts as hard as someone else's? The analysis must not be much better on the bursts
// of this project's maker than on ray-traced ones, whose renderer shares no code with it: where it
// is, the maker leaves out a part of reality. Slow: analyses whole bursts.
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <span>

#include "check.h"
#include "score.h"
#include "shared_folder.h"

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
  [[nodiscard]] double shape_rms() const {
    return std::sqrt(shape_square / static_cast<double>(frames));
  }
  [[nodiscard]] double scale_rms() const {
    return std::sqrt(scale_square / static_cast<double>(bursts));
  }
};

Pooled pooled(const fs::path& folder, std::span<const char* const> bursts) {
  Pooled all;
  for (const char* burst : bursts) {
    std::ifstream in(folder / burst / "truth.json");
    const BurstScore score = score_burst(check(folder / burst).said, nlohmann::json::parse(in));
    EXPECT_TRUE(score.scale) << burst << " has no positions";
    if (!score.scale) continue;
    for (const FrameError& e : score.errors) all.shape_square += e.shape_px * e.shape_px;
    all.frames += score.errors.size();
    all.scale_square += std::pow(*score.scale - 1.0, 2.0);
    ++all.bursts;
  }
  return all;
}

TEST(Realism, OurOwnBurstsAreNotMuchEasierThanRayTracedOnes) {
  const fs::path traced_folder = shared_folder() / "rendered-bursts" / "beetle";
  if (!fs::exists(traced_folder / "1-complete" / "truth.json"))
    GTEST_SKIP() << "no ray-traced bursts at " << traced_folder;
  // Bursts of the same kinds, neither with moved parts nor lost drops: those are not modelled yet.
  constexpr const char* kTraced[] = {"1-complete", "2-gap", "5-flash", "8-twosweeps"};
  constexpr const char* kOwn[] = {"meadow-complete", "meadow-gap", "meadow-flash",
                                  "meadow-two-sweeps"};
  const Pooled traced = pooled(traced_folder, kTraced);
  const Pooled own = pooled(RINGSWEEP_SAMPLE_BURSTS, kOwn);
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
