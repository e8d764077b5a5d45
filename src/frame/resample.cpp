#include "frame/resample.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace ringsweep {
namespace {

constexpr double kMostTurn = 0.1;                      // sine; beyond, the columns lie too slanted
constexpr double kLeastScale = 0.5, kMostScale = 2.0;  // beyond, the runs are too short

/// out[i] = cubic interpolation between p1[i] and p2[i], at the fraction f + i step of the way.
void interpolate(const float* p0, const float* p1, const float* p2, const float* p3, float f,
                 float step, int n, float* out) {
  constexpr float kA = -0.75F;
  for (int i = 0; i < n; ++i) {
    const float t = f + static_cast<float>(i) * step, u = 1.0F - t;
    const float w0 = kA * t * u * u, w3 = kA * u * t * t;
    const float w1 = ((kA + 2.0F) * t - (kA + 3.0F)) * t * t + 1.0F;
    out[i] = w0 * p0[i] + w1 * p1[i] + (1.0F - w0 - w1 - w3) * p2[i] + w3 * p3[i];
  }
}

/// Calls run(first, count, floor, fraction) for each stretch of 0 ... n - 1 in which
/// floor(offset + slope x) - whole x, with whole 0 or 1, stays the same.
template <class Run>
void for_each_run(int n, double offset, double slope, int whole, const Run& run) {
  const double rest = slope - whole;
  for (int x = 0; x < n;) {
    const double at = offset + slope * x;
    const double below = std::floor(at);
    const double fraction = at - below;
    double count = n - x;
    if (rest > 0.0) count = std::min(count, std::ceil((1.0 - fraction) / rest));
    if (rest < 0.0) count = std::min(count, std::floor(fraction / -rest) + 1.0);
    const int length = std::max(1, static_cast<int>(count));
    run(x, length, static_cast<int>(below), static_cast<float>(fraction));
    x += length;
  }
}

/// A row of the picture, gone on beyond its ends as in a mirror.
class LongRow {
 public:
  LongRow(int cols, int before, int after)
      : cols_(cols), before_(before), values_(static_cast<std::size_t>(cols + before + after)) {}
  void take(const float* row) {
    std::copy_n(row, cols_, values_.begin() + before_);
    const int size = static_cast<int>(values_.size());
    for (int i = 0; i < before_; ++i) values_[index(i)] = row[mirrored(i - before_)];
    for (int i = before_ + cols_; i < size; ++i) values_[index(i)] = row[mirrored(i - before_)];
  }
  [[nodiscard]] const float* at(int x) const { return values_.data() + before_ + x; }

 private:
  static std::size_t index(int i) { return static_cast<std::size_t>(i); }
  [[nodiscard]] int mirrored(int x) const {
    return cv::borderInterpolate(x, cols_, cv::BORDER_REFLECT);
  }
  int cols_, before_;
  std::vector<float> values_;
};

}  // namespace

cv::Mat resample(const cv::Mat& picture, const cv::Matx23d& from_result, cv::Size size) {
  const double xx = from_result(0, 0), xy = from_result(0, 1), x0 = from_result(0, 2);
  const double yx = from_result(1, 0), yy = from_result(1, 1), y0 = from_result(1, 2);
  const auto fits = [](double scale) { return scale > kLeastScale && scale < kMostScale; };
  cv::Mat result(size, CV_32FC1);
  if (!fits(xx) || !fits(yy) || std::abs(xy) > kMostTurn || std::abs(yx) > kMostTurn) {
    cv::warpAffine(picture, result, from_result, size, cv::INTER_CUBIC | cv::WARP_INVERSE_MAP,
                   cv::BORDER_REFLECT);
    return result;
  }
  // Along the rows: px x of the result, in row v of the picture, lies at offset(v) + slope x.
  const double slope = xx - xy * yx / yy, shear = xy / yy;
  const auto offset = [&](int v) { return x0 + shear * (v - y0); };
  const auto lowest_row = [&](int y) {
    return static_cast<int>(std::floor(y0 + yy * y + std::min(0.0, yx * (size.width - 1)))) - 1;
  };
  const auto highest_row = [&](int y) {
    return static_cast<int>(std::floor(y0 + yy * y + std::max(0.0, yx * (size.width - 1)))) + 2;
  };
  const int first = lowest_row(0), last = highest_row(size.height - 1);
  const double left = std::min(offset(first), offset(last));
  const double right = std::max(offset(first), offset(last)) + slope * (size.width - 1);
  LongRow row(picture.cols, std::max(0, 2 - static_cast<int>(std::floor(left))),
              std::max(0, static_cast<int>(std::ceil(right)) + 3 - picture.cols));
  // As many rows as one row of the result needs, the oldest replaced by the next.
  const int held = highest_row(0) - first + 3;
  cv::Mat rows(held, size.width, CV_32FC1);
  const auto place = [&](int v) { return rows.ptr<float>((v - first) % held); };
  int next = first;
  for (int y = 0; y < size.height; ++y) {
    for (const int end = highest_row(y); next <= end; ++next) {
      if (next < lowest_row(y)) continue;
      row.take(picture.ptr<float>(cv::borderInterpolate(next, picture.rows, cv::BORDER_REFLECT)));
      float* out = place(next);
      for_each_run(size.width, offset(next), slope, 1, [&](int x, int n, int below, float f) {
        const float* p = row.at(below - 1);
        interpolate(p, p + 1, p + 2, p + 3, f, static_cast<float>(slope - 1.0), n, out + x);
      });
    }
    float* out = result.ptr<float>(y);
    for_each_run(size.width, y0 + yy * y, yx, 0, [&](int x, int n, int below, float f) {
      interpolate(place(below - 1) + x, place(below) + x, place(below + 1) + x,
                  place(below + 2) + x, f, static_cast<float>(yx), n, out + x);
    });
  }
  return result;
}

}  // namespace ringsweep
