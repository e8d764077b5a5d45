#pragma once
/// Analysis: from paths to analysed bursts, for the commands that look at pictures.

#include <cstddef>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "app/console.h"
#include "app/output_place.h"
#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::app {

inline constexpr std::size_t kFewestFrames = 5;  ///< a burst, by definition

/// What is looked at, and how.
struct AnalysisRequest {
  std::vector<std::filesystem::path> paths;
  bool prefer_raw = false;
  bool ignore_drops = false;  ///< lost drops do not matter: they are not looked for
  bool as_one = false;        ///< all pictures are one burst, whatever their times say
  std::optional<double> blur_limit_px;
  bool blur_limit_handbook = false;  ///< diagonal / 1500 instead
  int threads = 0;                   ///< 0: as many as there are cores
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
  Roots roots;
};

[[nodiscard]] Stages real_stages();

void print_error(const Console& console, const Error& error);

struct FoundBursts {
  std::vector<Burst> bursts;  ///< long enough for a sweep
  std::string left_out;       ///< a line that says how much was too short; may be empty
  std::map<std::string, std::vector<std::string>> twins;  ///< intake.h
};

/// Finds the bursts, without pictures of our own reports; names what cannot be found or read.
[[nodiscard]] FoundBursts find_whole_bursts(const AnalysisRequest& request, const Console& console,
                                            const Stages& stages);

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

[[nodiscard]] Analysed analyse_all(std::span<const Burst> bursts, const AnalysisRequest& request,
                                   const Console& console, const Stages& stages,
                                   Counting counting = {});

[[nodiscard]] bool is_unreadable(const FrameAnalysis& frame);

/// Says which frames cannot be read, and why.
void name_unreadable(const BurstAnalysis& burst, const Console& console);

}  // namespace ringsweep::app
