#pragma once
/// Ring scale: px of blur -> mm of extension, mm of subject depth, degrees of the focus ring.
///
/// Positions in px need no lens data, and gaps are decided in them. What a hand turns needs four
/// numbers more: working f-number, pitch, magnification, degrees per mm; and what moves. Pupils of
/// unequal size are in the working f-number, N_w = N (1 + m / P), and nowhere else in here.

#include <optional>
#include <string_view>

namespace ringsweep {

/// What moves when the focus is changed. A lens with inner focusing is none of these.
enum class FocusBy {
  not_said,
  lens,   ///< the whole lens, the body stays put: most focus rings
  body,   ///< the body, the lens stays put: a bellows' rear standard
  camera  ///< body and lens together, on a rail: no ring at all
};

/// What turns px of blur into mm and degrees, as far as it is known. Nothing in it is guessed.
struct RingScale {
  std::optional<double> working_f_number{};  ///< N_w > 0
  std::optional<double> pitch_mm{};          ///< p > 0
  std::optional<double> magnification{};     ///< m > 0, at the middle of the sweep
  std::optional<double> degrees_per_mm{};    ///< of extension, > 0
  FocusBy focus_by = FocusBy::not_said;
};

/// A distance between two focal positions in the units of hand and subject; absent where not known.
struct StepSize {
  std::optional<double> extension_mm{};  ///< of the lens against the body; none on a rail
  std::optional<double> subject_mm{};    ///< between the two planes in focus; on a rail its way too
  std::optional<double> turn_deg{};      ///< of the ring
  bool hardly_moves = false;             ///< ring_hardly_moves_plane(): hence no extension, no turn
};

/// How far the sharp image moves behind the lens while the blur circle grows by `blur_px`: a cone
/// of half-angle tangent 1 / (2 N_w), so N_w p mm a px (similar triangles; W. J. Smith, Modern
/// Optical Engineering, "depth of focus", B N, from memory).
[[nodiscard]] double image_shift_mm(double blur_px, double working_f_number, double pitch_mm);

/// Subject depth that an image distance stands for: / m^2, the longitudinal magnification, first
/// order (d u = - d v / m^2 from 1/u + 1/v = 1/f). The same whatever moves.
[[nodiscard]] double subject_depth_mm(double image_shift_mm, double magnification);

/// How far the plane in focus moves per mm of extension, away from the camera positive: 1 - 1/m^2
/// from the body, where the lens moves (the derivative of f (2 + m + 1/m) by f (1 + m)); -1/m^2
/// from the lens, where the body does.
/// @throws std::invalid_argument  focus_by is neither, or m is not > 0
[[nodiscard]] double plane_shift_per_extension(double magnification, FocusBy focus_by);

/// Where the whole lens moves before a body that stays put, and 0.9 < m < 1.1: the plane in focus
/// moves by less than a quarter of the extension, and not at all at 1:1. The bounds are ours.
[[nodiscard]] bool ring_hardly_moves_plane(double magnification, FocusBy focus_by);

/// What to do then, two sentences.
inline constexpr std::string_view kRingHardlyMovesPlane =
    "So near to life size the focus ring hardly moves the plane in focus. Change the "
    "magnification, or move the whole camera.";

/// What a step in px is for the hand. Extension: N_w p a px where the body moves, N_w p /
/// |1 - m^2| where the lens does. First order; with m at the middle (geometric mean) of a sweep the
/// planes at its two ends are that far apart exactly.
/// @throws std::invalid_argument  step_px < 0, or a known number of the scale not > 0
[[nodiscard]] StepSize ring_step(double step_px, const RingScale& scale);

}  // namespace ringsweep
