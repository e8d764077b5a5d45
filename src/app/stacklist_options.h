#pragma once
/// Stacklist options: the command line of `ringsweep stacklist`.

#include <string>
#include <vector>

#include "app/stacklist.h"

namespace CLI {
class App;
}

namespace ringsweep::app {

/// The command as a part of the whole command line. It outlives the parsing.
class StacklistCommand {
 public:
  explicit StacklistCommand(CLI::App& app);

  [[nodiscard]] bool was_called() const;
  /// To be called after parsing.
  /// @return the exit status; a wrong command line is told.
  int run(const Console& console, const Stages& stages);

 private:
  CLI::App* command_;
  StacklistOptions options_;
  std::vector<std::string> paths_;
  std::string copy_, sidecars_, report_;
  bool all_good_ = false;  // says only what is so anyway
  double overlap_percent_ = 25.0;
};

}  // namespace ringsweep::app
