#include "ringsweep/sweep_differences.h"

#include <algorithm>
#include <cmath>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Frames = std::vector<std::size_t>;

Frames usable_in(const FocalPositions& focus, const SweepRange& sweep) {
  Frames frames;
  for (std::size_t k = sweep.first; k <= sweep.last && k < focus.frames.size(); ++k)
    if (focus.frames[k].usable && focus.frames[k].q_px) frames.push_back(k);
  return frames;
}

template <class Value>
double median(const Frames& frames, const Value& value) {
  std::vector<double> values;
  for (const std::size_t k : frames) values.push_back(value(k));
  return quantile_in_place(values, 0.5);
}

double visible(double difference, double from) {
  return std::abs(difference) >= from ? difference : 0.0;
}

}  // namespace

std::vector<SweepDifference> compare_sweeps(const FocalPositions& focus,
                                            std::span<const SweepRange> sweeps,
                                            std::span<const FrameView> views,
                                            const SweepDifferenceOptions& options) {
  std::vector<SweepDifference> result(sweeps.size());
  if (sweeps.empty()) return result;
  const Frames first = usable_in(focus, sweeps[0]);
  const auto q = [&](std::size_t k) { return *focus.frames[k].q_px; };
  for (std::size_t i = 1; i < sweeps.size(); ++i) {
    const Frames own = usable_in(focus, sweeps[i]);
    if (first.empty() || own.empty()) continue;
    // Each of its frames beside the frame of the first sweep that focuses nearest to it.
    std::vector<double> size, rotation, shift;
    for (const std::size_t k : own) {
      const std::size_t beside = *std::ranges::min_element(
          first, {}, [&](std::size_t f) { return std::abs(q(f) - q(k)); });
      const FrameView &a = views[beside], &b = views[k];
      size.push_back(std::exp(b.log_scale - a.log_scale) - 1.0);
      rotation.push_back(b.rotation_deg - a.rotation_deg);
      shift.push_back(std::hypot(b.shift_x - a.shift_x, b.shift_y - a.shift_y));
    }
    SweepDifference& difference = result[i];
    difference.size = visible(quantile(size, 0.5), options.size);
    difference.rotation_deg = visible(quantile(rotation, 0.5), options.rotation_deg);
    difference.shift = visible(quantile(shift, 0.5), options.shift);
    const auto light = [&](std::size_t k) { return views[k].light_ev.value_or(0.0); };
    difference.light_ev = visible(median(own, light) - median(first, light), options.light_ev);
  }
  return result;
}

}  // namespace ringsweep
