#pragma once
/// The errors that several readers have to tell, in one wording.

#include <opencv2/core.hpp>
#include <string>

#include "ringsweep/decode.h"

namespace ringsweep {

inline constexpr const char* kCopyAgain = "copy it again from the card, or leave it out";
inline constexpr const char* kSaveAsOrdinaryJpeg = "save it as an ordinary JPEG, or leave it out";

inline Error truncated(const std::string& file) {
  return {file, "the picture data end too early", kCopyAgain};
}

inline Error damaged(const std::string& file) {
  return {file, "the picture data are damaged", kCopyAgain};
}

inline bool too_large(cv::Size size, const DecodeOptions& options) {
  return 1e-6 * size.width * size.height > options.max_megapixels;
}

inline Error too_many_pixels(const std::string& file, cv::Size size) {
  return {file,
          "the header claims " + std::to_string(size.width) + " x " + std::to_string(size.height) +
              " px, more than can be read",
          kCopyAgain};
}

}  // namespace ringsweep
