#include "app/analysis_options.h"

#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <charconv>
#include <map>
#include <string>
#include <vector>

#include "app/choice.h"

namespace ringsweep::app {
namespace {

/// What is known of the lens; why_not() says what makes no sense.
void add_lens_options(CLI::App& command, LensOptions& lens) {
  command
      .add_option("--working-f-number", lens.working_f_number,
                  "Working f-number: the marked one times (1 + m / P), see below. With it and the "
                  "pitch the lens's own blur (diffraction) is allowed for")
      ->type_name("N");
  command
      .add_option("--pitch-um", lens.pitch_um,
                  "Pitch: width of a pixel, thousandths of a mm (usually as the files say)")
      ->type_name("UM");
  command
      .add_option("--f-number", lens.f_number, "F-number, where the files hold none or a wrong one")
      ->type_name("N");
  add_choice<FNumberIs>(command, "--f-number-is", lens.f_number_is,
                        {{"working", FNumberIs::working}, {"marked", FNumberIs::marked}},
                        "Which one the f-number is, of the files or of --f-number")
      ->type_name("WHICH");
  command
      .add_option("--magnification", lens.magnification,
                  "m, 1 for life size: with it a marked f-number gives the working one, and steps "
                  "are told in mm")
      ->type_name("M");
  command.add_option("--pupil-ratio", lens.pupil_ratio, "P, exit over entrance pupil (1)")
      ->type_name("P");
}

/// "6000x4000".
std::optional<cv::Size> size_of(const std::string& text) {
  constexpr int kMostPx = 100'000;
  cv::Size size;
  const char* end = text.data() + text.size();
  const auto width = std::from_chars(text.data(), end, size.width);
  if (width.ec != std::errc() || width.ptr == end || *width.ptr != 'x') return std::nullopt;
  const auto height = std::from_chars(width.ptr + 1, end, size.height);
  if (height.ec != std::errc() || height.ptr != end) return std::nullopt;
  const auto possible = [](int side) { return side >= 1 && side <= kMostPx; };
  return possible(size.width) && possible(size.height) ? std::optional(size) : std::nullopt;
}

/// Which pictures are read, and in how much memory.
void add_picture_options(CLI::App& command, AnalysisRequest& request) {
  command.add_flag(
      "--raw", request.prefer_raw,
      "Of a raw and a JPEG of one name, read the raw (usually the one with fewer bytes "
      "to read that is large enough)");
  add_choice<RawPicture>(command, "--raw-picture", request.raw_picture,
                         {{"preview", RawPicture::preview}, {"sensor", RawPicture::sensor}},
                         "What of a raw file is read: its preview or the sensor data (usually the "
                         "preview, where it has half of the sensor's width or more)")
      ->type_name("WHICH");
  command
      .add_option_function<std::string>(
          "--full-size",
          [&request](const std::string& text) {
            request.full_size = size_of(text);
            if (!request.full_size)
              throw CLI::ValidationError("--full-size", "say width and height in px as 6000x4000");
          },
          "Size of the camera's own pictures, px, where the files are reduced copies that do not "
          "say so, or are themselves full size and too small to be taken for it")
      ->type_name("WxH");
  constexpr double kMegabyte = 1e6;
  const auto megabytes = [](std::size_t bytes) { return static_cast<double>(bytes) / kMegabyte; };
  command
      .add_option_function<double>(
          "--memory",
          [&request](double mb) { request.memory_bytes = static_cast<std::size_t>(mb * 1e6); },
          fmt::format("What the pictures that are held at once may take, MB ({:.0f}); with less, "
                      "pictures are read again and some checks may be left out",
                      megabytes(kUsualMemoryBytes)))
      ->type_name("MB")
      ->check(CLI::Range(megabytes(kLeastMemoryBytes), 1e6));
}

}  // namespace

void add_paths(CLI::App& command, std::vector<std::string>& paths) {
  command
      .add_option("PATH", paths,
                  "A card, folders or picture files; without any, the card that is in")
      ->type_name("");
}

void add_choice_options(CLI::App& command, AnalysisRequest& request) {
  command.add_option("--card", request.card, "Without PATH: which of several cards, by its number")
      ->type_name("N")
      ->check(CLI::PositiveNumber);
  CLI::Option* all = command.add_flag("--all", request.choice.all,
                                      "All bursts of a card; usually the newest and what was shot "
                                      "within an hour before it");
  CLI::Option* last = command.add_option("--last", request.choice.last, "The N newest bursts only")
                          ->type_name("N")
                          ->check(CLI::PositiveNumber);
  CLI::Option* since =
      command
          .add_option_function<std::string>(
              "--since",
              [&request](const std::string& text) {
                request.choice.since = moment_of(text);
                if (!request.choice.since)
                  throw CLI::ValidationError(
                      "--since", "say a time as 05:24, 2024-06-16 or '2024-06-16 05:24'");
              },
              "What was shot since then only, by the camera's clock: 05:24, or '2024-06-16 05:24'")
          ->type_name("TIME");
  last->excludes(all);
  since->excludes(all)->excludes(last);
  command.add_flag("--as-one", request.as_one,
                   "Take all pictures, of a card too, for one burst of one subject, however long "
                   "the pauses");
}

void add_analysis_options(CLI::App& command, AnalysisRequest& request) {
  add_picture_options(command, request);
  command.add_flag("--no-cache", request.no_cache,
                   "Measure everything anew; usually what was measured of the same pictures before "
                   "is taken from ~/.cache/ringsweep");
  command.add_flag("--ignore-drops", request.ignore_drops,
                   "Do not look for water drops that were lost");
  CLI::Option* blur_limit =
      command
          .add_option("--blur-limit", request.blur_limit_px,
                      "Largest blur that counts as sharp, px of the full-size picture "
                      "(usually the larger of 2 and diagonal / 3000)")
          ->type_name("PX")
          ->check(CLI::Range(0.1, 1000.0));
  CLI::Option* handbook = command.add_flag("--blur-limit-handbook", request.blur_limit_handbook,
                                           "The old handbooks' blur limit: diagonal / 1500");
  handbook->excludes(blur_limit);
  add_choice<Side>(command, "--first", request.first_end,
                   {{"near", Side::near}, {"far", Side::far}},
                   "Which end the first sweep of each burst began at")
      ->type_name("END");
  constexpr int kMostThreads = 1024;
  command.add_option("--threads", request.threads, "Threads to work with; 0: one per core")
      ->type_name("N")
      ->check(CLI::Range(0, kMostThreads));
  add_lens_options(command, request.lens);
}

}  // namespace ringsweep::app
