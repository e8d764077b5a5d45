#pragma once
/// Where the fit of focal positions may begin.

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "ringsweep/for_each.h"

namespace ringsweep {

struct FocalStarts {
  std::vector<Eigen::VectorXd> positions{};  ///< each N long, px
  /// The same, from the picture's scale alone: to be preferred only where clearly better.
  std::vector<Eigen::VectorXd> by_scale{};
  /// N, px from the frame in use before to this one, as tiles show it that are nearly sharp in
  /// both; absent where there are none.
  std::vector<std::optional<double>> step_px{};
};

/// Sets of frame positions from blur read off single tiles: in capture order all one way; one way
/// and the other as the picture's scale goes, where that differs, and as the distances to earlier
/// frames fit best, where that is clearly better; and without any order, by embedding the distances
/// between frames on a line (classical scaling: Torgerson, Psychometrika 17, 1952, from memory),
/// which is what finds a ring that pauses or turns. Beside them, where the scale changes with the
/// ring, each frame's place by its scale alone, at three rates about the one that tiles tell.
/// @param blur_px N x S, frames x tiles, px; < 0 where it cannot be read.
/// @param scale N, of each frame's picture. @param use N; other frames get 0.
/// @param near_px up to this blur a reading is a good one.
[[nodiscard]] FocalStarts starting_positions(const Eigen::MatrixXf& blur_px,
                                             const std::vector<bool>& use,
                                             const Eigen::VectorXd& scale, double near_px,
                                             const ForEach& for_each);

/// A fit that has come to rest with the frames after some step mirrored or elsewhere is torn there:
/// a frame lies far from the one before it, although tiles that both show nearly sharp say
/// otherwise. Positions with the frames from there on put where the step says, and turned over.
/// @return none where nothing is torn; otherwise for the worst two places.
[[nodiscard]] std::vector<Eigen::VectorXd> mended_where_torn(
    const Eigen::VectorXd& q, const std::vector<std::optional<double>>& step_px,
    const std::vector<bool>& use);

}  // namespace ringsweep
