#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "ringsweep/spot_light.h"

namespace ringsweep {
namespace {

// Of an octave, in its own px; the next one has px of twice the size, and so goes on with 2.0.
constexpr std::array kSigmas{1.0, 1.4};
constexpr double kNextSigma = 2.0, kBeyondSigma = 2.8;
constexpr int kOctaves = 3;
constexpr float kLeastHeight = 0.02F;  // texture and noise are full of lower ones
constexpr float kRoundness = 0.25F;    // curvature along over curvature across; a line has 0
constexpr int kBorderPx = 4;

cv::Mat blurred(const cv::Mat& picture, double from_sigma, double to_sigma) {
  constexpr double kReach = 3.0;  // sigmas: beyond lies 1 / 370 of a Gaussian
  const double more = std::sqrt(to_sigma * to_sigma - from_sigma * from_sigma);
  const int size = 2 * static_cast<int>(std::ceil(kReach * more)) + 1;
  cv::Mat result;
  cv::GaussianBlur(picture, result, {size, size}, more, more, cv::BORDER_REPLICATE);
  return result;
}

/// A picture, or a strip of one, in one octave.
struct Octave {
  cv::Mat first, second, larger;  ///< differences; the third only bounds the second
  cv::Mat next;                   ///< smooth enough for the next octave
};

/// @param smooth  as smooth as the first sigma
Octave octave_of(const cv::Mat& smooth, bool last) {
  Octave o;
  const cv::Mat smoother = blurred(smooth, kSigmas[0], kSigmas[1]);
  o.next = blurred(smoother, kSigmas[1], kNextSigma);
  o.first = smooth - smoother;
  o.second = smoother - o.next;
  if (!last) o.larger = o.next - blurred(o.next, kNextSigma, kBeyondSigma);
  return o;
}

/// Every second px of the even rows; `to` is the half of a picture from its row `to_row` on.
void every_second(const cv::Mat& from, cv::Range rows, cv::Mat& to, int to_row) {
  for (int y = rows.start; y < rows.end; y += 2, ++to_row) {
    const float* in = from.ptr<float>(y);
    float* out = to.ptr<float>(to_row);
    for (int x = 0; x < to.cols; ++x) out[x] = in[2 * x];
  }
}

/// Higher than its neighbours in the picture.
bool is_peak(const cv::Mat& level, int y, int x) {
  const float v = level.at<float>(y, x);
  for (int dy = -1; dy <= 1; ++dy)
    for (int dx = -1; dx <= 1; ++dx) {
      if (dx == 0 && dy == 0) continue;
      const float other = level.at<float>(y + dy, x + dx);
      const bool later = dy > 0 || (dy == 0 && dx > 0);  // of equal ones the first
      if (other > v || (other == v && !later)) return false;
    }
  return true;
}

/// No higher one up to a px of the picture around in what shows larger or smaller ones.
/// @param other  empty where there is none
bool is_highest(float v, const cv::Mat& other, int y, int x, int px) {
  if (other.empty()) return true;
  const auto at = [&](int dy, int dx) {
    const float there = other.at<float>(y + dy, x + dx);
    if (px == 1) return there;
    // In larger px half a px around is far enough.
    return 0.25F * (other.at<float>(y, x) + other.at<float>(y + dy, x) +
                    other.at<float>(y, x + dx) + there);
  };
  for (int dy = -1; dy <= 1; ++dy)
    for (int dx = -1; dx <= 1; ++dx)
      if (at(dy, dx) > v) return false;
  return true;
}

bool is_round(const cv::Mat& level, int y, int x, int reach) {
  const int x0 = std::max(0, x - reach), x1 = std::min(level.cols - 1, x + reach);
  const int y0 = std::max(0, y - reach), y1 = std::min(level.rows - 1, y + reach);
  const auto at = [&](int row, int col) { return level.at<float>(row, col); };
  const float xx = 2.0F * at(y, x) - at(y, x0) - at(y, x1);
  const float yy = 2.0F * at(y, x) - at(y0, x) - at(y1, x);
  const float xy = 0.25F * (at(y1, x1) + at(y0, x0) - at(y0, x1) - at(y1, x0));
  const float mean = 0.5F * (xx + yy), apart = std::hypot(0.5F * (xx - yy), xy);
  return mean - apart >= kRoundness * (mean + apart);
}

/// How far the top of a parabola through three values lies from the middle one, px.
float top(float before, float middle, float after) {
  const float curvature = 2.0F * middle - before - after;
  return curvature > 0.0F ? std::clamp(0.5F * (after - before) / curvature, -0.5F, 0.5F) : 0.0F;
}

/// Spots of one size in an octave. @param smaller, larger  empty where there are none
/// @param rows  of the mats, that are looked at; @param top_row  of the picture, at their row 0
void add_spots(const cv::Mat& smaller, const cv::Mat& level, const cv::Mat& larger, double sigma,
               int px, cv::Range rows, int top_row, std::vector<Spot>& spots) {
  const int border = std::max(1, kBorderPx / px);
  const int reach = std::max(1, static_cast<int>(sigma));
  // In larger px the top lies between them, and is higher.
  const float least = px == 1 ? kLeastHeight : 0.8F * kLeastHeight;
  for (int y = std::max(border, rows.start); y < std::min(level.rows - border, rows.end); ++y) {
    const float* above = level.ptr<float>(y - 1);
    const float* row = level.ptr<float>(y);
    const float* below = level.ptr<float>(y + 1);
    for (int x = border; x < level.cols - border; ++x) {
      float height = row[x];
      if (height < least || height < row[x - 1] || height < row[x + 1]) continue;
      if (!is_peak(level, y, x)) continue;
      cv::Point at(x, top_row + y);
      if (px > 1) {
        const float dx = top(row[x - 1], row[x], row[x + 1]), dy = top(above[x], row[x], below[x]);
        const auto scale = static_cast<float>(px);
        at = px * at + cv::Point(cvRound(scale * dx), cvRound(scale * dy));
        height += 0.25F * (dx * (row[x + 1] - row[x - 1]) + dy * (below[x] - above[x]));
      }
      if (height < kLeastHeight) continue;
      if (!is_highest(height, smaller, y, x, px) || !is_highest(height, larger, y, x, px)) continue;
      if (!is_round(level, y, x, reach)) continue;
      spots.push_back({.at = at, .sigma_px = px * sigma, .height = static_cast<double>(height)});
    }
  }
}

/// The first octave, in strips that stay in the processor's cache: most of the work.
/// @return its next one and its second differences, every second px
std::pair<cv::Mat, cv::Mat> first_octave(const cv::Mat& light, std::vector<Spot>& spots) {
  constexpr int kRows = 384;
  constexpr int kMargin = 24;  // all kernels one after the other, and a row
  cv::Mat half((light.rows + 1) / 2, (light.cols + 1) / 2, CV_32FC1);
  cv::Mat second(half.size(), CV_32FC1);
  std::vector<Spot> larger;
  cv::Mat root;
  for (int row = 0; row < light.rows; row += kRows) {
    const int from = std::max(0, row - kMargin);
    const int end = std::min(light.rows, row + kRows);
    const cv::Range own(row - from, end - from);
    cv::sqrt(cv::max(light.rowRange(from, std::min(light.rows, end + kMargin)), 0.0F), root);
    const Octave o = octave_of(blurred(root, 0.0, kSigmas[0]), false);
    add_spots({}, o.first, o.second, kSigmas[0], 1, own, from, spots);
    add_spots(o.first, o.second, o.larger, kSigmas[1], 1, own, from, larger);
    every_second(o.next, own, half, row / 2);
    every_second(o.second, own, second, row / 2);
  }
  spots.insert(spots.end(), larger.begin(), larger.end());
  return {half, second};
}

/// Where two octaves meet, one spot may pass for two: the higher one stays.
/// @param spots  those from `first` on are of the later octave
void leave_one_of_two(std::vector<Spot>& spots, std::size_t first) {
  const auto end = spots.begin() + static_cast<std::ptrdiff_t>(first);
  std::vector<bool> other(spots.size());
  for (std::size_t i = first; i < spots.size(); ++i) {
    const double near_px = spots[i].sigma_px;
    for (auto before = spots.begin(); before != end; ++before) {
      if (2.0 * before->sigma_px <= near_px || cv::norm(before->at - spots[i].at) > near_px)
        continue;
      const bool lower = before->height < spots[i].height;
      other[lower ? static_cast<std::size_t>(before - spots.begin()) : i] = true;
    }
  }
  std::size_t kept = 0;
  for (std::size_t i = 0; i < spots.size(); ++i)
    if (!other[i]) spots[kept++] = spots[i];
  spots.resize(kept);
}

}  // namespace

std::vector<Spot> find_spots(const cv::Mat& light) {
  std::vector<Spot> spots;
  auto [smooth, smaller] = first_octave(light, spots);
  for (int octave = 1; octave < kOctaves; ++octave) {
    const int px = 1 << octave;
    const bool last = octave + 1 == kOctaves;
    const cv::Range all(0, smooth.rows);
    const Octave o = octave_of(smooth, last);
    const std::size_t before = spots.size();
    add_spots(smaller, o.first, o.second, kSigmas[0], px, all, 0, spots);
    leave_one_of_two(spots, before);
    add_spots(o.first, o.second, o.larger, kSigmas[1], px, all, 0, spots);
    if (last) break;
    smooth.create((all.end + 1) / 2, (o.next.cols + 1) / 2, CV_32FC1);
    smaller.create(smooth.size(), CV_32FC1);
    every_second(o.next, all, smooth, 0);
    every_second(o.second, all, smaller, 0);
  }
  return spots;
}

}  // namespace ringsweep
