#pragma once
/// Defocus and diffraction together: the picture that light waves make of a point through a round
/// pupil out of focus.
///
/// Lengths are given in units of lambda N, the wavelength times the working f-number: 1 / (lambda
/// N) is the finest frequency that gets through. J. W. Goodman, Introduction to Fourier Optics,
/// chapter 6: the transfer function is the autocorrelation of the pupil with the phase of the
/// defocus.

#include <vector>

namespace ringsweep::maker {

/// A blur disc of unit light times a weight, which may be negative.
struct WeightedDisc {
  double radius_px = 0.0;
  double weight = 1.0;
};

/// Transfer function for defocus.
/// @param s      frequency times lambda N; 1 and above: nothing gets through
/// @param waves  path difference between the rim of the pupil and its centre, wavelengths. The
///               geometric disc's diameter is 8 waves lambda N.
[[nodiscard]] double defocused_otf(double s, double waves);

/// Share of a point's light within `radius` (of lambda N) of its centre.
[[nodiscard]] std::vector<double> encircled_energy(const std::vector<double>& radius, double waves);

/// The same as a sum of at most kMostDiscs discs: least squares on encircled energy and transfer
/// function at once. Light farther out than kFarthest lambda N beyond the geometric disc (1.7 % of
/// it at most) is laid into the outermost discs; the weights sum to 1.
///
/// What the sum is off, for lambda N from 0.4 to 12 px and discs up to 40 px (tested): less than
/// 0.02 of the encircled energy, most of it the light that lies farther out, and less than 0.02 of
/// the transfer function up to half a cycle per px.
/// @param diameter_px   of the geometric disc
/// @param lambda_n_px   lambda N
[[nodiscard]] std::vector<WeightedDisc> wave_discs(double diameter_px, double lambda_n_px);
inline constexpr int kMostDiscs = 10;
inline constexpr double kFarthest = 12.0;

}  // namespace ringsweep::maker
