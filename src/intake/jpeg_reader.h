#pragma once
/// JPEG in memory -> LinearFrame.
///
/// The codec is called directly, not through OpenCV, for three reasons: OpenCV returns a
/// grey-filled picture where the data end too early or are damaged, it lets the codec write to
/// standard error, and it needs a whole colour picture in memory before the first pixel can be
/// converted.

#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <string>

#include "ringsweep/decode.h"

namespace ringsweep {

/// @param options reduction 2, 4, 8 shrinks in the codec, by leaving out the high frequencies of
/// every
///        8 x 8 block: fast, and a mean in the file's own tone curve, not in linear light.
/// @param along  a view that is wanted too
[[nodiscard]] Result<LinearFrame> read_jpeg(std::span<const unsigned char> bytes,
                                            const std::string& file, const DecodeOptions& options,
                                            ViewAlong* along = nullptr);

/// The same in 8 bit and colour; grey pictures have three equal colours. Where some rows are
/// enough, the codec passes over the others, and damage behind the last of them is not seen.
[[nodiscard]] Result<ViewFrame> view_jpeg(std::span<const unsigned char> bytes,
                                          const std::string& file, const DecodeOptions& options);

/// The size the header gives, px. Nothing where there is no header that can be read.
[[nodiscard]] std::optional<cv::Size> jpeg_size(std::span<const unsigned char> bytes);

}  // namespace ringsweep
