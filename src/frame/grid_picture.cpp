#include "ringsweep/grid_picture.h"

#include <algorithm>
#include <cmath>
#include <cstdint>

namespace ringsweep {
namespace {

constexpr double kMostLight = 1.25;  // of white: cubic resampling shoots over
constexpr int kSteps = 32766;        // of 15 bits, with 0 for what is not seen

}  // namespace

PackedPicture pack(const cv::Mat& luminance, const cv::Mat& clipped, double gain) {
  PackedPicture packed{.values = cv::Mat(luminance.size(), CV_16UC1), .gain = gain};
  const float to_share = static_cast<float>(1.0 / (gain * kMostLight));
  for (int y = 0; y < packed.values.rows; ++y) {
    const float* light = luminance.ptr<float>(y);
    const std::uint8_t* upper = clipped.ptr<std::uint8_t>(y);
    std::uint16_t* out = packed.values.ptr<std::uint16_t>(y);
    for (int x = 0; x < packed.values.cols; ++x) {
      const float root = std::sqrt(std::clamp(light[x] * to_share, 0.0F, 1.0F));
      const int step = 1 + static_cast<int>(root * static_cast<float>(kSteps) + 0.5F);
      out[x] = static_cast<std::uint16_t>(2 * step + (upper[x] != 0 ? 1 : 0));
    }
  }
  return packed;
}

PackedPicture pack(const GridPicture& picture, double gain) {
  PackedPicture packed = pack(picture.luminance, picture.clipped, gain);
  packed.values.setTo(0, picture.seen == 0);
  return packed;
}

GridPicture unpack(const PackedPicture& packed) {
  const cv::Size size = packed.values.size();
  GridPicture picture{.luminance = cv::Mat(size, CV_32FC1),
                      .seen = cv::Mat(size, CV_8UC1),
                      .clipped = cv::Mat(size, CV_8UC1)};
  const float from_share = static_cast<float>(packed.gain * kMostLight);
  for (int y = 0; y < size.height; ++y) {
    const std::uint16_t* in = packed.values.ptr<std::uint16_t>(y);
    float* light = picture.luminance.ptr<float>(y);
    std::uint8_t* seen = picture.seen.ptr<std::uint8_t>(y);
    std::uint8_t* clipped = picture.clipped.ptr<std::uint8_t>(y);
    for (int x = 0; x < size.width; ++x) {
      const int step = (in[x] >> 1) - 1;
      const float root = static_cast<float>(std::max(step, 0)) / static_cast<float>(kSteps);
      light[x] = from_share * root * root;
      seen[x] = in[x] != 0 ? 255 : 0;
      clipped[x] = (in[x] & 1) != 0 ? 255 : 0;
    }
  }
  return picture;
}

}  // namespace ringsweep
