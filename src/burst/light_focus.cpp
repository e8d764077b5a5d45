#include "burst/light_focus.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

namespace ringsweep {

double misfit_of_sizes(std::span<const SizedSpot> sizes, double q_px) {
  constexpr double kLogSd = 0.35, kMost = 4.0;  // sizes go in steps of sqrt(2); ours, no source
  double least = std::numeric_limits<double>::infinity();
  for (const double sharp_px : {0.8, 1.0, 1.4, 2.0, 2.8}) {
    double misfit = 0.0;
    for (const SizedSpot& seen : sizes) {
      const double expected = std::hypot(sharp_px, std::abs(seen.q_px - q_px) / 4.0);
      misfit += std::min(kMost, std::pow(std::log(seen.sigma_px / expected) / kLogSd, 2));
    }
    least = std::min(least, misfit);
  }
  return least;
}

std::optional<LightFocus> focus_of_sizes(std::span<const SizedSpot> sizes, double low_px,
                                         double high_px) {
  constexpr double kStepPx = 0.25;
  if (sizes.size() < kFewestSizes || !(low_px <= high_px)) return std::nullopt;
  LightFocus best{.q_px = low_px, .misfit = std::numeric_limits<double>::infinity()};
  const auto steps = static_cast<std::size_t>((high_px - low_px) / kStepPx);
  std::vector<double> misfits(steps + 1);
  for (std::size_t i = 0; i <= steps; ++i) {
    const double q_px = low_px + kStepPx * static_cast<double>(i);
    misfits[i] = misfit_of_sizes(sizes, q_px);
    if (misfits[i] < best.misfit) best.q_px = q_px, best.misfit = misfits[i];
  }
  // One sd away it fits worse by one, whatever lies between.
  const auto good = [&](double misfit) { return misfit < best.misfit + 1.0; };
  const auto first = std::ranges::find_if(misfits, good);
  const auto last = std::find_if(misfits.rbegin(), misfits.rend(), good).base();
  best.sd_px = 0.5 * kStepPx * static_cast<double>(last - first);
  return best;
}

}  // namespace ringsweep
