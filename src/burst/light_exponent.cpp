#include "burst/light_exponent.h"

#include <algorithm>
#include <cmath>

namespace ringsweep {

double find_light_exponent(const std::function<std::optional<double>(double)>& misfit) {
  // Trials as far apart as the exponents of made bursts lie, 0.5 to 1 (ours, no source).
  constexpr double kLeast = 0.45, kSecond = 0.7, kBelow = 0.5, kBetween = 0.85;
  const std::optional<double> first = misfit(1.0);
  if (!first) return 1.0;
  const std::optional<double> second = misfit(kSecond);
  if (!second) return 1.0;
  const double e = *second < *first ? kBelow : kBetween;
  const std::optional<double> third = misfit(e);
  if (!third) return 1.0;
  // Newton's divided differences from the logarithm of 1: first + slope z + curvature z (z - x).
  const double x = std::log(kSecond), y = std::log(e);
  const double slope = (*second - *first) / x;
  const double curvature = ((*third - *first) / y - slope) / (y - x);
  if (!(curvature > 0.0)) {
    if (*first <= std::min(*second, *third)) return 1.0;
    return *second < *third ? kSecond : e;
  }
  return std::clamp(std::exp(0.5 * (x - slope / curvature)), kLeast, 1.0);
}

}  // namespace ringsweep
