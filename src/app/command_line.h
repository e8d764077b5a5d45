#pragma once
/// Command line: arguments -> CheckOptions, and the outermost catch of the tool.

#include "app/check.h"
#include "app/console.h"

namespace ringsweep::app {

/// Runs the tool. Never throws.
/// @return the exit status, exit_status.h.
int run(int argc, const char* const* argv, const Console& console, const Stages& stages);

}  // namespace ringsweep::app
