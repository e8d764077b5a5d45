#pragma once
/// Stray tiles: parts of two pictures laid over each other that go another way than most do, as a
/// blade of grass that sways before the subject, or a leg that moved.

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <span>

namespace ringsweep {

/// The normal equations of the shift of one square tile alone.
struct TileEquations {
  Eigen::Vector2d at = Eigen::Vector2d::Zero();  ///< its middle about the picture's, over the
                                                 ///< distance of the corners
  Eigen::Matrix2d h = Eigen::Matrix2d::Zero();
  Eigen::Vector2d g = Eigen::Vector2d::Zero();  ///< shift = h^-1 g, px
};

struct StrayTiles {
  /// What most tiles ask for: scale and rotation as px at the corner, and shift, px.
  Eigen::Vector4d move = Eigen::Vector4d::Zero();
  cv::Mat astray;  ///< CV_8UC1, 255 where a tile goes another way; empty: none does
};

/// Each tile with texture has one vote, whatever its contrast: a strip dark before bright ground
/// would outweigh all else by its gradients. Tukey's biweight over what is left of the shifts
/// (Beaton & Tukey, Technometrics 16(2), 1974), from Huber's solution.
/// @param tiles grid.height x grid.width, row by row. @param sigma sd of a pixel's residual.
[[nodiscard]] StrayTiles find_stray_tiles(std::span<const TileEquations> tiles, cv::Size grid,
                                          double sigma);

}  // namespace ringsweep
