#pragma once
/// `ringsweep stacklist`: the frames that go into the stack, told, written down, copied or noted
/// beside the pictures. The pictures themselves are never touched.

#include <filesystem>
#include <optional>
#include <string>

#include "app/analysis.h"
#include "app/console.h"

namespace ringsweep::app {

struct StacklistOptions : AnalysisRequest {
  bool fewest = false;    ///< else every good frame
  double overlap = 0.25;  ///< of neighbours, 0 to 0.95
  std::string from;       ///< frames that bound what is wanted, by their last four digits or name;
  std::string to;         ///< both or none
  std::string list;       ///< file for the names, "-" for standard output, "" for none
  std::optional<std::filesystem::path> copy;      ///< folder for copies
  std::optional<std::filesystem::path> sidecars;  ///< folder for XMP sidecars
  std::optional<std::filesystem::path> report;    ///< a report.json to apply: nothing is analysed
};

/// @return the exit status, exit_status.h.
/// @throws what the standard library throws when memory or a device fails; run() catches it.
int run_stacklist(const StacklistOptions& options, const Console& console, const Stages& stages);

}  // namespace ringsweep::app
