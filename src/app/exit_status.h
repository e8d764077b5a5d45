#pragma once
/// What the tool's exit status says.

namespace ringsweep::app {

enum ExitStatus : int {
  kComplete = 0,      ///< every scene has a burst that is complete
  kNotComplete = 1,   ///< at least one scene needs a reshoot, or cannot be told
  kWrongCommand = 2,  ///< the command line was wrong
  kNothingFound = 3,  ///< nothing could be read, or no ring sweep was found
  kNotWritten = 4,    ///< the report could not be written
};

}  // namespace ringsweep::app
