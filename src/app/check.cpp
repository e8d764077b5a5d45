#include "app/check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <ostream>
#include <set>
#include <string_view>
#include <utility>

#include "app/exit_status.h"
#include "app/interrupt.h"
#include "app/learn.h"
#include "app/output_place.h"
#include "app/page_pictures.h"
#include "app/scene_check.h"
#include "app/stack_input.h"
#include "report/wording.h"
#include "ringsweep/page.h"
#include "ringsweep/report.h"

namespace ringsweep::app {
namespace {

constexpr std::size_t kTerminalColumns = 80;  // of the smallest terminal in use
constexpr int kStopped = -1;                  // by a signal, before anything was written

std::string png_bytes(const cv::Mat& picture) {
  std::vector<std::uint8_t> bytes;
  cv::imencode(".png", picture, bytes);
  return {bytes.begin(), bytes.end()};
}

using Files = std::vector<std::pair<std::string, std::string>>;

/// As a shell takes it back: quoted where it must be (POSIX, 2.2.2).
std::string shell_word(const std::string& word) {
  constexpr std::string_view kPlain =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-./,:@%+=~";
  if (!word.empty() && word.find_first_not_of(kPlain) == std::string::npos) return word;
  std::string quoted = "'";
  for (const char c : word)
    quoted += c == '\'' ? std::string_view("'\\''") : std::string_view(&c, 1);
  quoted += '\'';
  return quoted;
}

/// Paths and choice as `stacklist` takes them to look at the same bursts, or more: what was chosen
/// today may be another choice when it is typed.
std::string words_of(const CheckOptions& options) {
  std::string words;
  for (const std::filesystem::path& path : options.paths)
    words += fmt::format("{}{}", words.empty() ? "" : " ", shell_word(path.string()));
  return words + " --all";
}

/// The list that `stacklist` makes without options.
std::optional<BurstStack> stack_of(const BurstAnalysis& burst) {
  const std::optional<DepthRange> wanted = wanted_depths(burst);
  if (!wanted) return std::nullopt;
  BurstStack stack{.range = {.wanted = *wanted, .empty = empty_depths(burst)},
                   .frames = stack_frames(burst),
                   .lists = {}};
  stack.lists = all_good_frames(stack.frames, stack.range,
                                {.blur_limit_px = as_reported(burst.blur_limit_px)});
  return stack;
}

/// report.html, and the frames as a table.
void add_page(Files& files, const Analysed& analysed, const std::vector<Scene>& scenes,
              const PageRun& run, std::vector<BurstPictures> pictures) {
  std::vector<PageBurst> more;
  for (std::size_t i = 0; i < analysed.bursts.size(); ++i)
    more.push_back({.pictures = std::move(pictures[i]), .stack = stack_of(analysed.bursts[i])});
  files.emplace_back("report.html", report_page(analysed.bursts, scenes, more, run));
  files.emplace_back("frames.csv", frames_csv(analysed.bursts, more));
}

Files report_files(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                   const std::string& json, const std::string& left_out) {
  std::string text;
  for (const BurstAnalysis& burst : bursts) {
    if (!text.empty()) text += "\n";
    text += summary_text(burst) + "\n" + details_text(burst);
  }
  text += fmt::format("\n{}{}", scenes_text(bursts, scenes), session_text(bursts, scenes));
  if (!left_out.empty()) text += fmt::format("\n{}", left_out);
  // report.json first: by it the next run knows the other files as ours.
  Files files{{"report.json", json}, {"report.txt", text}};
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const cv::Mat picture = depth_picture(bursts[i]);
    if (!picture.empty()) {
      files.emplace_back(fmt::format("depth-{}.png", i + 1), png_bytes(picture));
    }
  }
  return files;
}

/// Where the verdict ends, and with it the reasons that are indented below it.
std::size_t end_of_verdict(const std::string& summary) {
  std::size_t end = summary.find('\n');
  while (end != std::string::npos && end + 1 < summary.size() && summary[end + 1] == ' ') {
    end = summary.find('\n', end + 1);
  }
  return end == std::string::npos ? summary.size() : end + 1;
}

/// The first line, without the reasons that may stand below it.
std::string verdict_only(const std::string& summary) {
  return summary.substr(0, summary.find('\n')) + "\n";
}

/// Below the verdict stands which folder the burst lies in, where there are several, and what of
/// its depth is sharp.
std::string with_drawing(std::string summary, const BurstAnalysis& burst, bool name_folder) {
  std::string below;
  if (name_folder) below = fmt::format("In folder {}.\n", wording::printable(burst.folder));
  below += coverage_drawing(burst);
  return summary.insert(end_of_verdict(summary), below);
}

void print_summaries(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                     const CheckOptions& options, std::ostream& out, bool colour) {
  std::set<std::string> folders;
  for (const BurstAnalysis& burst : bursts) folders.insert(burst.folder);
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const std::string text = summary_text(bursts[i], options.quiet ? kNoColumns : kTerminalColumns);
    const std::string summary =
        options.quiet ? verdict_only(text) : with_drawing(text, bursts[i], folders.size() > 1);
    if (i > 0 && !options.quiet) out << "\n";
    out << (colour ? coloured(summary, bursts[i].verdict.kind) : summary);
    if (options.details && !options.quiet) out << "\n" << details_text(bursts[i]);
  }
  if (options.quiet) return;
  const std::string alike = scenes_text(bursts, scenes, kTerminalColumns);
  if (!alike.empty()) out << "\n" << alike;
  if (options.summary) out << "\n" << session_text(bursts, scenes, kTerminalColumns);
}

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

  const Analysed analysed = analyse_all(found.bursts, options, console, stages);
  if (InterruptGuard::interrupted()) return kStopped;
  for (const BurstAnalysis& burst : analysed.bursts) name_unreadable(burst, console);
  const auto has_picture = [](const BurstAnalysis& burst) {
    return !std::ranges::all_of(burst.frames, is_unreadable);
  };
  if (!analysed.failed && std::ranges::none_of(analysed.bursts, has_picture)) {
    text << found.left_out;
    *console.err << "ringsweep: none of the pictures can be read; try another card or reader.\n";
    return kNothingFound;
  }

  const std::vector<Scene> scenes = check_scenes(analysed, options, console, stages);
  if (InterruptGuard::interrupted()) return kStopped;
  const std::string json = report_json(analysed.bursts, scenes).dump(2) + "\n";
  Files files = report_files(analysed.bursts, scenes, json, found.left_out);
  PageRun page{.paths = {}, .left_out = found.left_out};
  page.paths = words_of(options);
  add_page(files, analysed, scenes, page, take_pictures(analysed, options, console, stages));
  guard.begin_writing();
  if (InterruptGuard::interrupted()) return kStopped;
  const auto written = place->write(files);
  Result<void> json_written;
  if (!options.json.empty() && !json_to_out) json_written = write_whole(options.json, json);

  // The answer is worth having even where it could not be written down.
  print_summaries(analysed.bursts, scenes, options, text, colour);
  if (!found.left_out.empty() && !options.quiet) text << "\n" << found.left_out;
  const bool learnt = learn(options, analysed.bursts, console, text);
  if (written && !options.quiet)
    text << "\nReport: " << wording::printable(folder->path.string()) << "\n";
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
  return run_interruptibly("ringsweep: stopped; no report was written.\n", kStopped, *console.err,
                           [&](InterruptGuard& guard) {
                             return check(options, console, with_cache_if_allowed(stages, options),
                                          guard);
                           });
}

}  // namespace ringsweep::app
