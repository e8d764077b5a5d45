#include "app/command_line.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <exception>
#include <new>
#include <ostream>
#include <string>
#include <vector>

#include "app/analysis_options.h"
#include "app/exit_status.h"
#include "app/learn.h"
#include "app/plan.h"
#include "app/stacklist_options.h"
#include "app/subject_options.h"
#include "app/watch_options.h"

namespace ringsweep::app {
namespace {

constexpr const char* kCheckFooter = R"(
Examples
  ringsweep check                                   the card that is in: the newest bursts
  ringsweep check /media/card --all                 every burst on a card
  ringsweep check /media/card --since 05:24         what was shot since then
  ringsweep check DSC012*.JPG                       these pictures only
  ringsweep check /media/card --details             with all numbers
  ringsweep check /media/card --quiet               one line a burst
  ringsweep check burst --json - | less             the report as JSON
  ringsweep check burst --from 1204 --to 1221       only this depth must be sharp

Of a card the newest burst is looked at and what was shot within an hour before it; of other
folders, and of pictures you name, all. --all, --last and --since choose otherwise.

The report goes to ringsweep-report in the current folder: open report.html in a browser. Beside it
lie report.txt, report.json, frames.csv and depth pictures.
Nothing is ever written on a card or under the given paths: where the current folder lies there, the
report goes to ~/.local/share/ringsweep.

Exit status
  0  every scene has a burst that is complete
  1  at least one must be shot again, or cannot be told; or no lens could be learnt
  2  the command line was wrong
  3  nothing could be read, or no ring sweep was found
  4  the report could not be written)";

std::string one_line_of(std::string text) {
  std::ranges::replace(text, '\n', ' ');
  while (!text.empty() && (text.back() == ' ' || text.back() == '.')) text.pop_back();
  return text;
}

int run_unprotected(int argc, const char* const* argv, const Console& console,
                    const Stages& stages) {
  CheckOptions options;
  CLI::App app{"Tells whether a focus-ring sweep is complete, before you leave the subject.",
               "ringsweep"};
  app.set_version_flag("--version", "ringsweep " RINGSWEEP_VERSION);
  app.require_subcommand(1);
  app.footer("\nExample: ringsweep check");

  CLI::App* check =
      app.add_subcommand("check", "Analyse every burst and say whether you may leave.");
  std::vector<std::string> paths;
  add_paths(*check, paths);
  check->add_option("--json", options.json, "Write the report as JSON to FILE too; - prints it")
      ->type_name("FILE");
  std::string out;
  CLI::Option* out_option =
      check->add_option("--out", out, "Write the report into this folder")->type_name("DIR");
  check->add_flag("--details", options.details, "Print all numbers as well");
  check->add_flag("--quiet", options.quiet, "Print nothing but the verdict of each burst");
  check->add_flag("--summary", options.summary, "Say at the end how the whole session went");
  add_choice_options(*check, options);
  add_analysis_options(*check, options);
  SubjectWords subject;
  add_subject_options(*check, subject);
  add_ring_options(*check, options);
  check->footer(kCheckFooter);
  PlanOptions plan_options;
  const CLI::App* plan = add_plan(app, plan_options);
  StacklistCommand stacklist(app);
  WatchCommand watch(app);

  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& wish) {  // --help, --version
    app.exit(wish, *console.out, *console.err);
    return kComplete;
  } catch (const CLI::RequiredError&) {
    *console.err << "ringsweep: name a command, for example `ringsweep check`.\n";
    return kWrongCommand;
  } catch (const CLI::ParseError& error) {
    *console.err << "ringsweep: " << one_line_of(error.what()) << "; `ringsweep "
                 << (app.got_subcommand(plan) ? "plan"
                     : stacklist.was_called() ? "stacklist"
                     : watch.was_called()     ? "watch"
                                              : "check")
                 << " --help` shows how.\n";
    return kWrongCommand;
  }
  if (app.got_subcommand(plan)) return run_plan(plan_options, console, stages.roots);
  if (stacklist.was_called()) return stacklist.run(console, stages);
  if (watch.was_called()) return watch.run(console, stages);
  if (*out_option) {
    if (out.empty()) {
      *console.err << "ringsweep: --out needs the name of a folder.\n";
      return kWrongCommand;
    }
    options.out = out;
  }
  if (const std::string why = why_not(options.lens); !why.empty()) {
    *console.err << "ringsweep: " << why << "; `ringsweep check --help` shows how.\n";
    return kWrongCommand;
  }
  Result<SubjectChoice> choice = subject_choice(subject);
  if (!choice) {
    *console.err << "ringsweep: " << one_line(choice.error()) << "\n";
    return kWrongCommand;
  }
  options.subject = *std::move(choice);
  if (!use_ring_options(options, console)) return kWrongCommand;
  options.paths.assign(paths.begin(), paths.end());
  if (!use_mounted_card(options, "check", console, stages)) return kWrongCommand;
  return run_check(options, console, stages);
}

}  // namespace

int run(int argc, const char* const* argv, const Console& console, const Stages& stages) {
  try {
    return run_unprotected(argc, argv, console, stages);
  } catch (const std::bad_alloc&) {
    *console.err << "ringsweep: not enough memory; close other programs or pass fewer pictures.\n";
  } catch (const std::exception& error) {
    *console.err << "ringsweep: stopped by an unexpected error: " << one_line_of(error.what())
                 << ".\n";
  } catch (...) {
    *console.err << "ringsweep: stopped by an unexpected error.\n";
  }
  // Nothing was told about any scene, so none is known to be complete.
  return kNotComplete;
}

}  // namespace ringsweep::app
