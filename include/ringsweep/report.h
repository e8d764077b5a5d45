#pragma once
/// Report: BurstAnalysis -> text and JSON, as strings. Nothing is written here.

#include <cstddef>
#include <limits>
#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "ringsweep/analyse.h"
#include "ringsweep/intake.h"
#include "ringsweep/session.h"

namespace ringsweep {

inline constexpr std::size_t kNoColumns = std::numeric_limits<std::size_t>::max();

/// The terminal summary of one burst. First line: the verdict in one sentence, file numbers as the
/// rear screen shows them; last line: what to do next. No px, sd, probability or word of the JSON.
/// @param columns  longer lines are broken; kNoColumns: none is
[[nodiscard]] std::string summary_text(const BurstAnalysis& burst, std::size_t columns = 100);

/// The first line's sentence without the frames that it is about: "Good: you may leave."
[[nodiscard]] std::string headline(const BurstAnalysis& burst);

/// The subject's depth as a line of characters from one end to the other: '=' where it is sharp in
/// a usable frame, '.' where in none, '-' where it is a little soft; the frames beside these below.
/// At most three lines of at most 80 columns (where names of frames are not longer than usual);
/// "" where depth is not known.
[[nodiscard]] std::string coverage_drawing(const BurstAnalysis& burst);

/// All numbers of one burst, for --details and report.txt.
[[nodiscard]] std::string details_text(const BurstAnalysis& burst);

/// Which bursts show the same subject, and the best of them so far; "" where each shows its own.
/// @param scenes group_scenes(bursts), as below
[[nodiscard]] std::string scenes_text(std::span<const BurstAnalysis> bursts,
                                      std::span<const Scene> scenes, std::size_t columns = 100);

/// How the session went: how many are complete, what was wrong with the rest, what improved.
[[nodiscard]] std::string session_text(std::span<const BurstAnalysis> bursts,
                                       std::span<const Scene> scenes, std::size_t columns = 100);

/// report.json; validates against src/report/report.schema.json. `drops` is absent where
/// they were not looked for, `moved` where too few frames could be used. All text in it is UTF-8,
/// whatever the bytes of the file names.
[[nodiscard]] nlohmann::json report_json(std::span<const BurstAnalysis> bursts,
                                         std::span<const Scene> scenes);
/// The same, with group_scenes(bursts).
[[nodiscard]] nlohmann::json report_json(std::span<const BurstAnalysis> bursts);

/// The depth picture: each tile in a colour for its focal position, dark violet at the lowest, over
/// red to pale yellow at the highest, grey where nothing can be told, small where it is not taken
/// for the subject; below it the bar of colours
/// with a tick where each usable frame focuses. CV_8UC3 (BGR), upright, a whole number of px a
/// tile, about 1200 px on the long side. Empty where the burst has no depth map.
[[nodiscard]] cv::Mat depth_picture(const BurstAnalysis& burst);

}  // namespace ringsweep
