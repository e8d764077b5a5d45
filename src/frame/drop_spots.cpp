#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "ringsweep/spot_light.h"

namespace ringsweep {
namespace {

constexpr std::array kSigmasPx{1.0, 1.4, 2.0, 2.8, 4.0, 5.6};
constexpr double kBeyondPx = 8.0;      // the last one's surroundings
constexpr float kLeastHeight = 0.02F;  // texture and noise are full of lower ones
constexpr float kRoundness = 0.25F;    // curvature along over curvature across; a line has 0
constexpr int kBorderPx = 4;

using Levels = std::array<cv::Mat, kSigmasPx.size()>;

Levels differences_of_gaussians(const cv::Mat& root) {
  Levels levels;
  cv::Mat smooth, smoother;
  cv::GaussianBlur(root, smooth, {}, kSigmasPx[0], 0, cv::BORDER_REPLICATE);
  for (std::size_t i = 0; i < levels.size(); ++i) {
    const double next = i + 1 < levels.size() ? kSigmasPx[i + 1] : kBeyondPx;
    const double more = std::sqrt(next * next - kSigmasPx[i] * kSigmasPx[i]);
    cv::GaussianBlur(smooth, smoother, {}, more, 0, cv::BORDER_REPLICATE);
    levels[i] = smooth - smoother;
    smooth = smoother.clone();
  }
  return levels;
}

/// Higher than its neighbours in the picture, and than it is larger or smaller.
bool is_peak(const Levels& levels, std::size_t i, int y, int x) {
  const float v = levels[i].at<float>(y, x);
  for (int dy = -1; dy <= 1; ++dy)
    for (int dx = -1; dx <= 1; ++dx) {
      if (dx == 0 && dy == 0) continue;
      const float other = levels[i].at<float>(y + dy, x + dx);
      const bool later = dy > 0 || (dy == 0 && dx > 0);  // of equal ones the first
      if (other > v || (other == v && !later)) return false;
    }
  for (int dy = -1; dy <= 1; ++dy)
    for (int dx = -1; dx <= 1; ++dx) {
      if (i > 0 && levels[i - 1].at<float>(y + dy, x + dx) > v) return false;
      if (i + 1 < levels.size() && levels[i + 1].at<float>(y + dy, x + dx) > v) return false;
    }
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

}  // namespace

std::vector<Spot> find_spots(const cv::Mat& light) {
  cv::Mat root;
  cv::sqrt(cv::max(light, 0.0F), root);
  const Levels levels = differences_of_gaussians(root);
  std::vector<Spot> spots;
  for (std::size_t i = 0; i < levels.size(); ++i) {
    const int reach = std::max(1, static_cast<int>(kSigmasPx[i]));
    for (int y = kBorderPx; y < root.rows - kBorderPx; ++y)
      for (int x = kBorderPx; x < root.cols - kBorderPx; ++x) {
        const float height = levels[i].at<float>(y, x);
        if (height < kLeastHeight || !is_peak(levels, i, y, x)) continue;
        if (!is_round(levels[i], y, x, reach)) continue;
        spots.push_back(
            {.at = {x, y}, .sigma_px = kSigmasPx[i], .height = static_cast<double>(height)});
      }
  }
  return spots;
}

}  // namespace ringsweep
