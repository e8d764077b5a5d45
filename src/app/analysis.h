#pragma once
/// Analysis: from paths to analysed bursts, for the commands that look at pictures.

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "app/cache.h"
#include "app/choose_bursts.h"
#include "app/console.h"
#include "app/output_place.h"
#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::app {

/// What is looked at, and how.
struct AnalysisRequest {
  std::vector<std::filesystem::path> paths;
  std::optional<std::size_t> card;  ///< without paths: which of the cards that are in, from 1
  BurstChoice choice;
  bool prefer_raw = false;
  bool ignore_drops = false;  ///< lost drops do not matter: they are not looked for
  bool no_cache = false;      ///< everything is measured anew, and nothing kept
  bool as_one = false;        ///< all pictures are one burst, whatever their times say; of a card
                              ///< all bursts, where the choice says nothing else
  std::optional<double> blur_limit_px;
  bool blur_limit_handbook = false;     ///< diagonal / 1500 instead
  std::optional<cv::Size> full_size{};  ///< of the camera's pictures, where the files are copies
  RawPicture raw_picture = RawPicture::by_size;
  std::size_t memory_bytes = kUsualMemoryBytes;
  int threads = 0;  ///< 0: as many as there are cores
  LensOptions lens;
  SubjectChoice subject;
  std::optional<Side> first_end;       ///< where the first sweep of every burst began
  std::optional<Side> larger_picture;  ///< what a lens learnt before says
};

/// The library's stages as the commands call them: the real ones in the tool, fakes in its tests.
struct Stages {
  std::function<Intake(std::span<const std::filesystem::path>, const IntakeOptions&)> find_bursts;
  std::function<Result<LinearFrame>(const FrameRef&, const DecodeOptions&)> decode;
  std::function<Result<ViewFrame>(const FrameRef&, const DecodeOptions&)> view;
  std::function<std::vector<BurstAnalysis>(const Burst&, const ReadFrame&, const AnalysisOptions&,
                                           const Progress&)>
      analyse;
  std::function<std::optional<LinearFrame>(const FrameRef&)> thumbnail = [](const FrameRef&) {
    return std::nullopt;
  };
  Roots roots;
  /// Room on the disk of a folder, for this user; nothing where it is not known.
  std::function<std::optional<std::uintmax_t>(const std::filesystem::path&)> free_bytes =
      [](const std::filesystem::path&) { return std::nullopt; };
  std::function<std::vector<std::filesystem::path>()> mounted_cards = [] {
    return std::vector<std::filesystem::path>{};
  };
  /// decode() with a view that comes along; may be empty.
  std::function<Result<LinearFrame>(const FrameRef&, const DecodeOptions&, ViewAlong&)>
      decode_along{};
  /// What was measured before, and the pictures made of it; without it `analyse` is asked.
  std::shared_ptr<const Cache> cache{};
};

[[nodiscard]] Stages real_stages();

/// Without the cache where the user wants none, or, which is said on `err`, where it lies on a disk
/// that is read.
[[nodiscard]] Stages with_cache_if_allowed(Stages stages, const AnalysisRequest& request,
                                           const Console& console);

/// Where no path was given, takes the one card that is in, or that of --card. Says on `err` which
/// it is, or why none can be taken.
/// @param command  for the example
/// @return false: nothing is to be done
[[nodiscard]] bool use_mounted_card(AnalysisRequest& request, const std::string& command,
                                    const Console& console, const Stages& stages);

void print_error(const Console& console, const Error& error);

struct FoundBursts {
  std::vector<Burst> bursts;  ///< long enough for a sweep
  std::string left_out;       ///< lines that say what was not looked at, and why; may be empty
  std::size_t older = 0;      ///< bursts that were not chosen
  std::size_t series = 0;     ///< long enough, but of other things
  std::map<std::string, std::vector<std::string>> twins;  ///< intake.h
};

/// Takes into the frames what the user says of the files: their full size, and which picture of a
/// raw is read.
/// @return of each burst one frame that the full size does not fit
std::vector<FrameRef> take_what_is_said(std::vector<Burst>& bursts, const AnalysisRequest& request);

/// Finds the bursts and chooses among them (choose_bursts.h), without series of which most pictures
/// show something else, unless they were named one by one, and without pictures of our own reports;
/// names what cannot be found or read.
[[nodiscard]] FoundBursts find_whole_bursts(const AnalysisRequest& request, const Console& console,
                                            const Stages& stages);

/// Where there is no burst to look at: says why, and what to do about it.
void tell_nothing_found(const FoundBursts& found, const Console& console);

struct Analysed {
  std::vector<BurstAnalysis> bursts;
  /// For each of them: its frames' files, one a frame.
  std::vector<std::vector<std::optional<FrameRef>>> files;
  bool failed = false;  ///< a burst could not be analysed; it was said why
};

/// Where some bursts stand among all, for the line that tells the progress.
struct Counting {
  std::size_t first = 0;
  std::size_t of = 0;  ///< 0: these are all
};

/// Called with each burst as soon as it is analysed; with its parts, where it was parted.
using OnBurst = std::function<void(const Analysed&)>;

/// The newest first, so that a card that is pulled out early has told most; the result is in the
/// order of the bursts.
[[nodiscard]] Analysed analyse_all(std::span<const Burst> bursts, const AnalysisRequest& request,
                                   const Console& console, const Stages& stages,
                                   Counting counting = {}, const OnBurst& on_burst = {});

[[nodiscard]] bool is_unreadable(const FrameAnalysis& frame);

/// Says which frames cannot be read, and why.
void name_unreadable(const BurstAnalysis& burst, const Console& console);

}  // namespace ringsweep::app
