#pragma once
/// Focal positions: sharpness profiles -> where each frame, and each tile, focuses.

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "ringsweep/for_each.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

enum class FitStatus {
  not_run,
  converged,
  iteration_limit,  ///< had not settled; the positions are not to be trusted
  too_few_frames,
  no_subject,
  no_sweep,    ///< all frames focus in the same place: the ring was not turned
  not_trusted  ///< positions that may as well be others; `reason` says why
};

/// Position of one frame, in px of blur at the burst's middle scale (DESIGN section 2).
struct FocalPosition {
  std::optional<double> q_px;   ///< absent: the pictures do not tell
  std::optional<double> sd_px;  ///< against the mean of the usable frames; scale error excluded
  /// Fits nearly as well elsewhere: its own sd, less what long steps between it and the mean err
  /// by, is above FitOptions::trusted_sd_px. Nothing is to be built on it.
  bool vague = false;
  bool usable = false;  ///< covers depth: has a position, is lit, sharp and readable
  /// Straight movement during the exposure that explains how much less sharp the frame is than its
  /// position says, px; 0: it is as sharp as it says. Absent: the pictures do not tell.
  std::optional<double> shake_px;
  /// Log of its contrast (energy) against what its position explains; the same in all frames means
  /// nothing. Absent where nothing near its focus tells.
  std::optional<double> log_contrast{};
  /// Position that the picture's scale gives less `q_px`, where both cannot be true: subject or
  /// camera swayed in depth, which changes scale and sharpness in another ratio than the ring does.
  std::optional<double> scale_off_px{};
};

/// Position of one tile of the scene.
struct TilePosition {
  double q_px = 0.0;
  double weight = 0.0;  ///< 0..1, how far it can be trusted to see one depth
};

struct FocalPositions {
  std::vector<FocalPosition> frames;  ///< N, capture order
  std::vector<TilePosition> tiles;    ///< M, order of the profiles' tiles
  Eigen::MatrixXd covariance_px2;     ///< N x N, of q_px, scale error excluded; 0 where absent
  /// N: what the long steps below each frame err by as a whole, beyond that; the difference of two
  /// frames' is that of the steps between them. Empty: nothing.
  std::vector<double> long_steps_px2;
  double scale_sd = 0.0;  ///< relative, of all differences
  FitStatus status = FitStatus::not_run;
  std::string reason;  ///< in words, where the status is not `converged`
  int iterations = 0;
  double cost = 0.0;
  /// Median over the tiles that the fit rests on: rms of what the fit leaves of their energies, in
  /// FitOptions::model_error, far misses cut and small samples drawn towards 1.
  double misfit = 0.0;
};

struct FitOptions {
  double max_blur_px = 10.0;  ///< profiles count less from here on: a tile then sees its neighbours
  double model_error = 0.05;  ///< of a tile's peak energy, 1 sigma; tiles estimate their own factor
  double amplitude_sd = 0.15;  ///< of a tile's peak against its mosaic (relative)
  double gain_sd = 0.10;       ///< of a frame's energy gain (shake, flash), log
  /// How far two blurs one upon the other miss a wider one of their second moment: DiscOnDisc in
  /// burst/tile_curves.h; 0 for Gaussian ones, which do not.
  double disc_on_disc = 0.2;
  /// The picture's scale is another reading of the same ring (breathing), of at best this sd: with
  /// it frames that look at air have a place, and a subject all in one depth has two sides. Not
  /// less: sway and parallax change the scale too, together for many frames. Ours, no source.
  double breathing_sd_px = 0.25;
  /// What the model itself errs by, common to all tiles so that no scatter between them shows it:
  /// a little by itself in each frame, and a scale that is a little off here and there, by itself
  /// from px to px, so that differences over d px err by `model_walk` sqrt(d) px. Variances grow
  /// with the mean misfit of the tiles that the fit rests on (in `model_error`s squared, against
  /// `usual_misfit`), and, those that the scatter shows too, with the blur that the mosaic itself
  /// has where it is sharpest, by 1 + blur^2 / `blurred_mosaic_px2`: so does the scale's sd, by
  /// `mosaic_scale_sd` a px^2. Chosen so that 95 % intervals hold in about 95 of 100 positions,
  /// steps and scales of all 195 bursts at rest of bench/accuracy's open seeds and the ray-traced
  /// ones. Those that the camera developed strongly (sharpened by 1 and more, or noisy) err by up
  /// to 7 % of scale, the others by 1 %: nothing in the picture tells them apart yet.
  double model_sd_px = 0.015;
  double model_walk = 0.014;
  /// A step from frame to frame errs as a whole by this share of what it is longer than
  /// `long_step_px`, times the misfit as above squared, but by no more than `most_long_step`: real
  /// stacks of which frames were left out err by 13 % of steps of 6 to 16 px against the whole
  /// stack, with a misfit of 1.2 to 1.6; made bursts, with 0.5 to 0.8, by 2 %.
  double model_long_step = 0.07;
  double most_long_step = 0.3;
  double long_step_px = 4.0;  ///< working px
  double model_scale_sd = 0.018;
  double usual_misfit = 0.5;
  double blurred_mosaic_px2 = 0.8;  // working px
  double mosaic_scale_sd = 0.012;
  int max_iterations = 60;
  /// Frames that focus within this of each other (but for the outermost twentieth at both ends) are
  /// no sweep: a quarter of the smallest allowed step, about what a subject sways. Ours, no source.
  double least_sweep_px = 1.0;
  /// A position with a larger sd than this, half the smallest blur limit, decides nothing; when
  /// more than half of the frames have one, or when the scale is known no better than
  /// `trusted_scale_sd`, so that a gap cannot be told from an allowed step, the fit is not trusted.
  double trusted_sd_px = 1.0;
  double trusted_scale_sd = 0.25;
  std::size_t max_tiles = 2000;  ///< the fit takes this many of the best; all get a position
  /// N, px: positions that an earlier fit of the same frames found, of a part of the picture say; a
  /// start beside those that the fit makes for itself. Empty: none.
  std::vector<double> also_from_px{};
};

/// Joint robust least squares for the positions of frames and tiles.
///
/// Model: energy of tile t, band j in frame k = a_tj (g_k / g_0) h_tj(d^2 - d_0^2), with
/// d = |q_k - u_t|, h_tj the tile's own curve of energy against known blur (BlurCurves), d_0 and
/// g_0 the blur and the gain that its sharpest frame, which stands in the mosaic, has already:
/// blurs add in second moment, a disc's is d^2 / 16 per axis, and what is missing then since two
/// discs one upon the other are no disc is put right (DiscOnDisc in burst/tile_curves.h). Frames
/// that shook have the square of a disc that softens as much added to their d^2; it is sought once
/// the positions are known. Levenberg-Marquardt with the tiles eliminated (Schur complement),
/// Cauchy loss, a noise factor per tile, so that tiles that see two depths, or move, weigh little,
/// and of each frame's tiles only the half that fits better decides. The picture's scale joins in
/// as a weak reading of the same ring, linear in the position with a free slope; where it speaks
/// against the positions, frames swayed or the fit is not trusted. Start: distances
/// between frames read off the tiles, shortest paths, and their one-dimensional embedding
/// (classical scaling: Torgerson, Psychometrika 17, 1952, from memory), which knows no capture
/// order: the ring may pause or turn. Steps so long that hardly any tile tells them are laid out by
/// the picture's scale alone, where that clearly fits better.
///
/// Curves of the wave model (measure_blur_curves) are put together in the same way: what defocus
/// leaves of a frequency that passes in focus is even in d too, exp(-c d^2) at first. With d_0 up
/// to 1 px the next term is worth less than 0.4 % of d, for discs and for quarter-wave blurs up to
/// 8 px alike.
///
/// The sd of each position comes from the scatter of the fit over 48 parts of the picture (sandwich
/// of the reduced normal matrix), since neighbouring tiles err together; where a frame would fit
/// nearly as well at another place, that place widens it. Positions that are not to be trusted are
/// given, with a status that says so.
/// @param light_ok N; false leaves a frame out (dark, unreadable): it gets no position.
/// @param log_scale N, log of the picture's registered scale. Need not change at all.
/// @throws std::invalid_argument where these, or positions to start from, have another size.
/// Cost O(tiles x frames^2) per iteration.
[[nodiscard]] FocalPositions fit_focal_positions(const Profiles& profiles,
                                                 const std::vector<bool>& light_ok,
                                                 std::span<const double> log_scale,
                                                 const FitOptions& options = {},
                                                 const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
