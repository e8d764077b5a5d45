#pragma once
/// Analysis options: what the commands that look at pictures let the user say about them.

#include <string>
#include <vector>

#include "app/analysis.h"

namespace CLI {
class App;
}

namespace ringsweep::app {

/// Adds PATH... @param paths outlives the command; as strings: read as a path by a stream operator,
/// a name would end at its first space.
void add_paths(CLI::App& command, std::vector<std::string>& paths);

/// Adds which card, and which bursts of it. @param request outlives the command.
void add_choice_options(CLI::App& command, AnalysisRequest& request);

/// Adds the options of `request` but its paths and those above. @param request outlives the
/// command.
void add_analysis_options(CLI::App& command, AnalysisRequest& request);

}  // namespace ringsweep::app
