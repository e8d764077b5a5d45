#pragma once
/// `ringsweep check`: every burst under the paths, analysed, told and written down.

#include <filesystem>
#include <optional>
#include <string>

#include "app/analysis.h"
#include "app/console.h"

namespace ringsweep::app {

struct CheckOptions : AnalysisRequest {
  std::string json;  ///< file to write the report to as well, "-" for standard output, "" for none
  std::optional<std::filesystem::path> out;  ///< report folder; absent: output_place.h chooses
  bool details = false;
  bool quiet = false;    ///< print the verdicts only
  bool summary = false;  ///< how the session went, at the end
  // Of learn.h:
  std::optional<std::string> lens_name;   ///< a lens learnt before
  std::optional<std::string> learn_name;  ///< a lens to be learnt
  std::optional<double> turned_deg;       ///< of its ring, over the burst
};

/// @return the exit status, exit_status.h.
/// @throws what the standard library throws when memory or a device fails; run() catches it.
int run_check(const CheckOptions& options, const Console& console, const Stages& stages);

}  // namespace ringsweep::app
