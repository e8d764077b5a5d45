#include "check.h"

#include <chrono>
#include <span>
#include <utility>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "ringsweep/report.h"
#include "score.h"

namespace ringsweep::accuracy {

Answer check(const std::filesystem::path& folder, const LensOptions& lens) {
  constexpr std::size_t kFewestFrames = 5;  // fewer are no burst: as in `ringsweep check`
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
  Answer answer{.said = merged(report_json(bursts))};
  answer.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
  return answer;
}

}  // namespace ringsweep::accuracy
