#include "burst/frame_intervals.h"

#include <cmath>
#include <vector>

#include "numerics/quantile.h"

namespace ringsweep {

FrameIntervals frame_intervals(std::span<const std::optional<double>> time_s) {
  constexpr double kRounding = 1e-6;  // of seconds since 1970, in double precision
  FrameIntervals result;
  std::vector<double> intervals;
  for (std::size_t k = 1; k < time_s.size(); ++k) {
    if (!time_s[k - 1] || !time_s[k]) continue;
    const double interval_s = *time_s[k] - *time_s[k - 1];
    intervals.push_back(interval_s);
    result.whole_seconds =
        result.whole_seconds && std::abs(interval_s - std::round(interval_s)) < kRounding;
  }
  result.count = intervals.size();
  if (!intervals.empty()) result.usual_s = quantile_in_place(intervals, 0.5);
  return result;
}

}  // namespace ringsweep
