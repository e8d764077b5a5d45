#pragma once
/// Depth edges: whose contour parts two depths of the picture.
///
/// Where a near part ends in front of a farther one, its contour lies in the near part's depth: it
/// is sharp in the frame that focuses the near part, and a step as wide as the disc in the frame
/// that focuses the far one, where the near part's blur spreads over the far part's texture. The
/// far part has no contour of its own there. So the frame in which the step of luminance is sharp
/// tells which of the two sides is the nearer one (DESIGN section 4).
///
/// That holds where the near part hides what lies behind it. Hairs and the teeth of an antenna are
/// nearer, too, and have no contour; that of the body behind them lies in its own, farther depth.
/// Their texture goes on across it, while nothing is seen through an opaque part but for what its
/// disc lets pass.

#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/depth_look.h"

namespace ringsweep {

/// One place on a border between two textured depths.
struct DepthEdge {
  cv::Point at;              ///< px of the pictures
  double jump_px = 0.0;      ///< of the two sides' positions, > 0
  double contrast = 0.0;     ///< of the step, relative to the luminance
  double explained = 0.0;    ///< share of the profiles' variance that the better order explains
  double higher_near = 0.0;  ///< log of the misfits' ratio: > 0 where the side of the larger
                             ///< positions is the one with the contour, so the nearer
  /// Texture of the side without a contour that is seen on the other side of it, in the frame that
  /// shows it sharp: share of what that side has itself. About 0 behind what is opaque; noise may
  /// make it less.
  double seen_across = 0.0;
};

struct DepthEdgeOptions {
  double least_jump_px = 2.5;  ///< below this both steps are about as wide as the pixels
  double between_frames =
      2.0;                    ///< jumps of fewer steps between frames: the sides' depths are vague
  double texture = 5.0;       ///< a side's energy over the noise
  double peaked = 2.0;        ///< a side's energy in its sharpest frame over the mean of all
  double beside_ridge = 8.0;  ///< times (1 px / jump)^2: energy that a contour leaves beside it
  double least_beside_ridge = 0.02;  ///< the same for large jumps: filters leak a little
  double narrow = 12.0;              ///< times that, for a side that ends near its contour
  double same_side = 0.7;            ///< share of a side that must have its depth
};

/// @param pictures N, one size, by rising position. @param q_px N, rising, px of these pictures.
/// @param look of these pictures.
/// @return by rows. None where there are fewer than 5 pictures.
/// @throws std::invalid_argument where sizes differ.
/// Cost O(N x pixels).
[[nodiscard]] std::vector<DepthEdge> find_depth_edges(std::span<const cv::Mat> pictures,
                                                      std::span<const double> q_px,
                                                      const DepthLook& look,
                                                      const DepthEdgeOptions& options = {});

}  // namespace ringsweep
