#pragma once
/// Bursts made from known positions: frames at q_k, tiles at u_t -> the profiles that the fit
/// reads.
///
/// Energy of tile t, band j in frame k: a_tj g_k H_tj(d^2), d^2 = (q_k - u_t)^2 + shake of the
/// frame, H analytic and another one for each tile and band. In units of the frame p that shows the
/// tile sharpest, and with what becomes of that frame when it is blurred further (second moments
/// add), H(d_p^2 + x) / H(d_p^2), this is the model in focal_positions.h. Nothing here uses the
/// fit's code.

#include <cstddef>
#include <optional>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep::synthetic {

enum class Fall {
  gaussian,   ///< H(x) = exp(-s x): a curve is a straight line in d^2, tables of it are exact
  disc_like,  ///< H(x) = (1 + s x / 2)^-2: a long tail, as a disc's
};
enum class Relief {
  scattered,  ///< every depth everywhere in the picture
  sloping,    ///< depth runs from the left to the right of the picture
};
struct Range {
  double low_px = 0.0, high_px = 0.0;
};

struct BurstOptions {
  std::size_t tiles = 120;
  unsigned seed = 1;  ///< each tile draws from a stream of its own
  std::optional<Range>
      subject{};  ///< depths of the tiles; absent: from the first to the last frame
  std::vector<Range> no_subject{};  ///< depths without any tile
  Relief relief = Relief::scattered;
  Fall fall = Fall::gaussian;
  std::vector<double> diameter_px{};  ///< of the curves; empty: as the pipeline measures them
  double disc_on_disc = 0.0;          ///< FitOptions: 0 where blurs add in second moment
  double scatter = 0.0;         ///< relative sd of an energy, each tile, band and frame by itself
  double common_scatter = 0.0;  ///< the same, one draw for all tiles of a 6th x 8th of the picture
  double noise = 0.0;           ///< sd of an energy, of the tile's peak
  double amplitude_sd = 0.0;    ///< of log a_tj
  std::vector<double> log_gain{};   ///< log g_k; empty: 0
  std::vector<double> shake_px2{};  ///< squared blur of each frame beside defocus; empty: 0
  std::vector<double> aperture{};   ///< of each frame, a factor of its defocus; empty: 1
  double jumping_share = 0.0;  ///< of the tiles: they move by 3 to 10 px in depth during the burst
  double random_share = 0.0;   ///< of the tiles: any energy in any frame
  double two_depth_share = 0.0;  ///< of the tiles: the sum of two depths, `two_depth_px` apart
  double two_depth_px = 4.0;
  double unseen_share = 0.0;        ///< of the tiles: outside the picture in a fifth of the frames
  double full_px_per_px = 1.0;      ///< of the pictures worked on; depths stay in full-size px
  double breathing_per_px = 0.002;  ///< the picture's scale is linear in q (DESIGN section 2)
  double scale_noise = 0.0;         ///< sd of a frame's log scale
};

/// Profiles, and the truth that they were made from.
struct MadeBurst {
  Profiles profiles{};
  std::vector<double> q_px{};       ///< N, of the frames
  std::vector<double> log_scale{};  ///< N
  std::vector<double> log_gain{};   ///< N
  std::vector<double> tile_px{};    ///< M; of a tile with two depths or a jump, the first
  std::vector<bool> one_depth{};    ///< M; false for tiles that the model does not hold for
};
[[nodiscard]] MadeBurst make_burst(const std::vector<double>& q_px,
                                   const BurstOptions& options = {});

/// `frames` positions `step_px` apart, from 0.
[[nodiscard]] std::vector<double> even_steps(std::size_t frames, double step_px);
/// Steps of a hand: uniformly drawn.
[[nodiscard]] std::vector<double> hand_steps(std::size_t frames, double least_px, double most_px,
                                             unsigned seed);

/// Fitted against true positions of those frames (tiles) that have one. No picture tells the shift
/// and the sign, so both are free.
struct Agreement {
  std::size_t count = 0;
  double sign = 1.0;
  double shift_px = 0.0;      ///< fitted = shift + sign * scale * true + error
  double scale = 0.0;         ///< least squares
  double rms_px = 0.0;        ///< shift taken off only
  double worst_px = 0.0;      ///< the same, largest
  double shape_rms_px = 0.0;  ///< shift and scale taken off
};
[[nodiscard]] Agreement compare(const std::vector<std::optional<double>>& fitted,
                                const std::vector<double>& truth);
[[nodiscard]] Agreement compare_frames(const FocalPositions& fit, const MadeBurst& burst);
/// Tiles of one depth with a weight of at least `min_weight`.
[[nodiscard]] Agreement compare_tiles(const FocalPositions& fit, const MadeBurst& burst,
                                      double min_weight = 0.05);

}  // namespace ringsweep::synthetic
