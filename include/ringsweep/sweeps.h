#pragma once
/// Sweeps: runs of frames in which the ring is turned one way.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

/// Frames by index in capture order, both inclusive.
struct SweepRange {
  std::size_t first = 0;
  std::size_t last = 0;
  bool rising = true;
};

/// The sweep that a frame lies in, else the one after it, else the last.
[[nodiscard]] std::size_t sweep_of(std::span<const SweepRange> sweeps, std::size_t frame);

/// A turn back by less than two allowed steps is a tremble: DESIGN section 2.
[[nodiscard]] constexpr double least_turn_px(double blur_limit_px) { return 4.0 * blur_limit_px; }

/// Splits a burst where the ring turns back for good. Which of the two sweeps the frame at the very
/// turn belongs to, its position does not tell; but what differs between sweeps (flash, aperture,
/// the camera's place) took time to change: where the camera paused near the turn, it parts there.
/// @param min_turn_px a turn back by less, that is made up again, belongs to the sweep (a hand that
/// hesitates); > 0.
/// @param time_s N, or empty: no times
[[nodiscard]] std::vector<SweepRange> find_sweeps(
    const FocalPositions& focus, double min_turn_px,
    std::span<const std::optional<double>> time_s = {});

/// The same where positions are not to be trusted: the ring changes the picture's scale as well
/// (breathing), and that turns where the ring does. A turn counts where it goes back by a third of
/// the way.
/// @param log_scale N, of each frame's picture. @param known N; others belong to no sweep
/// @return none where the scale changes by less than 0.3 %: subject and hand sway as much.
[[nodiscard]] std::vector<SweepRange> find_sweeps_by_scale(
    std::span<const double> log_scale, const std::vector<bool>& known,
    std::span<const std::optional<double>> time_s = {});

}  // namespace ringsweep
