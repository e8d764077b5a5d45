#include "ringsweep/whole_shift.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// Between two usable frames that follow one another.
struct Step {
  std::size_t to = 0;
  double q_px = 0.0;
  cv::Vec2d shift_px{};
};

std::vector<Step> steps_of(const FocalPositions& focus, const SweepRange& sweep,
                           std::span<const cv::Vec2d> middle_px) {
  std::vector<Step> steps;
  std::size_t before = focus.frames.size();  // none yet
  for (std::size_t k = sweep.first; k <= sweep.last; ++k) {
    const FocalPosition& frame = focus.frames[k];
    if (!frame.usable || !frame.q_px) continue;
    if (before < focus.frames.size())
      steps.push_back({.to = k,
                       .q_px = *frame.q_px - *focus.frames[before].q_px,
                       .shift_px = middle_px[k] - middle_px[before]});
    before = k;
  }
  return steps;
}

/// What the ring does to the picture, px a px of focal position.
cv::Vec2d slope_of(const std::vector<Step>& steps) {
  std::vector<double> lengths;
  for (const Step& step : steps) lengths.push_back(std::abs(step.q_px));
  const double least = 0.25 * quantile(lengths, 0.5);  // of hardly a turn a slope is noise
  std::vector<double> x, y;
  for (const Step& step : steps) {
    if (!(std::abs(step.q_px) > least)) continue;
    x.push_back(step.shift_px[0] / step.q_px);
    y.push_back(step.shift_px[1] / step.q_px);
  }
  return x.empty() ? cv::Vec2d() : cv::Vec2d(quantile(x, 0.5), quantile(y, 0.5));
}

}  // namespace

std::vector<WholeShift> find_whole_shifts(const FocalPositions& focus,
                                          std::span<const SweepRange> sweeps,
                                          std::span<const cv::Vec2d> middle_px, double least_px) {
  if (middle_px.size() != focus.frames.size())
    throw std::invalid_argument("as many places as frames are needed");
  constexpr std::size_t kFewestSteps = 4;
  constexpr double kSds = 6.0;
  constexpr double kUsual = 0.75;         // of the steps are no jumps
  constexpr double kUsualInSds = 1.6651;  // Rayleigh: sqrt(-2 log(1 - kUsual))
  std::vector<WholeShift> shifts;
  for (const SweepRange& sweep : sweeps) {
    const std::vector<Step> steps = steps_of(focus, sweep, middle_px);
    if (steps.size() < kFewestSteps) continue;
    const cv::Vec2d slope = slope_of(steps);
    std::vector<double> beyond;
    for (const Step& step : steps) beyond.push_back(cv::norm(step.shift_px - step.q_px * slope));
    const double sd = quantile(beyond, kUsual) / kUsualInSds;
    for (std::size_t i = 0; i < steps.size(); ++i)
      if (beyond[i] > std::max(least_px, kSds * sd))
        shifts.push_back({.frame = steps[i].to, .shift_px = beyond[i]});
  }
  return shifts;
}

}  // namespace ringsweep
