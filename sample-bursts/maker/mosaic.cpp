#include "maker/mosaic.h"

#include <tbb/parallel_for.h>

#include <stdexcept>

namespace ringsweep::maker {

cv::Mat mosaic_of(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                  std::uint64_t noise_seed) {
  const Photosite photosite(sensor);
  const auto exposure = static_cast<float>(gain);
  cv::Mat mosaic(linear_rgb.size(), CV_32F);
  tbb::parallel_for(0, mosaic.rows, [&](int y) {
    const auto* in = linear_rgb.ptr<cv::Vec3f>(y);
    auto* out = mosaic.ptr<float>(y);
    for (int x = 0; x < mosaic.cols; ++x) {
      const int c = colour_at(x, y);
      const float share = photosite(in[x][c] * exposure, hash(noise_seed, place_of(x, y, c)));
      out[x] = std::min(1.0F, share);
    }
  });
  return mosaic;
}

cv::Mat interpolated(const cv::Mat& mosaic) {
  if (mosaic.rows < 2 || mosaic.cols < 2) {
    throw std::invalid_argument("interpolated: the mosaic is smaller than its pattern");
  }
  cv::Mat rgb(mosaic.size(), CV_32FC3);
  tbb::parallel_for(0, mosaic.rows, [&](int y) {
    // The neighbours of an edge: both on the side that is there.
    const auto* above = mosaic.ptr<float>(y > 0 ? y - 1 : 1);
    const auto* here = mosaic.ptr<float>(y);
    const auto* below = mosaic.ptr<float>(y + 1 < mosaic.rows ? y + 1 : y - 1);
    auto* out = rgb.ptr<cv::Vec3f>(y);
    for (int x = 0; x < mosaic.cols; ++x) {
      const int l = x > 0 ? x - 1 : 1, r = x + 1 < mosaic.cols ? x + 1 : x - 1;
      const int own = colour_at(x, y);
      cv::Vec3f& pixel = out[x];
      pixel[own] = here[x];
      if (own == 1) {  // green: one colour beside, the other above and below
        const int beside = (y & 1) == 0 ? 0 : 2;
        pixel[beside] = 0.5F * (here[l] + here[r]);
        pixel[2 - beside] = 0.5F * (above[x] + below[x]);
      } else {
        pixel[1] = 0.25F * (here[l] + here[r] + above[x] + below[x]);
        pixel[2 - own] = 0.25F * (above[l] + above[r] + below[l] + below[r]);
      }
    }
  });
  return rgb;
}

}  // namespace ringsweep::maker
