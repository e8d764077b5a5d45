#include "ringsweep/depth_look.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <stdexcept>
#include <vector>

#include "numerics/quantile.h"
#include "ringsweep/block_means.h"

namespace ringsweep {
namespace {

/// Squared gradient of a band: the ramp that blur makes of a far-off contour has none of it.
cv::Mat band_energy(const cv::Mat& picture) {
  cv::Mat value, fine, coarse;
  picture.convertTo(value, CV_32F, 1.0 / 255.0);
  cv::GaussianBlur(value, fine, {}, 0.8, 0.8, cv::BORDER_REFLECT);
  cv::GaussianBlur(value, coarse, {}, 1.6, 1.6, cv::BORDER_REFLECT);
  fine -= coarse;
  cv::Mat energy(fine.size(), CV_32FC1, cv::Scalar(0));
  for (int y = 1; y + 1 < fine.rows; ++y) {
    const float *above = fine.ptr<float>(y - 1), *here = fine.ptr<float>(y),
                *below = fine.ptr<float>(y + 1);
    float* out = energy.ptr<float>(y);
    for (int x = 1; x + 1 < fine.cols; ++x) {
      const float dx = here[x + 1] - here[x - 1], dy = below[x] - above[x];
      out[x] = 0.25F * (dx * dx + dy * dy);
    }
  }
  static const cv::Mat kTriangle =
      (cv::Mat_<float>(1, 5) << 1.0F / 9, 2.0F / 9, 3.0F / 9, 2.0F / 9, 1.0F / 9);
  cv::sepFilter2D(energy, energy, CV_32F, kTriangle, kTriangle, {-1, -1}, 0, cv::BORDER_REFLECT);
  return energy;
}

}  // namespace

int edge_picture_reduction(cv::Size grid, std::size_t num_frames) {
  constexpr int kLongestPx = 1000;
  int reduction = 1;
  const auto bytes = [&] {
    return static_cast<std::size_t>(grid.width / reduction) *
           static_cast<std::size_t>(grid.height / reduction) * num_frames;
  };
  while (std::max(grid.width, grid.height) / reduction > kLongestPx || bytes() > kEdgePicturesBytes)
    reduction *= 2;
  return reduction;
}

cv::Mat edge_picture(const cv::Mat& luminance, int reduction) {
  cv::Mat bytes;
  cv::Mat value = cv::max(block_means(luminance, reduction), 0.0);  // a long kernel undershoots
  cv::sqrt(value, value);
  value.convertTo(bytes, CV_8U, 255.0);
  return bytes;
}

DepthLook look_at_depth(std::span<const cv::Mat> pictures, const ForEach& for_each) {
  if (pictures.empty()) return {};
  for (const cv::Mat& picture : pictures)
    if (picture.size() != pictures.front().size())
      throw std::invalid_argument("pictures must have one size");
  const cv::Size size = pictures.front().size();
  DepthLook look{.frame = cv::Mat(size, CV_16UC1, cv::Scalar(0)),
                 .energy = cv::Mat(size, CV_32FC1, cv::Scalar(-1)),
                 .mean = cv::Mat(size, CV_32FC1, cv::Scalar(0)),
                 .lowest = cv::Mat(size, CV_32FC1, cv::Scalar(1e9)),
                 .highest = cv::Mat(size, CV_8UC1, cv::Scalar(0))};
  // Stripes, so that threads share the work and one frame's energies at a time are held.
  constexpr int kStripe = 96, kMargin = 12;
  const int stripes = (size.height + kStripe - 1) / kStripe;
  for_each(static_cast<std::size_t>(stripes), [&](std::size_t s) {
    const int top = static_cast<int>(s) * kStripe, bottom = std::min(top + kStripe, size.height);
    const int from = std::max(top - kMargin, 0), to = std::min(bottom + kMargin, size.height);
    for (std::size_t k = 0; k < pictures.size(); ++k) {
      const cv::Mat stripe = pictures[k].rowRange(from, to).clone();
      const cv::Mat energy = band_energy(stripe);
      for (int y = top; y < bottom; ++y) {
        const float* e = energy.ptr<float>(y - from);
        const uchar* value = stripe.ptr<uchar>(y - from);
        auto* frame = look.frame.ptr<ushort>(y);
        float *best = look.energy.ptr<float>(y), *mean = look.mean.ptr<float>(y),
              *lowest = look.lowest.ptr<float>(y);
        uchar* highest = look.highest.ptr<uchar>(y);
        for (int x = 0; x < size.width; ++x) {
          if (e[x] > best[x]) best[x] = e[x], frame[x] = static_cast<ushort>(k);
          mean[x] += e[x];
          lowest[x] = std::min(lowest[x], e[x]);
          highest[x] = std::max(highest[x], value[x]);
        }
      }
    }
  });
  look.mean /= static_cast<double>(pictures.size());

  std::vector<float> energies(look.energy.begin<float>(), look.energy.end<float>());
  // Where there is texture all over, noise alone shows in the frames that are least sharp; there it
  // scatters to about a fifth of what is its highest in many frames.
  std::vector<float> lowest(look.lowest.begin<float>(), look.lowest.end<float>());
  constexpr double kHighestOverLowest = 5.0;
  look.noise = std::min(quantile_in_place(energies, 0.05),
                        kHighestOverLowest * quantile_in_place(lowest, 0.05));
  return look;
}

}  // namespace ringsweep
