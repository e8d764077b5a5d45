#include "measured_again.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <span>
#include <stdexcept>
#include <string>
#include <utility>

#include "check.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::accuracy {
namespace {

bool was_measured(const FrameAnalysis& frame) {
  constexpr std::array kNot{FrameFlag::dark, FrameFlag::partly_lit, FrameFlag::unreadable,
                            FrameFlag::other_settings, FrameFlag::other_picture};
  return frame.gain_ev && std::ranges::none_of(kNot, [&](FrameFlag flag) {
           return std::ranges::find(frame.flags, flag) != frame.flags.end();
         });
}

cv::Vec2d center_of(cv::Size size) { return {(size.width - 1) / 2.0, (size.height - 1) / 2.0}; }

/// From px of the decoded frame to the grid, the burst's middle scale being exp(to_middle) times
/// the reference frame's.
cv::Matx33d grid_from_frame(const BurstAnalysis& burst, const FrameAnalysis& frame,
                            const LinearFrame& picture, cv::Size grid, double to_middle) {
  const cv::Matx33d& m = frame.reference_from_frame;
  const cv::Matx22d turn(m(0, 0), m(0, 1), m(1, 0), m(1, 1));
  const cv::Vec2d full = center_of(burst.full_size), c = center_of(picture.luminance.size());
  const cv::Vec2d shift = turn * full + cv::Vec2d(m(0, 2), m(1, 2)) - full;
  const double per_working = std::exp(to_middle) / burst.working_px_per_px;
  const cv::Matx22d a = turn * (per_working * picture.full_px_per_px);
  const cv::Vec2d b = center_of(grid) + shift * per_working - a * c;
  return {a(0, 0), a(0, 1), b[0], a(1, 0), a(1, 1), b[1], 0.0, 0.0, 1.0};
}

/// Largest distance between the two, shift and sign taken off.
double apart_px(const FocalPositions& focus, const BurstAnalysis& burst) {
  double least = std::numeric_limits<double>::max();
  for (const double sign : {1.0, -1.0}) {
    double low = std::numeric_limits<double>::max(), high = std::numeric_limits<double>::lowest();
    for (std::size_t k = 0; k < burst.frames.size(); ++k) {
      if (!burst.frames[k].focus_px || !focus.frames[k].q_px) continue;
      const double off = sign * *focus.frames[k].q_px - *burst.frames[k].focus_px;
      low = std::min(low, off), high = std::max(high, off);
    }
    least = std::min(least, high - low);
  }
  return least;
}

MeasuredAgain measure_again(const Burst& found, BurstAnalysis analysis) {
  TileGrid grid;
  const double px = analysis.working_px_per_px;
  grid.size = {static_cast<int>(std::ceil(analysis.full_size.width / px)),
               static_cast<int>(std::ceil(analysis.full_size.height / px))};
  grid.tile_px = static_cast<int>(std::lround(analysis.depth.tile_px / px));
  const std::size_t n = analysis.frames.size();
  std::vector<bool> take(n);
  std::vector<double> log_scale(n);
  double low = 0.0, high = 0.0;
  for (std::size_t k = 0; k < n; ++k) {
    take[k] = was_measured(analysis.frames[k]);
    log_scale[k] = -std::log(analysis.frames[k].scale);  // of what brings it to the reference
    if (take[k]) low = std::min(low, log_scale[k]), high = std::max(high, log_scale[k]);
  }
  Mosaic mosaic = empty_mosaic(grid);
  std::vector<TileMeasures> measures(n);
  for (std::size_t k = 0; k < n; ++k) {
    const FrameAnalysis& frame = analysis.frames[k];
    const auto ref = std::ranges::find(found.frames, frame.file, &FrameRef::file);
    if (!take[k] || ref == found.frames.end()) continue;
    const auto picture = decode(*ref, {.reduction = static_cast<int>(px)});
    if (!picture) throw std::runtime_error(picture.error().file + ": " + picture.error().problem);
    const GridFrame measured = measure_on_grid(
        *picture, grid_from_frame(analysis, frame, *picture, grid.size, -0.5 * (low + high)),
        std::exp2(-*frame.gain_ev), grid);
    merge_into(mosaic, measured, k);
    measures[k] = measured.tiles;
  }
  MeasuredAgain again{.analysis = std::move(analysis)};
  again.profiles =
      collect_profiles(measures, measure_blur_curves(mosaic.luminance, grid), grid, px);
  again.focus = fit_focal_positions(again.profiles, take, log_scale);
  // What remains is rounding: places of pixels, and so energies, to some 1e-6, the fit's own end to
  // 2e-3 px (its smallest step).
  constexpr double kSamePx = 0.01;
  if (const double apart = apart_px(again.focus, again.analysis); !(apart <= kSamePx))
    throw std::runtime_error("measured again, frames lie up to " + std::to_string(apart) +
                             " px elsewhere than in the analysis");
  return again;
}

}  // namespace

std::vector<MeasuredAgain> measure_again(const std::filesystem::path& folder) {
  std::vector<MeasuredAgain> all;
  const ReadFrame read = [](const FrameRef& frame, int reduction) {
    return decode(frame, {.reduction = reduction});
  };
  for (const Burst& burst : find_bursts(std::span(&folder, 1)).bursts) {
    if (burst.frames.size() < kFewestFrames) continue;
    for (BurstAnalysis& one : analyse(burst, read))
      if (std::ranges::any_of(one.frames, [](const auto& f) { return f.focus_px.has_value(); }))
        all.push_back(measure_again(burst, std::move(one)));
  }
  return all;
}

}  // namespace ringsweep::accuracy
