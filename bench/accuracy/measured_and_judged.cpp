#include "measured_and_judged.h"

#include <algorithm>
#include <span>
#include <utility>

#include "check.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::accuracy {

std::vector<MeasuredAndJudged> measure_and_judge(const std::filesystem::path& folder) {
  std::vector<MeasuredAndJudged> all;
  const ReadFrame read = [](const FrameRef& frame, int reduction) {
    return decode(frame, {.reduction = reduction});
  };
  for (const Burst& burst : find_bursts(std::span(&folder, 1)).bursts) {
    if (burst.frames.size() < kFewestFrames) continue;
    for (MeasuredBurst& part : measure(burst, read)) {
      BurstAnalysis judged = judge(part);
      if (std::ranges::any_of(judged.frames, [](const auto& f) { return f.focus_px.has_value(); }))
        all.push_back({.measured = std::move(part), .judged = std::move(judged)});
    }
  }
  return all;
}

}  // namespace ringsweep::accuracy
