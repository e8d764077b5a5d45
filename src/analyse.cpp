#include "ringsweep/analyse.h"

#include <tbb/task_arena.h>

#include <stdexcept>

namespace ringsweep {

MeasureOptions measure_options(const AnalysisOptions& options) {
  if (options.blur_limit_px && !(*options.blur_limit_px > 0.0))
    throw std::invalid_argument("blur_limit_px must be > 0");
  constexpr double kLeastDefaultPx = 2.0;  // of default_blur_limit_px()
  MeasureOptions result{.lens = options.lens,
                        .drops = !options.ignore_drops,
                        .memory_bytes = options.memory_bytes,
                        .threads = options.threads};
  if (options.blur_limit_px && *options.blur_limit_px < kLeastDefaultPx)
    result.finer_limit_px = options.blur_limit_px;
  return result;
}

std::vector<BurstAnalysis> analyse(const Burst& burst, const ReadFrame& read,
                                   const AnalysisOptions& options, const Progress& progress) {
  std::vector<BurstAnalysis> result;
  for (const MeasuredBurst& part : measure(burst, read, measure_options(options), progress))
    result.push_back(judge(part, options));
  return result;
}

}  // namespace ringsweep
