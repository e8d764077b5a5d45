#pragma once
/// The least squares of all frames and tiles: its cost, its normal equations, and the way down.

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "burst/fit_state.h"
#include "numerics/envelope_matrix.h"

namespace ringsweep {

/// Energies of some tiles in the frames about them, laid out for quick passes. Which frames those
/// are is settled when it is made; what lies farther off says nothing about where exactly.
///
/// Frames are taken in the order of their positions, so that a tile's frames stand side by side.
/// Two unknowns a frame, position and log gain, stand at 2 i and 2 i + 1 of the i-th of them.
class FrameSystem {
 public:
  /// Of a tile's frames, those that are far off and show it far out of focus are left out: all of
  /// them, or but for the two next to the one that shows it sharpest. These hold it there from both
  /// sides where steps are long; they say where only while the frames lie in their true order.
  enum class Reach { near, to_next };
  FrameSystem(const FitInput& input, const FitState& state, std::span<const std::size_t> tiles,
              Reach reach = Reach::near);

  /// Levenberg and Marquardt's way down from `state`, tiles eliminated (Schur complement).
  struct Descent {
    int iterations = 0;
    bool converged = false;
  };
  Descent descend(FitState& state, int most_iterations) const;

  /// Robust cost of the energies, the priors and the breathing.
  [[nodiscard]] double cost(const FitState& state) const;

  /// Reduced normal matrix of the frames' unknowns, and the parts of its gradient that err
  /// independently: one for each part of the picture and for each frame's breathing.
  struct Curvature {
    Eigen::MatrixXd normal;               ///< 2 F x 2 F, F frames in use
    std::vector<Eigen::VectorXd> scores;  ///< 2 F each
  };
  [[nodiscard]] Curvature curvature(const FitState& state) const;

  /// Frames in use, by position.
  [[nodiscard]] const std::vector<std::size_t>& frames() const { return frames_; }

 private:
  static constexpr Eigen::Index kTileUnknowns = 1 + kNumBands;  // position, one amplitude a band
  using TileVec = Eigen::Matrix<double, kTileUnknowns, 1>;
  using TileMat = Eigen::Matrix<double, kTileUnknowns, kTileUnknowns>;
  using Coupling = Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, kTileUnknowns>>;

  /// A tile's stretch of frames.
  struct Stretch {
    std::size_t tile = 0;
    Eigen::Index first = 0, count = 0;  ///< of frames_
    Eigen::Index peak = 0;              ///< its sharpest frame, of frames_
    std::size_t before = 0;             ///< frames of the stretches before this one
  };
  /// What the curves say of every energy, laid out as seen_.
  struct Curves {
    std::vector<float> value, log_slope;
  };
  /// A tile's own part of the equations, for stepping back to it: V its unknowns' own block, L its
  /// factor, C their coupling with the frames' (2 count x 4).
  struct TilePart {
    TileMat factor;    ///< L of V = L L^T
    TileVec gradient;  ///< L^-1 of it
  };
  struct Workspace;
  struct Normal {
    EnvelopeMatrix a;  ///< without what the breathing line's own two unknowns take off
    Eigen::MatrixX2d line;
    Eigen::Matrix2d line_own;  ///< the whole is a - line line_own^-1 line^T
    Eigen::VectorXd diagonal;  ///< of the whole
    Eigen::VectorXd b;
    std::vector<TilePart> tiles;
    std::vector<double> coupling;  ///< C L^-T of all tiles
  };

  [[nodiscard]] std::vector<Workspace> workspaces() const;
  [[nodiscard]] Normal empty_normal() const;
  [[nodiscard]] Coupling coupling(const Stretch& stretch, Normal& normal) const;
  double cost(const FitState& state, Curves& curves, std::vector<Workspace>& rooms) const;
  void linearise(const FitState& state, const Curves& curves, double lambda, Normal& normal,
                 std::vector<Workspace>& rooms, std::vector<Eigen::VectorXd>* scores) const;
  void add_tile(const FitState& state, const Curves& curves, const Stretch& stretch, double lambda,
                Workspace& room, TilePart& part, Coupling coupling) const;
  void add_breathing(const FitState& state, Normal& normal,
                     std::vector<Eigen::VectorXd>* scores) const;
  [[nodiscard]] static std::optional<Eigen::VectorXd> damped_step(const Normal& normal,
                                                                  double lambda,
                                                                  EnvelopeMatrix& factor);
  [[nodiscard]] double breathing_cost(const FitState& state) const;
  [[nodiscard]] std::size_t part_of_picture(const TileProfile& tile) const;
  void load(const FitState& state, Workspace& room) const;

  const FitInput& input_;
  std::vector<std::size_t> frames_;
  std::vector<Stretch> stretches_;
  std::vector<Eigen::Index> last_row_;  // of each column of the reduced normal matrix
  std::vector<float> seen_,
      per_sigma_;  // energies in sigmas; per tile: band by band, frame by frame
};

}  // namespace ringsweep
