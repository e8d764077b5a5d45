#pragma once
/// PNG, TIFF and BMP in memory -> LinearFrame, through OpenCV.
///
/// OpenCV and its codecs write to standard error when a file is damaged, and a library must not. So
/// every file is checked here first, and only what will decode is handed on.

#include <span>
#include <string>

#include "ringsweep/decode.h"

namespace ringsweep {

/// Checks every chunk's CRC and the length of the unpacked data; hands on the critical chunks
/// alone.
/// @param along  a view that is wanted too: here and below
[[nodiscard]] Result<LinearFrame> read_png(std::span<const unsigned char> bytes,
                                           const std::string& file, const DecodeOptions& options,
                                           ViewAlong* along = nullptr);

/// Unpacks every strip or tile of the first picture once. 1, 2, 4, 8, 16 bits and 32-bit float of
/// three colours (taken as linear). Its orientation tag is set to 1 in memory.
/// @param bytes may be changed.
[[nodiscard]] Result<LinearFrame> read_tiff(std::span<unsigned char> bytes, const std::string& file,
                                            const DecodeOptions& options,
                                            ViewAlong* along = nullptr);

/// Uncompressed BMP of 8, 24 or 32 bits.
[[nodiscard]] Result<LinearFrame> read_bmp(std::span<const unsigned char> bytes,
                                           const std::string& file, const DecodeOptions& options,
                                           ViewAlong* along = nullptr);

}  // namespace ringsweep
