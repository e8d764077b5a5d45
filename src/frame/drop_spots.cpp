#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

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
  constexpr double kReach = 3.5;  // sigmas: beyond lies 1 / 2000 of a Gaussian
  const double more = std::sqrt(to_sigma * to_sigma - from_sigma * from_sigma);
  const int size = 2 * static_cast<int>(std::ceil(kReach * more)) + 1;
  cv::Mat result;
  cv::GaussianBlur(picture, result, {size, size}, more, more, cv::BORDER_REPLICATE);
  return result;
}

cv::Mat every_second(const cv::Mat& picture) {
  cv::Mat result((picture.rows + 1) / 2, (picture.cols + 1) / 2, CV_32FC1);
  for (int y = 0; y < result.rows; ++y) {
    const float* in = picture.ptr<float>(2 * y);
    float* out = result.ptr<float>(y);
    for (int x = 0; x < result.cols; ++x) out[x] = in[2 * x];
  }
  return result;
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
void add_spots(const cv::Mat& smaller, const cv::Mat& level, const cv::Mat& larger, double sigma,
               int px, std::vector<Spot>& spots) {
  const int border = std::max(1, kBorderPx / px);
  const int reach = std::max(1, static_cast<int>(sigma));
  // In larger px the top lies between them, and is higher.
  const float least = px == 1 ? kLeastHeight : 0.8F * kLeastHeight;
  for (int y = border; y < level.rows - border; ++y) {
    const float* above = level.ptr<float>(y - 1);
    const float* row = level.ptr<float>(y);
    const float* below = level.ptr<float>(y + 1);
    for (int x = border; x < level.cols - border; ++x) {
      float height = row[x];
      if (height < least || height < row[x - 1] || height < row[x + 1]) continue;
      if (!is_peak(level, y, x)) continue;
      cv::Point at(x, y);
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

}  // namespace

std::vector<Spot> find_spots(const cv::Mat& light) {
  cv::Mat smooth;
  cv::sqrt(cv::max(light, 0.0F), smooth);
  smooth = blurred(smooth, 0.0, kSigmas[0]);
  cv::Mat smaller;
  std::vector<Spot> spots;
  for (int octave = 0; octave < kOctaves; ++octave) {
    const int px = 1 << octave;
    const bool last = octave + 1 == kOctaves;
    const cv::Mat smoother = blurred(smooth, kSigmas[0], kSigmas[1]);
    const cv::Mat next = blurred(smoother, kSigmas[1], kNextSigma);
    const cv::Mat first = smooth - smoother, second = smoother - next;
    cv::Mat larger;
    if (!last) larger = next - blurred(next, kNextSigma, kBeyondSigma);
    add_spots(smaller, first, second, kSigmas[0], px, spots);
    add_spots(first, second, larger, kSigmas[1], px, spots);
    if (last) break;
    smooth = every_second(next);
    smaller = every_second(second);
  }
  return spots;
}

}  // namespace ringsweep
