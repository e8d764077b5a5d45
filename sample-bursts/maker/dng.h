#pragma once
/// The mosaic as a raw file: DNG specification 1.4.0.0.

#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace ringsweep::maker {

/// Levels of the file: a mosaic value of 0 is kDngBlack, of 1 is kDngWhite, as of 14 bits.
inline constexpr int kDngBlack = 512;
inline constexpr int kDngWhite = 16383;

struct DngPreview {
  std::vector<unsigned char> jpeg{};  ///< 8 bit, three colours
  cv::Size size{};                    ///< px
};

/// Uncompressed 16-bit DNG of a mosaic (red upper left, shares of the full well). Its colours are
/// those of sRGB, linear.
/// @param time  "YYYY:MM:DD HH:MM:SS.mmm"
/// @param preview  a JPEG of the same shape; none where it is empty
/// @throws std::runtime_error  the library refuses
[[nodiscard]] std::vector<unsigned char> dng_of(const cv::Mat& mosaic, const std::string& time,
                                                const DngPreview& preview = {});

}  // namespace ringsweep::maker
