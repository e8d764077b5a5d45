#pragma once
/// A naive check of a burst, from general-purpose routines only: what the model of the lens has to
/// be better than.
///
/// The variance of the Laplacian in every tile of every frame; the frame of its peak is where the
/// tile is sharp. What that can answer:
/// - positions, if the ring went in equal steps: frame k at k times a constant. The constant is
///   taken from the truth, the best in hindsight, so only the shape error says anything.
/// - gaps, only where frames between two frames with peaks hold none: pictures alone have no px.
/// - complete, where every frame between the first and the last with peaks holds one; else reshoot.
/// It cannot tell ends, widths, the scale, exposure, movement, drops, or how to turn the ring.

#include <cstddef>
#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace ringsweep::accuracy {

/// A tile has a peak where its largest variance is at least this many times its median over the
/// frames: below, it is bare or never in focus. Common practice, no source.
inline constexpr double kPeakOverMedian = 2.0;

/// @param files    in capture order
/// @param read     picture k, 8-bit grey; empty: unreadable, holds no peak
/// @param tile_px  edge of a tile
/// @return a burst as in report.json, with verdict, gaps, and the frames' focus_px in frames
[[nodiscard]] nlohmann::json naive_report(const std::vector<std::string>& files,
                                          const std::function<cv::Mat(std::size_t)>& read,
                                          int tile_px);

/// The same with focus_px times the constant that fits the truth best, least squares.
[[nodiscard]] nlohmann::json with_best_step(nlohmann::json naive, const nlohmann::json& truth);

}  // namespace ringsweep::accuracy
