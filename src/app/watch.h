#pragma once
/// `ringsweep watch`: a folder that is being filled; each burst is checked when it has arrived.

#include <filesystem>
#include <optional>

#include "app/analysis.h"
#include "app/arrivals.h"
#include "app/console.h"

namespace ringsweep::app {

struct WatchOptions : AnalysisRequest {      ///< of one path, a folder
  std::optional<std::filesystem::path> out;  ///< report folder; absent: output_place.h chooses
  bool details = false;
  bool quiet = false;  ///< print the verdicts only
  bool bell = false;   ///< one tone: complete, two: shoot again, three: cannot tell
  ArrivalOptions arrival;
};

/// Ends with the folder, or by a signal.
/// @return the exit status, exit_status.h.
int run_watch(const WatchOptions& options, const Console& console, const Stages& stages);

}  // namespace ringsweep::app
