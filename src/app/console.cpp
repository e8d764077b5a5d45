#include "app/console.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cstdlib>
#include <ostream>
#include <string>
#include <string_view>

namespace ringsweep::app {
namespace {

bool colour_wanted() {
  const char* no_colour = std::getenv("NO_COLOR");
  const char* terminal = std::getenv("TERM");
  return (no_colour == nullptr || *no_colour == '\0') &&
         (terminal == nullptr || std::string_view(terminal) != "dumb");
}

}  // namespace

Console console_of_this_process(std::ostream& out, std::ostream& err) {
  const bool out_terminal = isatty(STDOUT_FILENO) == 1;
  const bool err_terminal = isatty(STDERR_FILENO) == 1;
  const bool colour = colour_wanted();
  return {.out = &out,
          .err = &err,
          .colour_out = out_terminal && colour,
          .colour_err = err_terminal && colour,
          .progress = err_terminal};
}

std::string coloured(const std::string& summary, VerdictKind kind) {
  // ECMA-48 select graphic rendition: bold, and 32 green, 31 red, 33 yellow.
  const char* begin = "\033[1;33m";
  if (is_complete(kind)) begin = "\033[1;32m";
  if (kind == VerdictKind::reshoot) begin = "\033[1;31m";
  const std::size_t end = summary.find_first_of(",:");
  if (end == std::string::npos) return summary;
  return fmt::format("{}{}\033[0m{}", begin, summary.substr(0, end), summary.substr(end));
}

void ProgressLine::show(std::string_view text) {
  if (!console_.progress || shown_ == text) return;
  // ECMA-48 erase in line, so that a shorter text leaves nothing of a longer one.
  *console_.err << "\r\033[K" << text << std::flush;
  shown_ = text;
}

void ProgressLine::clear() {
  if (shown_.empty()) return;
  *console_.err << "\r\033[K" << std::flush;
  shown_.clear();
}

}  // namespace ringsweep::app
