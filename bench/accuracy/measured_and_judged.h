#pragma once
/// A burst's profiles and fit beside what the analysis made of them.

#include <filesystem>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::accuracy {

struct MeasuredAndJudged {
  MeasuredBurst measured;  ///< its profiles, and its fit as it is: the sign may be the other one
  BurstAnalysis judged;
};

/// Opens the pictures below the folder. Bursts that the analysis got no positions of are left out.
[[nodiscard]] std::vector<MeasuredAndJudged> measure_and_judge(const std::filesystem::path& folder);

}  // namespace ringsweep::accuracy
