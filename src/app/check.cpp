#include "app/check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <ostream>
#include <set>
#include <utility>

#include "app/exit_status.h"
#include "app/interrupt.h"
#include "app/kept_views.h"
#include "app/learn.h"
#include "app/output_place.h"
#include "app/page_pictures.h"
#include "app/scene_check.h"
#include "app/told.h"
#include "report/wording.h"

namespace ringsweep::app {
namespace {

/// Whether the report will not fit, before the analysis.
std::optional<Error> why_no_room(const std::filesystem::path& folder,
                                 const std::vector<Burst>& bursts, const Stages& stages) {
  // Pages of the sample bursts have 0.1 MB a frame, the rest is a tenth of it: twice that.
  constexpr std::uintmax_t kBytes = 2'000'000;
  constexpr std::uintmax_t kBytesAFrame = 200'000;
  constexpr double kMegabyte = 1e6;
  std::uintmax_t needed = kBytes;
  for (const Burst& burst : bursts) needed += kBytesAFrame * burst.frames.size();
  const std::optional<std::uintmax_t> free = stages.free_bytes(folder);
  if (!free || *free >= needed) return std::nullopt;
  return Error{.file = folder.string(),
               .problem = fmt::format("has too little room for a report: {:.0f} MB may be needed, "
                                      "{:.0f} are free",
                                      std::ceil(static_cast<double>(needed) / kMegabyte),
                                      std::floor(static_cast<double>(*free) / kMegabyte)),
               .remedy = "make room, or choose another folder with --out"};
}

/// Whether something may be pulled out once it is read.
bool lies_on_card(const CheckOptions& options, const Stages& stages) {
  return std::ranges::any_of(options.paths, [&](const std::filesystem::path& path) {
    return stages.roots.card(path) || stages.roots.removable(path);
  });
}

/// Tells bursts as soon as they are analysed; those of which nothing can be read at the end, if
/// there are others.
class Telling {
 public:
  Telling(const CheckOptions& options, bool colour, const std::vector<Burst>& bursts,
          const Console& console, std::ostream& text)
      : console_(console), text_(text) {
    std::set<std::string> folders;
    for (const Burst& burst : bursts) folders.insert(burst.folder);
    print_ = {.details = options.details,
              .quiet = options.quiet,
              .name_folder = folders.size() > 1,
              .colour = colour};
  }

  /// Parts of one burst, the newest first.
  void tell(const std::vector<BurstAnalysis>& bursts) {
    for (auto burst = bursts.rbegin(); burst != bursts.rend(); ++burst) {
      name_unreadable(*burst, console_);
      if (std::ranges::all_of(burst->frames, is_unreadable)) {
        unreadable_.push_back(*burst);
      } else {
        print(*burst);
      }
    }
  }
  void tell_the_rest() {
    for (const BurstAnalysis& burst : unreadable_) print(burst);
  }
  [[nodiscard]] bool any() const { return any_; }

 private:
  void print(const BurstAnalysis& burst) {
    if (any_ && !print_.quiet) text_ << "\n";
    any_ = true;
    print_burst(burst, print_, text_);
    text_ << std::flush;
  }

  const Console& console_;
  std::ostream& text_;
  PrintOptions print_;
  std::vector<BurstAnalysis> unreadable_;
  bool any_ = false;
};

/// All of `check` but the ending by a signal, which must wait until everything is tidied up.
int check(const CheckOptions& options, const Console& console, const Stages& stages,
          InterruptGuard& guard) {
  const auto refuse = [&](const Error& error) {
    print_error(console, error);
    return kNotWritten;
  };
  const bool json_to_out = options.json == "-";
  const auto folder = choose_report_folder(options.out, options.paths, stages.roots);
  if (!folder) return refuse(folder.error());
  if (!options.json.empty() && !json_to_out) {
    if (const auto why = why_not_this_file(options.json, options.paths, stages.roots)) {
      return refuse(*why);
    }
  }
  auto place = ReportPlace::prepare(folder->path);
  if (!place) return refuse(place.error());
  const InterruptGuard::Tidying tidying(guard, [&] { place->leave(); });

  const FoundBursts found = find_whole_bursts(options, console, stages);
  std::ostream& text = json_to_out ? *console.err : *console.out;
  const bool colour = json_to_out ? console.colour_err : console.colour_out;
  if (found.bursts.empty()) {
    text << found.left_out;
    tell_nothing_found(found, console);
    return kNothingFound;
  }

  if (const auto why = why_no_room(folder->path, found.bursts, stages)) return refuse(*why);
  tell_unused_lens(options, found.bursts, console);
  if (!can_learn(options, found.bursts, console, stages)) return kWrongCommand;

  Telling telling(options, colour, found.bursts, console, text);
  const Analysed analysed = analyse_all(found.bursts, options, console, stages, {},
                                        [&](const Analysed& part) { telling.tell(part.bursts); });
  if (InterruptGuard::interrupted()) return kStopped;
  if (!analysed.failed && !telling.any()) {
    text << found.left_out;
    *console.err << "ringsweep: none of the pictures can be read; try another card or reader.\n";
    return kNothingFound;
  }
  telling.tell_the_rest();

  const std::vector<Scene> scenes = check_scenes(analysed, options, console, stages);
  if (InterruptGuard::interrupted()) return kStopped;
  std::vector<BurstPictures> pictures =
      take_pictures(with_wholes(analysed, scenes), options, console, stages);
  if (!options.quiet && lies_on_card(options, stages))
    *console.err << "ringsweep: the card is no longer needed.\n";
  const Files files = report_files(
      analysed.bursts, scenes, {.paths = words_for_stacklist(options), .left_out = found.left_out},
      std::move(pictures));
  const std::string& json = files.front().second;
  guard.begin_writing();
  if (InterruptGuard::interrupted()) return kStopped;
  const auto written = place->write(files);
  Result<void> json_written;
  if (!options.json.empty() && !json_to_out) json_written = write_whole(options.json, json);

  if (!options.quiet) print_ending(analysed.bursts, scenes, options.summary, text);
  if (!found.left_out.empty() && !options.quiet) text << "\n" << found.left_out;
  const bool learnt = learn(options, analysed.bursts, console, text);
  if (written && !options.quiet)
    text << "\nReport: " << wording::printable(folder->path.string()) << "\n";
  if (analysed.bursts.size() > 1 && !options.quiet) text << newest_line(analysed.bursts, scenes);
  text.flush();
  if (json_to_out) *console.out << json << std::flush;

  if (!written) return refuse(written.error());
  if (!json_written) return refuse(json_written.error());
  if (!*console.out) {
    return refuse({.file = "standard output",
                   .problem = "cannot be written to",
                   .remedy = "the report folder has it all"});
  }
  if (!analysed.failed &&
      std::ranges::none_of(analysed.bursts, [](const auto& b) { return is_sweep(b.verdict); }))
    return kNothingFound;
  const bool complete = std::ranges::all_of(scenes, is_complete, &Scene::verdict);
  return !analysed.failed && learnt && complete ? kComplete : kNotComplete;
}

}  // namespace

int run_check(const CheckOptions& options, const Console& console, const Stages& stages) {
  return run_interruptibly(
      "ringsweep: stopped; no report was written.\n", *console.err, [&](InterruptGuard& guard) {
        return check(options, console,
                     with_views_kept(with_cache_if_allowed(stages, options, console)), guard);
      });
}

}  // namespace ringsweep::app
