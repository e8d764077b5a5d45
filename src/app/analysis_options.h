#pragma once
/// Analysis options: what the commands that look at pictures let the user say about them.

#include "app/analysis.h"

namespace CLI {
class App;
}

namespace ringsweep::app {

/// Adds the options of `request` but its paths. @param request outlives the command.
void add_analysis_options(CLI::App& command, AnalysisRequest& request);

}  // namespace ringsweep::app
