#pragma once
/// Console: where the tool prints, and how much decoration that place can show.

#include <iosfwd>
#include <string>
#include <string_view>

#include "ringsweep/analyse.h"

namespace ringsweep::app {

struct Console {
  std::ostream* out = nullptr;  ///< summaries, never null
  std::ostream* err = nullptr;  ///< errors and progress, never null
  bool colour_out = false;      ///< `out` is a terminal and NO_COLOR is not set
  bool colour_err = false;
  bool progress = false;  ///< `err` is a terminal
};

/// The console of this process: decoration only on a terminal (isatty), colour only without
/// NO_COLOR (set and not empty: no-color.org) and where TERM is not "dumb".
[[nodiscard]] Console console_of_this_process(std::ostream& out, std::ostream& err);

/// The summary with its verdict, the words before the first ',' or ':', in colour: green for good,
/// red for what must be shot again, yellow for what cannot be told. The words alone say the same.
[[nodiscard]] std::string coloured(const std::string& summary, VerdictKind kind);

/// One line on a terminal, written over and over; nothing elsewhere.
class ProgressLine {
 public:
  explicit ProgressLine(const Console& console) : console_(console) {}
  ~ProgressLine() { clear(); }
  ProgressLine(const ProgressLine&) = delete;
  ProgressLine& operator=(const ProgressLine&) = delete;

  void show(std::string_view text);
  void clear();

 private:
  const Console& console_;
  std::string shown_;
};

}  // namespace ringsweep::app
