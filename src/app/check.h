#pragma once
/// `ringsweep check`: every burst under the paths, analysed, told and written down.

#include <filesystem>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "app/console.h"
#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::app {

struct CheckOptions {
  std::vector<std::filesystem::path> paths;
  std::string json;  ///< file to write the report to as well, "-" for standard output, "" for none
  std::optional<std::filesystem::path> out;  ///< report folder; absent: output_place.h chooses
  bool details = false;
  bool summary = false;  ///< how the session went, at the end
  bool prefer_raw = false;
  std::optional<double> blur_limit_px;
  bool blur_limit_handbook = false;  ///< diagonal / 1500 instead
  int threads = 0;                   ///< 0: as many as there are cores
  LensOptions lens;
  SubjectChoice subject;
  std::optional<Side> first_end;  ///< where the first sweep of every burst began
  // Of learn.h:
  std::optional<std::string> lens_name;   ///< a lens learnt before
  std::optional<std::string> learn_name;  ///< a lens to be learnt
  std::optional<double> turned_deg;       ///< of its ring, over the burst
  std::optional<Side> larger_picture;     ///< what the lens learnt before says
};

/// The library's stages as `check` calls them: the real ones in the tool, fakes in its tests.
struct Stages {
  std::function<Intake(std::span<const std::filesystem::path>, const IntakeOptions&)> find_bursts;
  std::function<Result<LinearFrame>(const FrameRef&, const DecodeOptions&)> decode;
  std::function<std::vector<BurstAnalysis>(const Burst&, const ReadFrame&, const AnalysisOptions&,
                                           const Progress&)>
      analyse;
  std::function<std::optional<std::filesystem::path>(const std::filesystem::path&)> card_root;
};

[[nodiscard]] Stages real_stages();

/// @return the exit status, exit_status.h.
/// @throws what the standard library throws when memory or a device fails; run() catches it.
int run_check(const CheckOptions& options, const Console& console, const Stages& stages);

}  // namespace ringsweep::app
