#include "app/stacklist_options.h"

#include <CLI/CLI.hpp>
#include <ostream>
#include <utility>

#include "app/analysis_options.h"
#include "app/exit_status.h"

namespace ringsweep::app {
namespace {

constexpr const char* kFooter = R"(
Without --fewest the list holds every good frame (recommended): all usable ones at the depths of
the subject, and those beside it that its ends need, but not those where the ring stood still.

Examples
  ringsweep stacklist burst                             the names, and why the others are left out
  ringsweep stacklist burst --copy ~/stacks/beetle      copies, raw and JPEG together
  ringsweep stacklist burst --from 1204 --to 1221       only from what 1204 shows to what 1221 shows
  ringsweep stacklist burst --fewest --list beetle.txt  as few as cover it, one name a line
  ringsweep stacklist ~/developed --report report.json --copy ~/stacks/beetle
                                                        as checked in the field

Which bursts of a card are taken is decided as by `check`.

The pictures are never changed, nothing is overwritten, and nothing is written on a card or under
the given paths. With --report nothing is analysed: pictures are known again by their names
without the extension, else by their time of capture.

Exit status
  0  every burst is complete, and all pictures of its list are there
  1  at least one stays soft somewhere, cannot be told, or lacks pictures
  2  the command line was wrong
  3  nothing could be read, or no ring sweep was found
  4  something could not be written)";

}  // namespace

StacklistCommand::StacklistCommand(CLI::App& app)
    : command_(
          app.add_subcommand("stacklist", "Name, or copy, the frames that go into the stack.")) {
  CLI::App& command = *command_;
  add_paths(command, paths_);
  CLI::Option* all_good = command.add_flag(
      "--all-good", all_good_, "Every good frame of what is wanted; the usual, and recommended");
  CLI::Option* fewest = command.add_flag(
      "--fewest", options_.fewest,
      "Only as many frames as cover it with the overlap, of one sweep if possible");
  fewest->excludes(all_good);
  command
      .add_option("--overlap", overlap_percent_,
                  "How much neighbours overlap at least, per cent of the widest step that leaves "
                  "all sharp (25)")
      ->type_name("PCT")
      ->check(CLI::Range(0.0, 95.0));
  CLI::Option* from =
      command.add_option("--from", options_.from, "Only what lies in depth between this frame ...")
          ->type_name("FRAME");
  CLI::Option* to =
      command
          .add_option("--to", options_.to,
                      "... and this one; named by their last four digits, or as files")
          ->type_name("FRAME");
  from->needs(to);
  to->needs(from);
  command.add_option("--list", options_.list, "Write the names to FILE, one a line; - prints them")
      ->type_name("FILE");
  command
      .add_option(
          "--copy", copy_,
          "Copy the pictures to this folder, raw and JPEG of one name together, and compare "
          "them with the originals")
      ->type_name("DIR");
  command
      .add_option(
          "--sidecars", sidecars_,
          "Write an XMP sidecar for every frame to this folder: rating 5 and 'in the stack', "
          "or less and why not")
      ->type_name("DIR");
  command
      .add_option("--report", report_,
                  "Take the answer from this report.json of an earlier check instead of looking at "
                  "the pictures, which may have been renamed or developed since")
      ->type_name("FILE");
  add_choice_options(command, options_);
  add_analysis_options(command, options_);
  command.footer(kFooter);
}

bool StacklistCommand::was_called() const { return command_->parsed(); }

int StacklistCommand::run(const Console& console, const Stages& stages) {
  const auto wrong = [&](const std::string& why) {
    *console.err << "ringsweep: " << why << "; `ringsweep stacklist --help` shows how.\n";
    return kWrongCommand;
  };
  if (const std::string why = why_not(options_.lens); !why.empty()) return wrong(why);
  for (const auto& [name, text] :
       {std::pair("--copy", &copy_), std::pair("--sidecars", &sidecars_),
        std::pair("--report", &report_), std::pair("--list", &options_.list),
        std::pair("--from", &options_.from)}) {
    if (command_->count(name) > 0 && text->empty())
      return wrong(std::string(name) + " needs a name");
  }
  if (!report_.empty()) {
    for (const char* name : {"--blur-limit", "--blur-limit-handbook", "--first",
                             "--working-f-number", "--pitch-um", "--f-number", "--f-number-is",
                             "--magnification", "--pupil-ratio", "--all", "--last", "--since"}) {
      if (command_->count(name) > 0)
        return wrong(std::string(name) + " belongs to `check`, which makes the report");
    }
  }
  options_.paths.assign(paths_.begin(), paths_.end());
  options_.overlap = overlap_percent_ / 100.0;
  if (!copy_.empty()) options_.copy = copy_;
  if (!sidecars_.empty()) options_.sidecars = sidecars_;
  if (!report_.empty()) options_.report = report_;
  if (!use_mounted_card(options_, "stacklist", console, stages)) return kWrongCommand;
  return run_stacklist(options_, console, stages);
}

}  // namespace ringsweep::app
