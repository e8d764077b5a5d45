#include "frame/overlay.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core/hal/intrin.hpp>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr int kLanes = cv::v_float32x4::nlanes;

/// Whole x from 0 to before `size` where low <= a x + b <= high.
Interval where_between(double a, double b, double low, double high, int size) {
  double first = 0.0, last = size - 1.0;
  if (std::abs(a) < 1e-12) {
    if (b < low || b > high) return {};
  } else {
    const double one = (low - b) / a, other = (high - b) / a;
    first = std::clamp(std::ceil(std::min(one, other)), first, last + 1.0);
    last = std::min(last, std::floor(std::max(one, other)));
  }
  return {static_cast<int>(first), std::max(static_cast<int>(first), static_cast<int>(last) + 1)};
}

}  // namespace

cv::Matx33d about_centers(const Similarity& s) {
  const double a = std::exp(s.log_scale) * std::cos(s.rotation_rad);
  const double b = std::exp(s.log_scale) * std::sin(s.rotation_rad);
  return {a, -b, s.shift_x_px, b, a, s.shift_y_px, 0, 0, 1};
}

Similarity similarity_of(const cv::Matx33d& m) {
  return {.log_scale = 0.5 * std::log(m(0, 0) * m(0, 0) + m(1, 0) * m(1, 0)),
          .rotation_rad = std::atan2(m(1, 0), m(0, 0)),
          .shift_x_px = m(0, 2),
          .shift_y_px = m(1, 2)};
}

Overlay::Overlay(const cv::Mat& to)
    : size_(to.size()), compared_(static_cast<std::size_t>(to.rows)) {
  const int spare = 2 * kLanes - to.cols % kLanes;
  cv::copyMakeBorder(to, to_, 0, 0, 0, spare, cv::BORDER_REPLICATE);
  sum_.create(to_.size(), CV_32FC1);
  difference_.create(to_.size(), CV_32FC1);
}

void Overlay::lay(const cv::Mat& from, const Similarity& to_from, bool same_px) {
  using cv::v_float32x4, cv::v_int32x4, cv::v_setall_f32, cv::v_setall_s32, cv::v_muladd;
  const cv::Point2d c_from{(from.cols - 1) / 2.0, (from.rows - 1) / 2.0};
  const cv::Matx33d from_to = about_centers(to_from).inv();
  cv::Matx33d m = from_to;  // px to px
  for (const int i : {0, 1})
    m(i, 2) +=
        (i == 0 ? c_from.x : c_from.y) - from_to(i, 0) * center().x - from_to(i, 1) * center().y;
  const v_float32x4 zero = v_setall_f32(0.0F), lane(0.0F, 1.0F, 2.0F, 3.0F);
  const v_float32x4 x_last = v_setall_f32(static_cast<float>(from.cols - 1));
  const v_float32x4 y_last = v_setall_f32(static_cast<float>(from.rows - 1));
  const v_int32x4 ix_last = v_setall_s32(from.cols - 2), iy_last = v_setall_s32(from.rows - 2);
  const auto stride = static_cast<int>(from.step1());
  const v_int32x4 strides = v_setall_s32(stride);
  const v_float32x4 x_step = v_setall_f32(static_cast<float>(m(0, 0)));
  const v_float32x4 y_step = v_setall_f32(static_cast<float>(m(1, 0)));
  const float* source = from.ptr<float>();
  for (int y = 0; y < size_.height; ++y) {
    const double x_start = m(0, 1) * y + m(0, 2), y_start = m(1, 1) * y + m(1, 2);
    const v_float32x4 x_first = v_setall_f32(static_cast<float>(x_start));
    const v_float32x4 y_first = v_setall_f32(static_cast<float>(y_start));
    const float* to = to_.ptr<float>(y);
    float* sum = sum_.ptr<float>(y);
    float* difference = difference_.ptr<float>(y);
    for (int x = 0; x < to_.cols; x += kLanes) {
      // Places outside go to the rim: what is read there is not compared.
      const v_float32x4 at = lane + v_setall_f32(static_cast<float>(x));
      const v_float32x4 sx = v_min(v_max(v_muladd(x_step, at, x_first), zero), x_last);
      const v_float32x4 sy = v_min(v_max(v_muladd(y_step, at, y_first), zero), y_last);
      const v_int32x4 ix = v_min(v_trunc(sx), ix_last), iy = v_min(v_trunc(sy), iy_last);
      const v_float32x4 fx = sx - v_cvt_f32(ix), fy = sy - v_cvt_f32(iy);
      const v_int32x4 index = iy * strides + ix;
      v_float32x4 upper_left, upper_right, lower_left, lower_right;
      v_lut_deinterleave(source, index, upper_left, upper_right);
      v_lut_deinterleave(source + stride, index, lower_left, lower_right);
      const v_float32x4 upper = v_muladd(fx, upper_right - upper_left, upper_left);
      const v_float32x4 lower = v_muladd(fx, lower_right - lower_left, lower_left);
      const v_float32x4 warped = v_muladd(fy, lower - upper, upper);
      const v_float32x4 here = cv::v_load(to + x);
      v_store(sum + x, warped + here);
      v_store(difference + x, warped - here);
    }
  }
  if (!same_px) choose_px(m, from.size());
}

void Overlay::choose_px(const cv::Matx33d& from_px, const cv::Size& from) {
  std::vector<Interval> inside;
  for (int y = 0; y < size_.height; ++y) {
    const auto in = [&](int i, int px) {
      return where_between(from_px(i, 0), from_px(i, 1) * y + from_px(i, 2), 0.0, px - 1.0,
                           size_.width);
    };
    const Interval in_x = in(0, from.width), in_y = in(1, from.height);
    const int begin = std::max(in_x.begin, in_y.begin);
    inside.push_back({begin, std::max(begin, std::min(in_x.end, in_y.end))});
  }
  for (std::size_t y = 1; y + 1 < inside.size(); ++y) {
    const Interval &above = inside[y - 1], &here = inside[y], &below = inside[y + 1];
    const int begin = std::max({1, above.begin, here.begin + 1, below.begin});
    const int end = std::min({size_.width - 1, above.end, here.end - 1, below.end});
    compared_[y] = {begin, std::max(begin, end)};
  }
}

int Overlay::num_compared() const {
  int n = 0;
  for (const Interval& row : compared_) n += row.end - row.begin;
  return n;
}

double Overlay::share_compared() const {
  return static_cast<double>(num_compared()) / static_cast<double>(size_.area());
}

int Overlay::num_counted() const {
  if (kept_.empty()) return num_compared();
  int n = 0;
  for (int y = 0; y < size_.height; ++y) {
    const Interval row = compared_[static_cast<std::size_t>(y)];
    if (row.begin < row.end)
      n += cv::countNonZero(kept_(cv::Rect(row.begin, y, row.end - row.begin, 1)));
  }
  return n;
}

double Overlay::correlation() const {
  double s1 = 0, d1 = 0, ss = 0, dd = 0, sd = 0;
  for (int y = 0; y < size_.height; ++y) {
    const Interval row = compared_[static_cast<std::size_t>(y)];
    const float* s = sum_.ptr<float>(y);
    const float* d = difference_.ptr<float>(y);
    for (int x = row.begin; x < row.end; ++x) {
      const double a = s[x], b = d[x];
      s1 += a, d1 += b, ss += a * a, dd += b * b, sd += a * b;
    }
  }
  const double n = std::max(1, num_compared());
  ss -= s1 * s1 / n, dd -= d1 * d1 / n, sd -= s1 * d1 / n;
  // Warped is half of sum plus difference, the other half of sum minus difference.
  const double spread = std::sqrt(std::max(0.0, (ss + 2.0 * sd + dd) * (ss - 2.0 * sd + dd)));
  return spread > 4e-12 ? (ss - dd) / spread : 0.0;
}

RobustLoss Overlay::robust_loss(std::vector<float>& workspace) const {
  constexpr int kEnough = 8192;  // the median deviation is good to 2 %
  const int stride = std::clamp(num_compared() / kEnough, 1, 16);
  workspace.clear();
  for (int y = 1; y + 1 < size_.height; ++y) {
    const Interval row = compared_[static_cast<std::size_t>(y)];
    const float* difference = difference_.ptr<float>(y);
    for (int x = row.begin + y % stride; x < row.end; x += stride)
      workspace.push_back(difference[x]);
  }
  const double offset = quantile_in_place(workspace, 0.5);
  for (float& r : workspace) r = std::abs(r - static_cast<float>(offset));
  const double sigma = std::max(1e-5, 1.4826 * quantile_in_place(workspace, 0.5));
  return {static_cast<float>(offset), static_cast<float>(kHuber * sigma)};
}

std::vector<TileEquations> Overlay::tile_equations(const RobustLoss& loss, int tile_px) const {
  const double radius = std::hypot(center().x, center().y);
  const cv::Size grid = tile_grid(tile_px);
  std::vector<TileEquations> tiles;
  for (int row = 0; row < grid.height; ++row)
    for (int column = 0; column < grid.width; ++column) {
      const cv::Point2d middle((column + 0.5) * tile_px - 0.5, (row + 0.5) * tile_px - 0.5);
      const cv::Point2d at = (middle - center()) / radius;
      tiles.push_back({.at = {at.x, at.y}});
    }
  for (int y = 1; y < std::min(size_.height - 1, grid.height * tile_px); ++y) {
    const Interval row = compared_[static_cast<std::size_t>(y)];
    const float* s = sum_.ptr<float>(y);
    const float* s_above = sum_.ptr<float>(y - 1);
    const float* s_below = sum_.ptr<float>(y + 1);
    const float* d = difference_.ptr<float>(y);
    TileEquations* of_row = tiles.data() + static_cast<std::ptrdiff_t>(y / tile_px) * grid.width;
    for (int x = row.begin; x < std::min(row.end, grid.width * tile_px); ++x) {
      const double e = d[x] - loss.offset;
      const double weight = std::min(1.0, loss.limit / std::max(std::abs(e), 1e-20));
      const Eigen::Vector2d gradient(0.25 * (s[x + 1] - s[x - 1]),
                                     0.25 * (s_below[x] - s_above[x]));
      TileEquations& tile = of_row[x / tile_px];
      tile.h += weight * gradient * gradient.transpose();
      tile.g += weight * e * gradient;
    }
  }
  return tiles;
}

void Overlay::leave_out(const cv::Mat& tiles, int tile_px) {
  kept_ = cv::Mat(to_.size(), CV_32FC1, cv::Scalar(1.0));
  const cv::Rect whole({}, kept_.size());
  for (int row = 0; row < tiles.rows; ++row)
    for (int column = 0; column < tiles.cols; ++column)
      if (tiles.at<uchar>(row, column) != 0)
        kept_(cv::Rect((column - 1) * tile_px, (row - 1) * tile_px, 3 * tile_px, 3 * tile_px) &
              whole)
            .setTo(0.0F);
}

NormalEquations Overlay::normal_equations(const RobustLoss& loss) const {
  using cv::v_float32x4, cv::v_load, cv::v_setall_f32;
  const double radius = std::hypot(center().x, center().y);
  const v_float32x4 offset = v_setall_f32(loss.offset), limit = v_setall_f32(loss.limit);
  const v_float32x4 one = v_setall_f32(1.0F), tiny = v_setall_f32(1e-20F);
  const v_float32x4 lane(0.0F, 1.0F, 2.0F, 3.0F);
  const v_float32x4 middle = v_setall_f32(static_cast<float>(center().x));
  const v_float32x4 to_unit = v_setall_f32(static_cast<float>(1.0 / radius));
  NormalEquations result;
  for (int y = 1; y + 1 < size_.height; ++y) {
    const Interval row = compared_[static_cast<std::size_t>(y)];
    if (row.begin >= row.end) continue;
    const float* s = sum_.ptr<float>(y);
    const float* s_above = sum_.ptr<float>(y - 1);
    const float* s_below = sum_.ptr<float>(y + 1);
    const float* d = difference_.ptr<float>(y);
    const float* kept = kept_.empty() ? nullptr : kept_.ptr<float>(y);
    const v_float32x4 end = v_setall_f32(static_cast<float>(row.end));
    // The y of a row is a constant: the products xx, xy, yy of gradients are summed as they are,
    // times x, and times x^2; those with the residual as they are and times x.
    std::array<v_float32x4, 9> h_sums;
    std::array<v_float32x4, 4> g_sums;
    h_sums.fill(v_setall_f32(0.0F));
    g_sums.fill(v_setall_f32(0.0F));
    v_float32x4 chi2 = v_setall_f32(0.0F);
    for (int x = row.begin; x < row.end; x += kLanes) {
      const v_float32x4 at = lane + v_setall_f32(static_cast<float>(x));
      const v_float32x4 px = (at - middle) * to_unit;
      const v_float32x4 e = v_load(d + x) - offset, u = v_abs(e);
      v_float32x4 weight = v_min(one, limit / v_max(u, tiny)) & (at < end);
      if (kept != nullptr) weight *= v_load(kept + x);
      // Four times the mean's gradient.
      const v_float32x4 gx = v_load(s + x + 1) - v_load(s + x - 1);
      const v_float32x4 gy = v_load(s_below + x) - v_load(s_above + x);
      const v_float32x4 wx = weight * gx, wy = weight * gy;
      const v_float32x4 xx = wx * gx, xy = wx * gy, yy = wy * gy;
      const v_float32x4 xx_px = xx * px, xy_px = xy * px, yy_px = yy * px;
      h_sums[0] += xx, h_sums[1] += xy, h_sums[2] += yy;
      h_sums[3] += xx_px, h_sums[4] += xy_px, h_sums[5] += yy_px;
      h_sums[6] += xx_px * px, h_sums[7] += xy_px * px, h_sums[8] += yy_px * px;
      const v_float32x4 xe = wx * e, ye = wy * e;
      g_sums[0] += xe, g_sums[1] += ye, g_sums[2] += xe * px, g_sums[3] += ye * px;
      chi2 += weight * e * e;
    }
    std::array<double, 9> a{};
    for (std::size_t i = 0; i < a.size(); ++i) a[i] = v_reduce_sum(h_sums[i]) / 16.0;
    std::array<double, 4> b{};
    for (std::size_t i = 0; i < b.size(); ++i) b[i] = v_reduce_sum(g_sums[i]) / 4.0;
    // Scale moves a px by (x, y), rotation by (-y, x).
    const double py = (y - center().y) / radius;
    Eigen::Matrix4d& h = result.h;
    h(0, 0) += a[6] + 2.0 * a[4] * py + a[2] * py * py;
    h(1, 0) += a[7] + (a[5] - a[3]) * py - a[1] * py * py;
    h(1, 1) += a[8] - 2.0 * a[4] * py + a[0] * py * py;
    h(2, 0) += a[3] + a[1] * py, h(2, 1) += a[4] - a[0] * py, h(2, 2) += a[0];
    h(3, 0) += a[4] + a[2] * py, h(3, 1) += a[5] - a[1] * py, h(3, 2) += a[1], h(3, 3) += a[2];
    result.g += Eigen::Vector4d(b[2] + b[1] * py, b[3] - b[0] * py, b[0], b[1]);
    result.chi2 += v_reduce_sum(chi2);
  }
  result.h = Eigen::Matrix4d(result.h.selfadjointView<Eigen::Lower>());
  return result;
}

}  // namespace ringsweep
