#pragma once
/// Report: BurstAnalysis -> text and JSON, as strings. Nothing is written here.

#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "ringsweep/analyse.h"
#include "ringsweep/intake.h"

namespace ringsweep {

/// The terminal summary of one burst. First line: the verdict in one sentence, file numbers as the
/// rear screen shows them; last line: what to do next. No px, sd, probability or word of the JSON.
[[nodiscard]] std::string summary_text(const BurstAnalysis& burst);

/// All numbers of one burst, for --details and report.txt.
[[nodiscard]] std::string details_text(const BurstAnalysis& burst);

/// report.json of DESIGN section 7; validates against src/report/report.schema.json.
[[nodiscard]] nlohmann::json report_json(std::span<const BurstAnalysis> bursts);

/// The depth picture: each tile in a colour for its focal position, grey where nothing can be told.
/// CV_8UC3, upright.
[[nodiscard]] cv::Mat depth_picture(const BurstAnalysis& burst);

}  // namespace ringsweep
