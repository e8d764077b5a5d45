#include "maker/disc.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <vector>

namespace ringsweep::maker {
namespace {

/// Area of the disc inside [x0, x1] x [y0, y1], all >= 0: the integral over u of the circle's
/// height above y0, cut at y1.
double area_inside(double x0, double x1, double y0, double y1, double radius) {
  const auto reach = [radius](double y) {  // where the circle is at height y
    return y < radius ? std::sqrt(radius * radius - y * y) : 0.0;
  };
  const double full = std::clamp(reach(y1), x0, x1);  // up to here the whole column is inside
  const double end = std::clamp(reach(y0), full, x1);
  const auto primitive = [radius](double u) {  // of the circle's height
    const double t = std::min(1.0, u / radius);
    return 0.5 * radius * radius * (t * std::sqrt(1.0 - t * t) + std::asin(t));
  };
  return (full - x0) * (y1 - y0) + primitive(end) - primitive(full) - (end - full) * y0;
}

/// The same of a hexagon with a corner at (corner, 0).
double area_inside_hexagon(double x0, double x1, double y0, double y1, double corner) {
  constexpr double kRoot3 = std::numbers::sqrt3;
  const double top = std::clamp(corner * kRoot3 / 2.0, y0, y1);
  // The side runs from (corner, 0) along x = corner - y / sqrt 3.
  const double full = std::clamp((corner - x1) * kRoot3, y0, top);  // rows up to here are full
  const double end = std::clamp((corner - x0) * kRoot3, full, top);
  return (x1 - x0) * (full - y0) + (end - full) * (corner - (full + end) / (2.0 * kRoot3) - x0);
}

/// Area of the shape of one size inside [x0, x1] x [y0, y1], all >= 0.
using AreaInside = double (*)(double x0, double x1, double y0, double y1, double size);

/// Share of the pixel centred on (x, y), x, y >= 0, that lies within the shape around the origin.
double covered_share(AreaInside area, int x, int y, double size) {
  // A pixel on an axis is twice its positive half.
  const double x0 = x > 0 ? x - 0.5 : 0.0, y0 = y > 0 ? y - 0.5 : 0.0;
  const double copies = (x > 0 ? 1.0 : 2.0) * (y > 0 ? 1.0 : 2.0);
  return copies * std::max(0.0, area(x0, x + 0.5, y0, y + 0.5, size));
}

struct Quadrant {
  int reach = 0;              ///< n: kernel indices run from -n to n
  std::vector<double> share;  ///< (n + 1) x (n + 1), the quarter x, y >= 0
  double variance = 0.0;      ///< along an axis, px^2
};

Quadrant draw(AreaInside area, double size) {
  Quadrant quadrant;
  quadrant.reach = static_cast<int>(std::ceil(std::max(0.0, size - 0.5)));
  const int side = quadrant.reach + 1;
  double sum = 0.0;
  double second = 0.0;
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const double share = covered_share(area, x, y, size);
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

/// The drawn size whose kernel has the variance share * size^2. The pixel adds 1/12 to it within
/// 1e-3, for a disc from 3 px on, for the straight sides of a hexagon from 8; below, the relation
/// is uneven and is solved by halving.
double drawn_size(AreaInside area, double share, double size) {
  const double even_from = area == area_inside ? 3.0 : 8.0;
  if (size >= even_from) return std::sqrt(size * size - 1.0 / (12.0 * share));
  double low = 0.5;  // a shape inside one pixel: variance 0
  double high = size + 1.0;
  for (int i = 0; i < 24; ++i) {
    const double middle = 0.5 * (low + high);
    (draw(area, middle).variance < share * size * size ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

cv::Mat kernel_of(AreaInside area, double variance_share, double size) {
  const Quadrant quadrant = draw(area, drawn_size(area, variance_share, size));
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

/// Nothing is drawn for a point.
bool is_point(double radius_px) {
  if (!(radius_px >= 0.0) || !std::isfinite(radius_px)) {
    throw std::invalid_argument("blur kernel: the radius is not a number >= 0");
  }
  return radius_px < 1e-3;
}

}  // namespace

cv::Mat disc_kernel(double radius_px) {
  if (is_point(radius_px)) return cv::Mat(1, 1, CV_32F, cv::Scalar(1.0));
  return kernel_of(area_inside, 0.25, radius_px);
}

cv::Mat hexagon_kernel(double radius_px) {
  if (is_point(radius_px)) return cv::Mat(1, 1, CV_32F, cv::Scalar(1.0));
  const double corner = radius_px * std::sqrt(2.0 * std::numbers::pi / std::sqrt(27.0));
  return kernel_of(area_inside_hexagon, 5.0 / 24.0, corner);
}

}  // namespace ringsweep::maker
