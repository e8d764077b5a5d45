#include "ringsweep/exposure.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr int kBlocks = LightGrid::kGridRows * LightGrid::kGridCols;
constexpr float kNotTold = 99.0F;  // loss of a block that says nothing
constexpr double kFloor = 1e-4;    // of full scale: 8 bit sRGB's first step is 3e-4

double ev(double value) { return std::log2(std::max(value, kFloor)); }

/// Where the brightest group of at least two frames (one, if it stands alone) has its middle.
double lit_level(std::vector<double> levels, double width) {
  std::ranges::sort(levels, std::greater<>());
  // One frame may be too bright by accident (a second flash); two that agree are the lit group.
  for (std::size_t i = 0; i + 1 < levels.size(); ++i) {
    if (levels[i] - levels[i + 1] > width) continue;
    std::vector<double> group;
    for (std::size_t j = i; j < levels.size() && levels[i] - levels[j] <= width; ++j)
      group.push_back(levels[j]);
    return quantile(group, 0.5);
  }
  return levels.front();
}

/// Drop across a straight edge that parts the frame's rows or columns in a lit and an unlit side; 0
/// where there is none. Each side must agree with itself over its whole breadth: a shutter's edge
/// does, the outline of a subject before a sky, or a gradient of light, does not.
double border_drop(const cv::Mat& loss, bool rows) {
  const cv::Mat bands = rows ? loss : cv::Mat(loss.t());
  double worst = 0.0;
  for (int cut = 1; cut < bands.rows; ++cut) {
    const auto side = [&](int from, int to) {
      std::vector<double> values;
      for (int i = from; i < to; ++i)
        for (int b = 0; b < bands.cols; ++b)
          if (bands.at<float>(i, b) < kNotTold) values.push_back(bands.at<float>(i, b));
      return values;
    };
    const std::vector<double> a = side(0, cut), b = side(cut, bands.rows);
    if (a.empty() || b.empty()) continue;
    const double step = std::abs(quantile(a, 0.5) - quantile(b, 0.5));
    const double spread =
        std::max(quantile(a, 0.9) - quantile(a, 0.1), quantile(b, 0.9) - quantile(b, 0.1));
    if (spread < 0.5 * step) worst = std::min(worst, -step);
  }
  return worst;
}

}  // namespace

LightGrid measure_light(const cv::Mat& luminance, const cv::Mat& clipped) {
  CV_Assert(luminance.type() == CV_32FC1 && clipped.type() == CV_8UC1 &&
            luminance.size() == clipped.size());
  const cv::Size grid(LightGrid::kGridCols, LightGrid::kGridRows);
  LightGrid light;
  cv::resize(luminance, light.mean, grid, 0, 0, cv::INTER_AREA);
  cv::Mat share;
  clipped.convertTo(share, CV_32F, 1.0 / 255.0);
  cv::resize(share, light.clipped, grid, 0, 0, cv::INTER_AREA);
  return light;
}

std::vector<FrameExposure> estimate_exposure(std::span<const std::optional<LightGrid>> grids,
                                             std::span<const double> log_scale,
                                             const cv::Mat& left_out,
                                             const ExposureOptions& options) {
  const std::size_t n = grids.size();
  if (!log_scale.empty() && log_scale.size() != n)
    throw std::invalid_argument("log_scale needs one entry a frame, or none");
  // Without what extension took.
  const auto extension_ev = [&](std::size_t k) {
    return log_scale.empty() ? 0.0 : -2.0 * log_scale[k] / std::numbers::ln2;
  };
  const auto level_of = [&](std::size_t k, int b) {
    return ev(grids[k]->mean.at<float>(b / 16, b % 16)) - extension_ev(k);
  };
  std::vector<FrameExposure> result(n);
  std::vector<std::size_t> readable;
  for (std::size_t k = 0; k < n; ++k)
    if (grids[k]) readable.push_back(k);
  if (readable.empty()) return result;

  std::vector<int> told;
  for (int b = 0; b < kBlocks; ++b)
    if (left_out.empty() || left_out.at<uchar>(b / 16, b % 16) == 0) told.push_back(b);
  if (told.empty()) return estimate_exposure(grids, log_scale, {}, options);
  // Each block against what it is in the brightest frames (second brightest: one may be an
  // accident).
  std::vector<double> full(kBlocks);
  for (int b = 0; b < kBlocks; ++b) {
    std::vector<double> levels;
    for (const std::size_t k : readable) levels.push_back(level_of(k, b));
    full[static_cast<std::size_t>(b)] = lit_level(levels, options.group_width_ev);
  }
  const auto loss = [&](std::size_t k, int b) {
    return level_of(k, b) - full[static_cast<std::size_t>(b)];
  };
  // A frame that the shutter's edge cut is told first: its dark side is not what the flash lights.
  for (const std::size_t k : readable) {
    cv::Mat map(LightGrid::kGridRows, LightGrid::kGridCols, CV_32FC1, cv::Scalar(kNotTold));
    for (const int b : told) map.at<float>(b / 16, b % 16) = static_cast<float>(loss(k, b));
    result[k].partly_lit =
        std::min(border_drop(map, true), border_drop(map, false)) < options.partly_ev;
  }
  // Blocks that the flash lights: where the frame with the deepest loss loses at least half of it.
  std::vector<double> depth(readable.size(), 0.0);
  for (std::size_t i = 0; i < readable.size(); ++i) {
    if (result[readable[i]].partly_lit) continue;
    std::vector<double> losses;
    for (const int b : told) losses.push_back(loss(readable[i], b));
    depth[i] = quantile(losses, 0.05);
  }
  const std::size_t deepest =
      static_cast<std::size_t>(std::distance(depth.begin(), std::ranges::min_element(depth)));
  std::vector<int> lit;
  for (const int b : told)
    if (depth[deepest] > options.dim_ev || loss(readable[deepest], b) < 0.5 * depth[deepest])
      lit.push_back(b);

  std::vector<double> level(readable.size());
  for (std::size_t i = 0; i < readable.size(); ++i) {
    std::vector<double> losses;
    for (const int b : lit) losses.push_back(loss(readable[i], b));
    // Of a cut frame the lit side counts.
    level[i] = quantile(losses, result[readable[i]].partly_lit ? 0.9 : 0.5);
  }
  // A little of the lit frames' own straight line along the sweep is extension that the scale does
  // not show, or a slow dawn, and not the flash.
  const double top = lit_level(level, options.group_width_ev);
  double si = 0, sl = 0, sii = 0, sil = 0, m = 0;
  for (std::size_t i = 0; i < readable.size(); ++i) {
    if (std::abs(level[i] - top) > options.group_width_ev) continue;
    const double x = static_cast<double>(readable[i]);
    si += x, sl += level[i], sii += x * x, sil += x * level[i], m += 1.0;
  }
  const double spread = sii - si * si / m;
  const double most = options.most_trend_ev / std::max<double>(1.0, static_cast<double>(n) - 1.0);
  const double slope =
      m >= 4.0 && spread > 0.0 ? std::clamp((sil - si * sl / m) / spread, -most, most) : 0.0;
  for (std::size_t i = 0; i < readable.size(); ++i) {
    const std::size_t k = readable[i];
    const double line = sl / m + slope * (static_cast<double>(k) - si / m);
    FrameExposure& e = result[k];
    e.gain_ev = level[i] - line;
    e.slow_ev = line - sl / m + extension_ev(k);
    e.dark = !e.partly_lit && *e.gain_ev < options.dark_ev;
    e.dim = !e.partly_lit && !e.dark && *e.gain_ev < options.dim_ev;
    e.usable = *e.gain_ev >= options.usable_ev && !e.partly_lit;
  }
  return result;
}

}  // namespace ringsweep
