#pragma once
/// Frames that are less sharp at every depth than their focal positions explain.

#include <cstddef>
#include <span>

#include "burst/fit_state.h"

namespace ringsweep {

/// What a frame lacks in sharpness that no defocus explains: it falls most on fine bands, as blur
/// does; contrast that all bands lose alike (haze, flash) is the frame's gain and not in it.
struct FrameShake {
  double q_px = 0.0;         ///< where the frame fits best with it
  double disc_px2 = 0.0;     ///< squared diameter of a disc that would soften as much; >= 0
  double disc_sd_px2 = 0.0;  ///< from the scatter of the tiles
  std::size_t tiles = 0;     ///< that speak: within some px of focus, not sharpest in this frame
};

/// Everything but the frame's own gain, shake and, where it lacks contrast, position is held: a
/// shaken frame may have been put where defocus looks as soft.
/// @param tiles these speak.
[[nodiscard]] FrameShake measure_shake(const FitInput& input, const FitState& state,
                                       std::span<const std::size_t> tiles, std::size_t frame);

/// Length of a straight movement that takes as much fine gradient energy away as a disc of this
/// diameter, px, from a texture without direction whose amplitude falls as 1 / f (usual in
/// pictures; from memory), behind the finest band's Gaussian. A movement leaves what lies across
/// it, so a long one takes no more than a disc of a few px.
/// @param sigma_px of the Gaussian, in the same px.
/// @param f_number_per_um working f-number over pitch of these px, 1 / um, where the disc was read
/// off curves of the wave model: diffraction has weakened the fine detail already, defocus takes
/// less of it than a disc would, and so does a shorter movement. 0: curves of discs.
[[nodiscard]] double movement_like_disc_px(double disc_px, double sigma_px,
                                           double f_number_per_um = 0.0);

}  // namespace ringsweep
