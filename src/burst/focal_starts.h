#pragma once
/// Where the fit of focal positions may begin.

#include <Eigen/Core>
#include <vector>

#include "ringsweep/for_each.h"

namespace ringsweep {

/// Sets of frame positions, px, each N long, from blur read off single tiles: in capture order all
/// one way; one way and the other as the picture's scale goes (where it does); and without any
/// order, by embedding the distances between frames on a line (classical scaling: Torgerson,
/// Psychometrika 17, 1952, from memory), which is what finds a ring that pauses or turns.
/// @param blur_px N x S, frames x tiles, px; < 0 where it cannot be read.
/// @param scale N, of each frame's picture. @param use N; other frames get 0.
/// @param near_px up to this blur a reading is a good one.
[[nodiscard]] std::vector<Eigen::VectorXd> starting_positions(const Eigen::MatrixXf& blur_px,
                                                              const std::vector<bool>& use,
                                                              const Eigen::VectorXd& scale,
                                                              double near_px,
                                                              const ForEach& for_each);

}  // namespace ringsweep
