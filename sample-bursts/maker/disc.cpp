#include "maker/disc.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <vector>

namespace ringsweep::maker {
namespace {

/// Share of the pixel centred on (x, y) that lies within `radius` of the origin; x, y >= 0.
double covered_share(double x, double y, double radius) {
  const double far = std::hypot(x + 0.5, y + 0.5);
  if (far <= radius) return 1.0;
  const double near = std::hypot(std::max(0.0, x - 0.5), std::max(0.0, y - 0.5));
  if (near >= radius) return 0.0;
  // Columns of the pixel, each cut exactly by the circle; 32 of them leave an error below 1e-3.
  constexpr int kColumns = 32;
  double sum = 0.0;
  for (int i = 0; i < kColumns; ++i) {
    const double at = x - 0.5 + (i + 0.5) / kColumns;
    const double half_chord = std::sqrt(std::max(0.0, radius * radius - at * at));
    sum += std::clamp(std::min(y + 0.5, half_chord) - std::max(y - 0.5, -half_chord), 0.0, 1.0);
  }
  return sum / kColumns;
}

struct Quadrant {
  int reach = 0;              ///< n: kernel indices run from -n to n
  std::vector<double> share;  ///< (n + 1) x (n + 1), the quarter x, y >= 0
  double variance = 0.0;      ///< along an axis, px^2
};

Quadrant draw(double radius) {
  Quadrant quadrant;
  quadrant.reach = static_cast<int>(std::ceil(std::max(0.0, radius - 0.5)));
  const int side = quadrant.reach + 1;
  double sum = 0.0;
  double second = 0.0;
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const double share = covered_share(x, y, radius);
      quadrant.share.push_back(share);
      const double copies = (x > 0 ? 2.0 : 1.0) * (y > 0 ? 2.0 : 1.0);
      sum += copies * share;
      second += copies * share * (x * x + y * y) / 2.0;
    }
  }
  quadrant.variance = sum > 0.0 ? second / sum : 0.0;
  for (double& share : quadrant.share) share /= sum > 0.0 ? sum : 1.0;
  return quadrant;
}

/// The drawn radius whose kernel has the wanted variance. From 3 px on the pixel adds 1/12 to it
/// within 1e-3; below, the relation is uneven and is solved by halving.
double drawn_radius(double radius) {
  if (radius >= 3.0) return std::sqrt(radius * radius - 1.0 / 3.0);
  double low = 0.5;  // a disc inside one pixel: variance 0
  double high = radius + 1.0;
  for (int i = 0; i < 24; ++i) {
    const double middle = 0.5 * (low + high);
    (draw(middle).variance < radius * radius / 4.0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace

cv::Mat disc_kernel(double radius_px) {
  if (!(radius_px >= 0.0) || !std::isfinite(radius_px)) {
    throw std::invalid_argument("disc_kernel: the radius is not a number >= 0");
  }
  if (radius_px < 1e-3) return cv::Mat(1, 1, CV_32F, cv::Scalar(1.0));
  const Quadrant quadrant = draw(drawn_radius(radius_px));
  const int n = quadrant.reach;
  cv::Mat kernel(2 * n + 1, 2 * n + 1, CV_32F);
  for (int y = -n; y <= n; ++y) {
    for (int x = -n; x <= n; ++x) {
      const auto at = static_cast<std::size_t>(std::abs(y) * (n + 1) + std::abs(x));
      kernel.at<float>(y + n, x + n) = static_cast<float>(quadrant.share[at]);
    }
  }
  return kernel;
}

}  // namespace ringsweep::maker
