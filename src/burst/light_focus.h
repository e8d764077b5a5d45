#pragma once
/// Where a light focuses, from how large it is seen: sizes of one spot in several frames -> its own
/// focal position.
///
/// A glint in a drop, or on wet skin, lies at a depth of its own, and is small where that is in
/// focus. Out of focus second moments add: sigma^2 = sigma_0^2 + d^2 / 16 with d = |q_k - q|, the
/// variance per axis of a uniform disc (M. Born, E. Wolf, Principles of Optics, section 8.8, from
/// memory). Sizes tell it as well where the light is never sharp, and where its brightness does
/// not, since it clips.

#include <cstddef>
#include <optional>
#include <span>

namespace ringsweep {

/// How large a light is in a frame.
struct SizedSpot {
  double q_px = 0.0;  ///< where the frame focuses, px of blur
  double sigma_px = 0.0;
};

inline constexpr std::size_t kFewestSizes = 4;  ///< fewer tell no position; ours, no source

/// How far sizes are from those of a light at `q_px`, of the sharp size that suits them best: sum
/// of the squares of errors over their sd, each one bounded, as one size may be another thing's.
/// Cost O(sizes).
[[nodiscard]] double misfit_of_sizes(std::span<const SizedSpot> sizes, double q_px);

/// A light's focal position.
struct LightFocus {
  double q_px = 0.0;
  double sd_px = 0.0;   ///< from how the misfit grows about it
  double misfit = 0.0;  ///< misfit_of_sizes()
};

/// @param low_px, high_px  between which it is looked for
/// @return nothing where there are fewer than kFewestSizes.
[[nodiscard]] std::optional<LightFocus> focus_of_sizes(std::span<const SizedSpot> sizes,
                                                       double low_px, double high_px);

}  // namespace ringsweep
