#pragma once
/// A folder of pictures analysed from files to answer, for the tests of the main job.

#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::main_job {

inline nlohmann::json truth_of(const std::filesystem::path& folder) {
  std::ifstream file(folder / "truth.json");
  return nlohmann::json::parse(file);
}

/// The one burst that the folder holds; an empty analysis, and a failure, where it is not one.
/// @param least_reduction  a raw without a preview never comes larger than half size (2)
inline BurstAnalysis analysed(const std::filesystem::path& folder, int least_reduction = 1,
                              const AnalysisOptions& options = {}) {
  const Intake intake = find_bursts(std::vector<std::filesystem::path>{folder});
  EXPECT_EQ(intake.bursts.size(), 1U) << "one burst was shot";
  if (intake.bursts.empty()) return {};
  const auto read = [least_reduction](const FrameRef& frame, int reduction) {
    return decode(frame, {.reduction = std::max(reduction, least_reduction)});
  };
  const std::vector<BurstAnalysis> bursts = analyse(intake.bursts.front(), read, options);
  EXPECT_EQ(bursts.size(), 1U) << "one burst was shot";
  return bursts.empty() ? BurstAnalysis{} : bursts.front();
}

}  // namespace ringsweep::main_job
