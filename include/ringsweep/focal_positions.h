#pragma once
/// Focal positions: sharpness profiles -> where each frame, and each tile, focuses.

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

namespace ringsweep {

enum class FitStatus { not_run, converged, iteration_limit, too_few_frames, no_subject, not_trusted };

/// Position of one frame, in px of blur at the burst's middle scale (DESIGN section 2).
struct FocalPosition {
  std::optional<double> q_px;   ///< absent: the pictures do not tell
  std::optional<double> sd_px;  ///< against the mean of the usable frames; scale error excluded
  bool usable = false;          ///< covers depth: has a position, is lit, sharp and readable
};

/// Position of one tile of the scene.
struct TilePosition {
  double q_px = 0.0;
  double sd_px = 0.0;
  double weight = 0.0;  ///< 0..1, how far it can be trusted to see one depth
};

struct FocalPositions {
  std::vector<FocalPosition> frames;  ///< N, capture order
  std::vector<TilePosition> tiles;    ///< M, order of the profiles' tiles
  Eigen::MatrixXd covariance_px2;     ///< N x N, of q_px, scale error excluded; 0 where absent
  double scale_sd = 0.0;              ///< relative, of all differences
  FitStatus status = FitStatus::not_run;
  std::string reason;  ///< in words, where the status is not `converged`
  int iterations = 0;
  double cost = 0.0;
};

}  // namespace ringsweep
