#pragma once
/// From the grid to the picture as people see it: full-size px of the upright reference frame.

#include <opencv2/core.hpp>

#include "ringsweep/profiles.h"

namespace ringsweep {

struct UprightMap {
  cv::Matx33d reference_from_grid;  ///< full-size px of the reference frame as it was stored
  cv::Size full_size;               ///< of that
  int orientation = 1;              ///< of Exif
  int tile_px = 1;                  ///< of the grid

  [[nodiscard]] cv::Point2d point(cv::Point2d on_grid) const;
  /// Column and row of a tile to its middle in the picture as it was stored.
  [[nodiscard]] cv::Matx33d reference_from_tile() const;
  /// The middle of a tile.
  [[nodiscard]] cv::Point2d tile(int row, int col) const;
  /// Around a box of the grid, cut to the picture.
  [[nodiscard]] cv::Rect box(const cv::Rect2d& on_grid) const;
  /// Of the upright picture.
  [[nodiscard]] cv::Size size() const;
};

}  // namespace ringsweep
