#include "app/watch_options.h"

#include <CLI/CLI.hpp>
#include <ostream>

#include "app/analysis_options.h"
#include "app/exit_status.h"

namespace ringsweep::app {
namespace {

constexpr const char* kFooter = R"(
Examples
  ringsweep watch ~/incoming             each burst as soon as it has arrived there
  ringsweep watch ~/incoming --bell      one tone: complete; two: shoot again; three: cannot tell

For a folder that a wireless or cable transfer, or a copy from a card reader, fills. Pictures may
come slowly and out of order; what is only half there is waited for. A burst is checked once nothing
more comes, and again if it grows. The report is kept up to date; latest.html beside it is the burst
that came last, 1 MB at most. Ctrl-C ends it. On a network share that another computer fills the
system may not tell that files have come: watch where they arrive.

Nothing is ever written into the folder.)";

}  // namespace

WatchCommand::WatchCommand(CLI::App& app)
    : command_(app.add_subcommand(
          "watch",
          "Check each burst as soon as it has arrived in a folder that is being filled.")) {
  CLI::App& command = *command_;
  command.add_option("DIR", folder_, "The folder that the pictures arrive in")->type_name("");
  command.add_option("--out", out_, "Write the report into this folder")->type_name("DIR");
  command.add_flag("--bell", options_.bell,
                   "One tone: complete; two: shoot again; three: cannot tell");
  command.add_flag("--details", options_.details, "Print all numbers as well");
  command.add_flag("--quiet", options_.quiet, "Print nothing but the verdict of each burst");
  command
      .add_option("--pause", options_.arrival.quiet_s,
                  "A burst is checked when nothing came for so many seconds (4, or longer where "
                  "pictures come slowly)")
      ->type_name("S")
      ->check(CLI::Range(0.5, 3600.0));
  add_analysis_options(command, options_);
  command.footer(kFooter);
}

bool WatchCommand::was_called() const { return command_->parsed(); }

int WatchCommand::run(const Console& console, const Stages& stages) {
  const auto wrong = [&](const std::string& why) {
    *console.err << "ringsweep: " << why << "; `ringsweep watch --help` shows how.\n";
    return kWrongCommand;
  };
  if (const std::string why = why_not(options_.lens); !why.empty()) return wrong(why);
  if (folder_.empty()) return wrong("name the folder that the pictures arrive in");
  if (command_->count("--out") > 0 && out_.empty()) return wrong("--out needs a name");
  options_.paths = {folder_};
  if (!out_.empty()) options_.out = out_;
  return run_watch(options_, console, stages);
}

}  // namespace ringsweep::app
