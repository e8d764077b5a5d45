#include "depth_map.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>

namespace ringsweep {
namespace {

/// Log of the tile's coarse energy against the square of the picture's light, where a usable frame
/// focuses on it.
double contrast_in_focus(const MeasuredBurst& burst, const FocalPositions& focus,
                         double blur_limit_px, std::size_t t) {
  const TileProfile& tile = burst.profiles.tiles[t];
  double nearest = 0.25 * blur_limit_px, contrast = std::numeric_limits<double>::quiet_NaN();
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    const FocalPosition& frame = focus.frames[k];
    const MeasuredFrame& measured = burst.frames[k];
    if (!frame.usable || !frame.q_px || std::abs(*frame.q_px - focus.tiles[t].q_px) > nearest ||
        measured.valid.at<std::uint8_t>(tile.row, tile.col) == 0)
      continue;
    nearest = std::abs(*frame.q_px - focus.tiles[t].q_px);
    const double energy = measured.energy.at<float>(tile.row, tile.col);
    contrast = std::log(std::max(1e-12, energy)) - 2.0 * measured.log_light;
  }
  return contrast;
}

}  // namespace

DepthMap depth_map(const MeasuredBurst& burst, const FocalPositions& focus, const Subject& subject,
                   double blur_limit_px, const UprightMap& upright) {
  const int stray = static_cast<int>(TileRole::stray);
  const TileGrid& grid = burst.grid;
  DepthMap depth{.q_px = cv::Mat(grid.rows(), grid.cols(), CV_32FC1, cv::Scalar(NAN)),
                 .weight = cv::Mat(grid.rows(), grid.cols(), CV_32FC1, cv::Scalar(0)),
                 .role = cv::Mat(grid.rows(), grid.cols(), CV_8UC1, cv::Scalar(stray)),
                 .tile_px = 1.0 * grid.tile_px * burst.reduction,
                 .log_contrast = cv::Mat(grid.rows(), grid.cols(), CV_32FC1, cv::Scalar(NAN)),
                 .reference_from_tile = upright.reference_from_tile()};
  for (std::size_t t = 0; t < burst.profiles.tiles.size(); ++t) {
    const cv::Point at(burst.profiles.tiles[t].col, burst.profiles.tiles[t].row);
    depth.q_px.at<float>(at) = static_cast<float>(focus.tiles[t].q_px);
    depth.weight.at<float>(at) = static_cast<float>(focus.tiles[t].weight);
    depth.role.at<std::uint8_t>(at) = static_cast<std::uint8_t>(subject.roles[t]);
    depth.log_contrast.at<float>(at) =
        static_cast<float>(contrast_in_focus(burst, focus, blur_limit_px, t));
  }
  return depth;
}

}  // namespace ringsweep
