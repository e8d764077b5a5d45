#pragma once
/// Exposure: how much light each frame got, against the frames that the flash lit fully.

#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

namespace ringsweep {

/// The light of a frame on a coarse grid: what exposure needs of its pixels.
struct LightGrid {
  cv::Mat mean;     ///< CV_32FC1, kGridRows x kGridCols, mean linear luminance of each block
  cv::Mat clipped;  ///< CV_32FC1, the same size, share of clipped pixels, 0..1
  static constexpr int kGridRows = 16;
  static constexpr int kGridCols = 16;
};

/// Block means of one frame. @param luminance CV_32FC1 linear. @param clipped CV_8UC1, same size.
[[nodiscard]] LightGrid measure_light(const cv::Mat& luminance, const cv::Mat& clipped);

struct ExposureOptions {
  double dark_ev = -2.5;        ///< below this a frame is dark: DESIGN section 2
  double dim_ev = -0.7;         ///< below this it is dim
  double usable_ev = -1.5;      ///< a dim frame covers down to here: issue default
  double group_width_ev = 0.6;  ///< frames this close together are one lit group: flicker and the
                                ///< slow loss of light by extension stay inside it (2 log2(1.08))
  double most_trend_ev = 0.5;   ///< from the first to the last frame: more is the flash's doing
  double partly_ev = -1.0;      ///< a band of rows or columns this far below the rest is unlit
};

struct FrameExposure {
  std::optional<double> gain_ev;  ///< against the fully lit frames; absent for an unreadable frame
  double slow_ev = 0.0;           ///< what extension and the trend took besides, against the middle
  bool dark = false;
  bool dim = false;
  bool partly_lit = false;  ///< part of the frame got no flash (edge of the shutter)
  bool usable = false;      ///< enough light to show detail
};

/// Exposure of each frame of a burst.
///
/// The lit frames are the brightest group that holds together, not the median: four frames in five
/// may be dark. Light is compared block by block where the flash changes it: where some frame is
/// dark these are the blocks that lose most, so a background lit by the sky does not hide a missed
/// flash. Extension costs light: the image is as much fainter as it is larger, 1 / v^2 (Kingslake
/// and Johnson, Lens Design Fundamentals, 2010, from memory), and as much is taken out; besides, a
/// straight-line trend along the sweep, up to `most_trend_ev`.
/// @param grids one a frame in capture order; nullopt where the frame cannot be read.
/// @param log_scale one a frame, of its picture; empty: not known.
/// @param left_out CV_8UC1, kGridRows x kGridCols: blocks that say nothing of the light, as those
/// where grass sways in and out; empty: none
/// @throws std::invalid_argument where there are neither none nor as many as grids
[[nodiscard]] std::vector<FrameExposure> estimate_exposure(
    std::span<const std::optional<LightGrid>> grids, std::span<const double> log_scale = {},
    const cv::Mat& left_out = {}, const ExposureOptions& options = {});

}  // namespace ringsweep
