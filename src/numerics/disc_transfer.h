#pragma once
/// Transfer function of a blur disc.

#include <cmath>
#include <numbers>

namespace ringsweep {

/// 2 J1(x) / x with x = pi d f: what a uniform disc of diameter d leaves of a frequency f, both in
/// the same px (J. W. Goodman, Introduction to Fourier Optics, ch. 6, from memory).
[[nodiscard]] inline double disc_transfer(double cycles_per_px, double diameter_px) {
  const double x = std::numbers::pi * diameter_px * cycles_per_px;
  return x < 1e-6 ? 1.0 : 2.0 * std::cyl_bessel_j(1.0, x) / x;
}

}  // namespace ringsweep
