#include "ringsweep/bands.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>

namespace ringsweep {
namespace {

// All lengths below in px of a picture of two px a tile.
constexpr int kPerTile = 2;
constexpr int kHalf = 8;  // of a section across the band
constexpr std::size_t kSection = 2 * kHalf + 1;
// Ours, no source; found on bench/accuracy's open seeds.
constexpr double kLikeBefore = 0.85;      // correlation of a section with what was followed so far
constexpr double kFades = 0.2;            // contrast may fade to this share: blur takes it
constexpr double kLeastContrast = 0.015;  // of the log of light: less is noise
constexpr double kLearns = 0.2;           // weight of a new section in what was followed so far
constexpr double kTurns = 0.15;           // how much a sideways shift turns the way

using Section = std::array<double, kSection>;

/// Mean and slope taken off, length 1; nothing where there is no contrast.
struct Contrast {
  Section shape{};
  double size = 0.0;
};

Contrast contrast_of(const Section& section) {
  Contrast result{.shape = section};
  double mean = 0.0, slope = 0.0, square = 0.0;
  for (std::size_t i = 0; i < kSection; ++i) {
    const double x = static_cast<double>(i) - kHalf;
    mean += section[i] / static_cast<double>(kSection);
    slope += x * section[i];
    square += x * x;
  }
  slope /= square;
  double sum = 0.0;
  for (std::size_t i = 0; i < kSection; ++i) {
    result.shape[i] -= mean + slope * (static_cast<double>(i) - kHalf);
    sum += result.shape[i] * result.shape[i];
  }
  result.size = std::sqrt(sum / static_cast<double>(kSection));
  if (sum > 0.0)
    for (double& v : result.shape) v /= std::sqrt(sum);
  return result;
}

double correlation(const Section& a, const Section& b) {
  double sum = 0.0;
  for (std::size_t i = 0; i < kSection; ++i) sum += a[i] * b[i];
  return sum;
}

class Follower {
 public:
  Follower(const cv::Mat& light, const cv::Mat& inside) : light_(light), inside_(inside) {}

  /// Whether the band at `from` goes on along `way` (length 1) to the border.
  [[nodiscard]] bool reaches_border(cv::Point2d from, cv::Point2d way) const {
    Contrast followed = contrast_of(section(from, way));
    const double least = std::max(kLeastContrast, kFades * followed.size);
    if (followed.size < kLeastContrast) return false;
    const int most = light_.cols + light_.rows;
    for (int i = 0; i < most; ++i) {
      from += way;
      if (!is_inside(from)) return true;
      double best = -1.0, shift = 0.0;
      Contrast here;
      for (const double s : {0.0, -0.5, 0.5, -1.0, 1.0}) {
        const Contrast c = contrast_of(section(from + s * across(way), way));
        const double like = correlation(c.shape, followed.shape);
        if (like > best) best = like, shift = s, here = c;
      }
      if (best < kLikeBefore || here.size < least) return false;
      from += shift * across(way);
      way += kTurns * shift * across(way);
      way /= std::hypot(way.x, way.y);
      for (std::size_t k = 0; k < kSection; ++k)
        followed.shape[k] += kLearns * (here.shape[k] - followed.shape[k]);
      const double length = std::sqrt(correlation(followed.shape, followed.shape));
      for (double& v : followed.shape) v /= length;
    }
    return false;
  }

 private:
  static cv::Point2d across(cv::Point2d way) { return {-way.y, way.x}; }

  [[nodiscard]] bool is_inside(cv::Point2d p) const {
    const cv::Point tile(cvFloor((p.x + 0.5) / kPerTile), cvFloor((p.y + 0.5) / kPerTile));
    return cv::Rect({}, inside_.size()).contains(tile) && inside_.at<std::uint8_t>(tile) != 0;
  }

  [[nodiscard]] double at(cv::Point2d p) const {
    const double x = std::clamp(p.x, 0.0, light_.cols - 1.001);
    const double y = std::clamp(p.y, 0.0, light_.rows - 1.001);
    const int ix = cvFloor(x), iy = cvFloor(y);
    const double fx = x - ix, fy = y - iy;
    const float* upper = light_.ptr<float>(iy) + ix;
    const float* lower = light_.ptr<float>(iy + 1) + ix;
    return (1.0 - fy) * ((1.0 - fx) * upper[0] + fx * upper[1]) +
           fy * ((1.0 - fx) * lower[0] + fx * lower[1]);
  }

  [[nodiscard]] Section section(cv::Point2d p, cv::Point2d way) const {
    Section result{};
    for (std::size_t i = 0; i < kSection; ++i)
      result[i] = at(p + (static_cast<double>(i) - kHalf) * across(way));
    return result;
  }

  const cv::Mat& light_;   // CV_32FC1
  const cv::Mat& inside_;  // CV_8UC1, a px a tile
};

}  // namespace

cv::Mat find_bands(const cv::Mat& picture, const TileGrid& grid, const cv::Mat& all_see,
                   const ForEach& for_each) {
  cv::Mat result(grid.rows(), grid.cols(), CV_8UC1, cv::Scalar(0));
  if (grid.rows() < 2 || grid.cols() < 2) return result;
  cv::Mat inside = all_see;
  if (inside.empty()) inside = cv::Mat(result.size(), CV_8UC1, cv::Scalar(255));

  cv::Mat light;
  const cv::Rect whole(0, 0, grid.cols() * grid.tile_px, grid.rows() * grid.tile_px);
  cv::resize(picture(whole), light, {grid.cols() * kPerTile, grid.rows() * kPerTile}, 0, 0,
             cv::INTER_AREA);
  const double floor = std::max(1e-4, 0.05 * cv::mean(light)[0]);
  cv::log(cv::max(light, 0.0) + floor, light);
  cv::GaussianBlur(light, light, {}, 1.0, 1.0, cv::BORDER_REPLICATE);

  cv::Mat dx, dy;
  cv::Scharr(light, dx, CV_32F, 1, 0, 1.0 / 32.0, 0.0, cv::BORDER_REPLICATE);
  cv::Scharr(light, dy, CV_32F, 0, 1, 1.0 / 32.0, 0.0, cv::BORDER_REPLICATE);
  cv::Mat xx = dx.mul(dx), xy = dx.mul(dy), yy = dy.mul(dy);
  constexpr double kWindow = 2.0;
  for (cv::Mat* m : {&xx, &xy, &yy})
    cv::GaussianBlur(*m, *m, {}, kWindow, kWindow, cv::BORDER_REPLICATE);

  const Follower follower(light, inside);
  for_each(static_cast<std::size_t>(grid.rows()), [&](std::size_t r) {
    const int row = static_cast<int>(r);
    for (int col = 0; col < grid.cols(); ++col) {
      const cv::Point at(col * kPerTile + kPerTile / 2, row * kPerTile + kPerTile / 2);
      const double a = xx.at<float>(at), b = xy.at<float>(at), c = yy.at<float>(at);
      // Along the smaller eigenvector: the light changes least there.
      const double angle = 0.5 * std::atan2(2.0 * b, a - c) + CV_PI / 2.0;
      const cv::Point2d way(std::cos(angle), std::sin(angle));
      const cv::Point2d middle(at.x - 0.5, at.y - 0.5);
      if (follower.reaches_border(middle, way) || follower.reaches_border(middle, -way))
        result.at<std::uint8_t>(row, col) = 255;
    }
  });
  return result;
}

}  // namespace ringsweep
