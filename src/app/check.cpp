#include "app/check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <exception>
#include <new>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <ostream>
#include <set>
#include <utility>

#include "app/exit_status.h"
#include "app/interrupt.h"
#include "app/learn.h"
#include "app/output_place.h"
#include "report/wording.h"
#include "ringsweep/report.h"
#include "ringsweep/session.h"

namespace ringsweep::app {
namespace {

constexpr std::size_t kFewestFrames = 5;  // a burst, by definition
constexpr int kStopped = -1;              // by a signal, before anything was written

bool is_unreadable(const FrameAnalysis& frame) {
  return std::ranges::find(frame.flags, FrameFlag::unreadable) != frame.flags.end();
}

void print_error(const Console& console, const Error& error) {
  *console.err << "ringsweep: " << one_line(error) << "\n";
}

/// What is too short to be a sweep, and why some of it cannot be read at all.
struct LeftOut {
  std::size_t frames = 0;
  bool all_single = true;
};

std::string left_out_line(const LeftOut& left_out) {
  if (left_out.frames == 0) return {};
  if (left_out.all_single) {
    return fmt::format("Left out: {} single frame{}.\n", left_out.frames,
                       left_out.frames == 1 ? "" : "s");
  }
  return fmt::format("Left out: {} frames, fewer than {} at a time.\n", left_out.frames,
                     kFewestFrames);
}

/// Opens frames that belong to no burst only to say which of them are damaged: a file that cannot
/// be read must not pass for one that was merely alone.
std::size_t name_unreadable(const std::vector<Burst>& too_short, const Console& console,
                            const Stages& stages) {
  constexpr std::size_t kMost =
      50;                        // a card full of single pictures must not cost the burst's time
  constexpr int kReduction = 8;  // the fastest way to see whether a picture can be decoded
  std::size_t opened = 0;
  std::size_t unreadable = 0;
  for (const Burst& burst : too_short) {
    for (const FrameRef& frame : burst.frames) {
      if (++opened > kMost || InterruptGuard::interrupted()) return unreadable;
      const auto picture = stages.decode(frame, {.reduction = kReduction});
      if (picture) continue;
      print_error(console, picture.error());
      ++unreadable;
    }
  }
  return unreadable;
}

std::optional<cv::Size> full_size_of(const Burst& burst, const Stages& stages) {
  for (const FrameRef& frame : burst.frames) {
    if (frame.full_size) return frame.full_size;
  }
  constexpr int kReduction = 8;
  for (const FrameRef& frame : burst.frames) {
    if (const auto picture = stages.decode(frame, {.reduction = kReduction})) {
      return picture->full_size;
    }
  }
  return std::nullopt;
}

AnalysisOptions analysis_options(const CheckOptions& options, const Burst& burst,
                                 const Stages& stages) {
  AnalysisOptions result;
  result.threads = options.threads;
  result.blur_limit_px = options.blur_limit_px;
  result.lens = options.lens;
  result.subject = options.subject;
  result.first_end = options.first_end;
  result.larger_picture = options.larger_picture;
  if (options.blur_limit_handbook) {
    if (const auto size = full_size_of(burst, stages)) {
      result.blur_limit_px = handbook_blur_limit_px(*size);
    }
  }
  return result;
}

struct Analysed {
  std::vector<BurstAnalysis> bursts;
  bool failed = false;  ///< a burst could not be analysed; it was said why
};

Analysed analyse_all(const std::vector<Burst>& bursts, const CheckOptions& options,
                     const Console& console, const Stages& stages) {
  Analysed result;
  ProgressLine line(console);
  for (std::size_t i = 0; i < bursts.size() && !InterruptGuard::interrupted(); ++i) {
    const ReadFrame read = [&](const FrameRef& frame, int reduction) {
      return stages.decode(frame, {.reduction = reduction});
    };
    const Progress progress = [&](const char* stage, std::size_t done, std::size_t total) {
      line.show(
          fmt::format("Burst {} of {}: {} {} of {}", i + 1, bursts.size(), stage, done, total));
      return !InterruptGuard::interrupted();
    };
    try {
      for (BurstAnalysis& burst : stages.analyse(
               bursts[i], read, analysis_options(options, bursts[i], stages), progress)) {
        result.bursts.push_back(std::move(burst));
      }
    } catch (const std::bad_alloc&) {
      throw;
    } catch (const std::exception& error) {
      line.clear();
      print_error(console, {.file = bursts[i].folder,
                            .problem = fmt::format("could not be analysed ({})", error.what()),
                            .remedy = "look at its pictures yourself"});
      result.failed = true;
    }
  }
  return result;
}

void name_unreadable(const BurstAnalysis& burst, const Console& console) {
  for (const FrameAnalysis& frame : burst.frames) {
    if (!is_unreadable(frame)) continue;
    const std::string problem = wording::printable(frame.problem);
    const std::string file = wording::printable(frame.file);
    if (problem.starts_with(file)) {
      *console.err << "ringsweep: " << problem << "\n";
    } else {
      *console.err << "ringsweep: " << file << ": "
                   << (problem.empty() ? "cannot be read." : problem) << "\n";
    }
  }
}

std::string png_bytes(const cv::Mat& picture) {
  std::vector<std::uint8_t> bytes;
  cv::imencode(".png", picture, bytes);
  return {bytes.begin(), bytes.end()};
}

using Files = std::vector<std::pair<std::string, std::string>>;

Files report_files(const std::vector<BurstAnalysis>& bursts, const std::string& json,
                   const std::string& left_out) {
  std::string text;
  for (const BurstAnalysis& burst : bursts) {
    if (!text.empty()) text += "\n";
    text += summary_text(burst) + "\n" + details_text(burst);
  }
  const std::string scenes = scenes_text(bursts);
  text += fmt::format("\n{}{}", scenes, session_text(bursts));
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

/// Says below the verdict which folder the burst lies in, where there are several.
std::string with_folder(std::string summary, const std::string& folder) {
  std::size_t end = summary.find('\n');
  while (end != std::string::npos && end + 1 < summary.size() && summary[end + 1] == ' ') {
    end = summary.find('\n', end + 1);
  }
  if (end != std::string::npos) {
    summary.insert(end + 1, fmt::format("In folder {}.\n", wording::printable(folder)));
  }
  return summary;
}

void print_summaries(const std::vector<BurstAnalysis>& bursts, const CheckOptions& options,
                     std::ostream& out, bool colour) {
  std::set<std::string> folders;
  for (const BurstAnalysis& burst : bursts) folders.insert(burst.folder);
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    std::string summary = summary_text(bursts[i]);
    if (folders.size() > 1) summary = with_folder(std::move(summary), bursts[i].folder);
    if (i > 0) out << "\n";
    out << (colour ? coloured(summary, bursts[i].verdict.kind) : summary);
    if (options.details) out << "\n" << details_text(bursts[i]);
  }
  const std::string scenes = scenes_text(bursts);
  if (!scenes.empty()) out << "\n" << scenes;
  if (options.summary) out << "\n" << session_text(bursts);
}

bool is_sweep(const BurstAnalysis& burst) {
  return std::ranges::none_of(burst.verdict.reasons, [](const Reason& reason) {
    return reason.kind == ReasonKind::no_sweep;
  });
}

/// All of `check` but the ending by a signal, which must wait until everything is tidied up.
int check(const CheckOptions& options, const Console& console, const Stages& stages) {
  const auto refuse = [&](const Error& error) {
    print_error(console, error);
    return kNotWritten;
  };
  const bool json_to_out = options.json == "-";
  const auto folder = choose_report_folder(options.out, options.paths, stages.card_root);
  if (!folder) return refuse(folder.error());
  if (!options.json.empty() && !json_to_out) {
    if (const auto why = why_not_this_file(options.json, options.paths, stages.card_root)) {
      return refuse(*why);
    }
  }
  auto place = ReportPlace::prepare(folder->path);
  if (!place) return refuse(place.error());

  Intake intake = stages.find_bursts(options.paths, {.prefer_raw = options.prefer_raw});
  for (Burst& burst : intake.bursts) {
    std::erase_if(burst.frames, [](const FrameRef& frame) { return is_from_report(frame.path); });
  }
  std::erase_if(intake.bursts, [](const Burst& burst) { return burst.frames.empty(); });
  for (const Error& problem : intake.problems) print_error(console, problem);
  std::vector<Burst> bursts;
  std::vector<Burst> too_short;
  LeftOut left_out;
  for (const Burst& burst : intake.bursts) {
    if (burst.frames.size() >= kFewestFrames) {
      bursts.push_back(burst);
      continue;
    }
    too_short.push_back(burst);
    left_out.frames += burst.frames.size();
    left_out.all_single &= burst.frames.size() == 1;
  }
  std::ostream& text = json_to_out ? *console.err : *console.out;
  const bool colour = json_to_out ? console.colour_err : console.colour_out;
  const std::string left_out_text = left_out_line(left_out);
  name_unreadable(too_short, console, stages);
  if (bursts.empty()) {
    text << left_out_text;
    *console.err << "ringsweep: no burst of at least " << kFewestFrames
                 << " pictures was found; give the card, or the folder the burst lies in.\n";
    return kNothingFound;
  }

  tell_unused_lens(options, bursts, console);
  if (!can_learn(options, bursts, console, stages)) return kWrongCommand;

  const Analysed analysed = analyse_all(bursts, options, console, stages);
  if (InterruptGuard::interrupted()) return kStopped;
  for (const BurstAnalysis& burst : analysed.bursts) name_unreadable(burst, console);
  const auto has_picture = [](const BurstAnalysis& burst) {
    return !std::ranges::all_of(burst.frames, is_unreadable);
  };
  if (!analysed.failed && std::ranges::none_of(analysed.bursts, has_picture)) {
    text << left_out_text;
    *console.err << "ringsweep: none of the pictures can be read; try another card or reader.\n";
    return kNothingFound;
  }

  const std::string json = report_json(analysed.bursts).dump(2) + "\n";
  const auto written = place->write(report_files(analysed.bursts, json, left_out_text));
  Result<void> json_written;
  if (!options.json.empty() && !json_to_out) json_written = write_whole(options.json, json);

  // The answer is worth having even where it could not be written down.
  print_summaries(analysed.bursts, options, text, colour);
  if (!left_out_text.empty()) text << "\n" << left_out_text;
  const bool learnt = learn(options, analysed.bursts, console, text);
  if (written) text << "\nReport: " << wording::printable(folder->path.string()) << "\n";
  text.flush();
  if (json_to_out) *console.out << json << std::flush;

  if (!written) return refuse(written.error());
  if (!json_written) return refuse(json_written.error());
  if (!*console.out) {
    return refuse({.file = "standard output",
                   .problem = "cannot be written to",
                   .remedy = "the report folder has it all"});
  }
  if (!analysed.failed && std::ranges::none_of(analysed.bursts, is_sweep)) return kNothingFound;
  const bool complete = std::ranges::all_of(group_scenes(analysed.bursts), [](const Scene& scene) {
    return scene.verdict == VerdictKind::complete || scene.verdict == VerdictKind::complete_without;
  });
  return !analysed.failed && learnt && complete ? kComplete : kNotComplete;
}

}  // namespace

Stages real_stages() {
  return {.find_bursts = find_bursts,
          .decode = decode,
          .analyse = ringsweep::analyse,
          .card_root = card_root};
}

int run_check(const CheckOptions& options, const Console& console, const Stages& stages) {
  const InterruptGuard guard;
  const int status = check(options, console, stages);
  if (status != kStopped) return status;
  *console.err << "ringsweep: stopped; no report was written.\n";
  return end_by_signal();
}

}  // namespace ringsweep::app
