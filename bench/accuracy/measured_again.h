#pragma once
/// A burst's profiles and fit, which the analysis does not hand out: measured once more, by the
/// same steps and at the places that the analysis found.

#include <filesystem>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/profiles.h"

namespace ringsweep::accuracy {

struct MeasuredAgain {
  BurstAnalysis analysis;
  Profiles profiles{};
  FocalPositions focus{};  ///< as the fit gives it: its sign may be the other one
};

/// Opens the pictures below the folder, twice. Bursts that the analysis got no positions of are
/// left out.
/// @throws std::runtime_error  a frame lies more than 0.01 px elsewhere than in the analysis: then
/// this is no picture of it
[[nodiscard]] std::vector<MeasuredAgain> measure_again(const std::filesystem::path& folder);

}  // namespace ringsweep::accuracy
