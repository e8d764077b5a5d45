#pragma once
/// Watch options: the command line of `ringsweep watch`.

#include <string>

#include "app/watch.h"

namespace CLI {
class App;
}

namespace ringsweep::app {

/// The command as a part of the whole command line. It outlives the parsing.
class WatchCommand {
 public:
  explicit WatchCommand(CLI::App& app);

  [[nodiscard]] bool was_called() const;
  /// To be called after parsing.
  /// @return the exit status; a wrong command line is told.
  int run(const Console& console, const Stages& stages);

 private:
  CLI::App* command_;
  WatchOptions options_;
  std::string folder_, out_;
};

}  // namespace ringsweep::app
