#include "app/told.h"

#include <fmt/format.h>

#include <cstdint>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <ostream>
#include <string_view>

#include "app/stack_input.h"
#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep::app {
namespace {

constexpr std::size_t kTerminalColumns = 80;  // of the smallest terminal in use

std::string png_bytes(const cv::Mat& picture) {
  std::vector<std::uint8_t> bytes;
  cv::imencode(".png", picture, bytes);
  return {bytes.begin(), bytes.end()};
}

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

/// What the page takes beside the bursts.
std::vector<PageBurst> more_of(const std::vector<BurstAnalysis>& bursts,
                               const std::vector<Scene>& scenes,
                               std::vector<BurstPictures> pictures) {
  std::vector<PageBurst> more;
  for (const BurstAnalysis* burst : all_shown(bursts, scenes))
    more.push_back({.pictures = std::move(pictures.at(more.size())), .stack = stack_of(*burst)});
  return more;
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

}  // namespace

std::string words_for_stacklist(const AnalysisRequest& request) {
  std::string words;
  for (const std::filesystem::path& path : request.paths)
    words += fmt::format("{}{}", words.empty() ? "" : " ", shell_word(path.string()));
  return words + " --all";
}

std::string page_of(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                    const PageRun& run, std::vector<BurstPictures> pictures) {
  return report_page(bursts, scenes, more_of(bursts, scenes, std::move(pictures)), run);
}

Files report_files(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                   const PageRun& run, std::vector<BurstPictures> pictures) {
  std::string text;
  for (const BurstAnalysis& burst : bursts) {
    if (!text.empty()) text += "\n";
    text += summary_text(burst) + "\n" + details_text(burst);
  }
  text += fmt::format("\n{}{}", scenes_text(bursts, scenes), session_text(bursts, scenes));
  for (const Scene& scene : scenes)
    if (scene.whole)
      text +=
          fmt::format("\nTogether: {}\n{}", summary_text(*scene.whole), details_text(*scene.whole));
  if (!run.left_out.empty()) text += fmt::format("\n{}", run.left_out);
  // report.json first: by it the next run knows the other files as ours.
  Files files{{"report.json", report_json(bursts, scenes).dump(2) + "\n"}, {"report.txt", text}};
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const cv::Mat picture = depth_picture(bursts[i]);
    if (!picture.empty()) {
      files.emplace_back(fmt::format("depth-{}.png", i + 1), png_bytes(picture));
    }
  }
  const std::vector<PageBurst> more = more_of(bursts, scenes, std::move(pictures));
  files.emplace_back("report.html", report_page(bursts, scenes, more, run));
  files.emplace_back("frames.csv", frames_csv(bursts, more));
  return files;
}

void print_burst(const BurstAnalysis& burst, const PrintOptions& options, std::ostream& out) {
  const std::string text = summary_text(burst, options.quiet ? kNoColumns : kTerminalColumns);
  const std::string summary =
      options.quiet ? verdict_only(text) : with_drawing(text, burst, options.name_folder);
  out << (options.colour ? coloured(summary, burst.verdict.kind) : summary);
  if (options.details && !options.quiet) out << "\n" << details_text(burst);
}

void print_ending(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                  bool summary, std::ostream& out) {
  const std::string alike = scenes_text(bursts, scenes, kTerminalColumns);
  if (!alike.empty()) out << "\n" << alike;
  if (summary) out << "\n" << session_text(bursts, scenes, kTerminalColumns);
}

std::string newest_line(const std::vector<BurstAnalysis>& bursts,
                        const std::vector<Scene>& scenes) {
  if (bursts.empty()) return {};
  const auto verdict = [](const BurstAnalysis& burst) {
    return verdict_only(summary_text(burst, kNoColumns));
  };
  // The last of a scene, too: bursts of one rise.
  const auto newest = std::ranges::find(scenes, bursts.size() - 1,
                                        [](const Scene& scene) { return scene.bursts.back(); });
  if (newest == scenes.end() || newest->bursts.size() == 1)
    return "The newest: " + verdict(bursts.back());
  return "The newest scene: " + verdict(newest->whole ? *newest->whole : bursts[newest->best]);
}

}  // namespace ringsweep::app
