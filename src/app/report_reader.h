#pragma once
/// Report reader: a report.json written earlier -> what it says of the bursts.

#include <filesystem>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::app {

/// As far as a stack list needs it: frames with positions, sweeps, gaps, ends, verdict. Reasons of
/// a verdict that cannot be told are not in it as values: `fit_not_trusted` stands for them, with
/// the report's sentence as its detail.
/// @return the bursts; an error where it is no report of ours, or a damaged one.
[[nodiscard]] Result<std::vector<BurstAnalysis>> read_report(const std::filesystem::path& file);

}  // namespace ringsweep::app
