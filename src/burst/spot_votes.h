#pragma once
/// What the frames of a burst say of one spot: that it is there, or that it has gone.

#include <cstddef>
#include <vector>

namespace ringsweep {

/// Log-likelihood ratio with which a frame says something. Ours, no source.
inline constexpr double kSays = 1.0;

/// What frames say of a spot; an entry each.
struct Votes {
  std::vector<double> gone;     ///< log-likelihood ratio gone / there
  std::vector<double> weight;   ///< how much it counts
  std::vector<double> blur_px;  ///< of the spot's disc
};

/// What votes come to. In a wide disc lies what is around the spot, too, a neighbour that took its
/// water or it itself where it rolled to: what such a frame says against the others of its side
/// does not count where two that show the spot far better say otherwise.
/// @param sign 1: for gone, -1: for there
/// @return log-likelihood ratio of `sign`; 0 where fewer than two frames count, or too many
/// contradict
[[nodiscard]] double evidence(const Votes& votes, std::size_t first, std::size_t last, double sign);

/// Boundaries between frames in which it is there and those in which it is gone: each the first
/// frame after it.
struct Boundaries {
  std::size_t best = 0;   ///< that parts them best; 0: none
  std::size_t first = 0;  ///< that parts them hardly worse, and
  std::size_t last = 0;
};

[[nodiscard]] Boundaries find_boundaries(const Votes& votes);

}  // namespace ringsweep
