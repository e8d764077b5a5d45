#include "numerics/wave_transfer.h"

#include <array>
#include <cmath>
#include <numbers>

#include "numerics/disc_transfer.h"

namespace ringsweep {
namespace {

constexpr double kPi = std::numbers::pi;

/// White light as luminance sees it: the middles of the three colours, with their weights (BT.709).
struct Light {
  double wavelength_um = 0.0;
  double weight = 0.0;
};
constexpr std::array<Light, 3> kWhite{{{0.60, 0.2126}, {0.55, 0.7152}, {0.47, 0.0722}}};

}  // namespace

double defocus_transfer(double s, double diameter) {
  if (s >= 1.0) return 0.0;
  // The overlap of two pupils of radius 1, 2 s apart. Across it the path difference grows evenly
  // along the line between them: rim against centre it is diameter / 8 wavelengths, so the phase
  // turns by pi diameter s a radius. Each strip along that line integrates to a sine; what is left
  // is the integral over the strips, here by their angle at the rim (H. H. Hopkins, Proc. R. Soc.
  // A 231, 1955; the form is from memory).
  const double turn = kPi * diameter * s;
  const auto strip = [&](double angle) {
    const double half = std::cos(angle) - s, phase = turn * half;
    const double sinc =
        std::abs(phase) < 1e-4 ? 1.0 - phase * phase / 6.0 : std::sin(phase) / phase;
    return half * sinc * std::cos(angle);
  };
  const double end = std::acos(s);
  const int steps = 2 * (12 + static_cast<int>(1.5 * turn * (1.0 - s)));  // Simpson's rule
  double sum = strip(0.0) + strip(end);
  for (int i = 1; i < steps; ++i) sum += (i % 2 == 1 ? 4.0 : 2.0) * strip(end * i / steps);
  return 4.0 / kPi * sum * end / (3.0 * steps);
}

double white_transfer(double cycles_per_px, double diameter_px, double f_number_per_um) {
  double sum = 0.0;
  for (const Light& light : kWhite) {
    const double lambda_n_px = light.wavelength_um * f_number_per_um;
    sum += light.weight * defocus_transfer(cycles_per_px * lambda_n_px, diameter_px / lambda_n_px);
  }
  return sum;
}

double wave_blur_transfer(double cycles_per_px, double diameter_px, double f_number_per_um) {
  // Where less than about this passes in focus, noise is more than what the picture shows.
  constexpr double kLeastTransfer = 0.02;
  constexpr double kGuard = kLeastTransfer * kLeastTransfer;
  const double sharp = white_transfer(cycles_per_px, 0.0, f_number_per_um);
  const double blurred = white_transfer(cycles_per_px, diameter_px, f_number_per_um);
  return (blurred * sharp + kGuard * disc_transfer(cycles_per_px, diameter_px)) /
         (sharp * sharp + kGuard);
}

}  // namespace ringsweep
