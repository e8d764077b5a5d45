#pragma once
/// Breathing: turning the ring changes the picture's scale, in proportion to the focal position.

#include <Eigen/Core>
#include <optional>
#include <vector>

namespace ringsweep {

/// scale = offset + slope q. Exact for a thin lens whichever part of it moves (DESIGN section 2:
/// q = -(D/p)(v_0/v) plus a constant, and the scale that registration takes out is v_0/v); how much
/// and which way a lens breathes is its own affair, so offset and slope are fitted.
struct BreathingLine {
  double offset = 1.0;
  double slope = 0.0;  ///< per px of focal position; 0: a lens that does not breathe
  double sd = 1.0;     ///< of one frame's scale about the line, as the frames scatter
};

/// Robust line through the frames that are used: median of pairwise slopes (Theil 1950, Sen 1968,
/// from memory: holds up to 29 % of strangers), then the median of what is left.
/// @param q N, px. @param scale N, of each frame's picture against the reference.
/// @param least_sd_px the scale is not believed better than a focal position of this sd; > 0.
[[nodiscard]] BreathingLine fit_breathing(const Eigen::VectorXd& q, const Eigen::VectorXd& scale,
                                          const std::vector<bool>& use, double least_sd_px);

/// The line's offset and slope made to fit again, under Cauchy's loss, its sd kept.
[[nodiscard]] BreathingLine refit_breathing(BreathingLine line, const Eigen::VectorXd& q,
                                            const Eigen::VectorXd& scale,
                                            const std::vector<bool>& use);

/// What the picture's scale says against the positions. Both are readings of the same ring.
struct ScaleObjections {
  struct Objection {
    double off_px = 0.0;  ///< position that the scale gives less the frame's own
    double sd_px = 0.0;   ///< of that
  };
  std::vector<std::optional<Objection>> frames;  ///< N; absent where the scale says nothing
  /// Upper quartile of |difference of off_px| / its sd over frames that are neighbours in position;
  /// below 1 where all is well. Where scale and position part ways little by little, as where
  /// registration drifts, neighbours agree: only frames that came there at another time do not.
  double sds = 0.0;
  double serial = 0.0;  ///< correlation of a frame's off_px with the next one's in capture order
};

/// Compares with a parabola: in pictures far out of focus registration drifts along a curve, and a
/// lens that moves before a fixed body breathes along one. What is left there is taken to be 5e-4
/// of the scale, as bursts with known scales show it (bench/accuracy's open seeds).
/// @param q N, px. @param sd N, of them, px. @param scale N. At least six frames in use.
[[nodiscard]] ScaleObjections compare_with_scale(const Eigen::VectorXd& q,
                                                 const Eigen::VectorXd& sd,
                                                 const Eigen::VectorXd& scale,
                                                 const std::vector<bool>& use);

}  // namespace ringsweep
