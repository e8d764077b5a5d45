#include "tiles_in_common.h"

namespace ringsweep {

std::vector<TwoTiles> tiles_in_common(const DepthMap& a, const DepthMap& b,
                                      const cv::Matx33d& a_from_b, double least_weight) {
  std::vector<TwoTiles> result;
  for (int row = 0; row < b.q_px.rows; ++row)
    for (int col = 0; col < b.q_px.cols; ++col) {
      if (b.weight.at<float>(row, col) < least_weight) continue;
      const cv::Vec3d at =
          a_from_b * cv::Vec3d((col + 0.5) * b.tile_px - 0.5, (row + 0.5) * b.tile_px - 0.5, 1.0);
      const cv::Point tile(cvFloor((at[0] + 0.5) / a.tile_px), cvFloor((at[1] + 0.5) / a.tile_px));
      if (!cv::Rect({}, a.q_px.size()).contains(tile) || a.weight.at<float>(tile) < least_weight)
        continue;
      result.push_back({.a = tile, .b = {col, row}});
    }
  return result;
}

}  // namespace ringsweep
