#include "check.h"

#include <algorithm>
#include <chrono>
#include <span>
#include <utility>
#include <vector>

#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "ringsweep/report.h"
#include "score.h"

namespace ringsweep::accuracy {
namespace {

nlohmann::json steps_json(const BurstAnalysis& burst) {
  nlohmann::json list = nlohmann::json::array();
  for (const Step& step : burst.coverage.steps) {
    const auto [after, before] = std::minmax(step.lower, step.upper);
    list.push_back({{"after", burst.frames[after].file},
                    {"before", burst.frames[before].file},
                    {"width_px", step.width_px},
                    {"width_sd_px", step.width_sd_px}});
  }
  return list;
}

}  // namespace

nlohmann::json said_of(std::span<const BurstAnalysis> bursts) {
  nlohmann::json report = report_json(bursts);
  for (std::size_t i = 0; i < bursts.size(); ++i)
    report["bursts"][i]["steps"] = steps_json(bursts[i]);
  return merged(report);
}

Answer check(const std::filesystem::path& folder, const LensOptions& lens) {
  const auto start = std::chrono::steady_clock::now();
  const ReadFrame read = [](const FrameRef& frame, int reduction) {
    return decode(frame, {.reduction = reduction});
  };
  std::vector<BurstAnalysis> bursts;
  for (const Burst& burst : find_bursts(std::span(&folder, 1)).bursts) {
    if (burst.frames.size() < kFewestFrames) continue;
    for (BurstAnalysis& one : analyse(burst, read, {.lens = lens}))
      bursts.push_back(std::move(one));
  }
  Answer answer{.said = said_of(bursts)};
  answer.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  return answer;
}

}  // namespace ringsweep::accuracy
