#pragma once
/// Samples of a picture file -> linear light, one pass over its rows.

#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

#include "ringsweep/frame.h"

namespace ringsweep {

/// The inverse sRGB transfer function, 0..1 -> 0..1. IEC 61966-2-1:1999: c / 12.92 up to 0.04045,
/// else
/// ((c + 0.055) / 1.055)^2.4.
[[nodiscard]] double linear_from_srgb(double c);

/// Its inverse, 0..1 -> 0..1.
[[nodiscard]] double srgb_from_linear(double c);

/// The order of samples in a row.
enum class Samples { grey, rgb, bgr };

/// Takes the rows of a picture one after the other and makes a LinearFrame of them: sRGB decode and
/// BT.709 luminance (0.2126, 0.7152, 0.0722) in linear light, then the mean of block x block
/// pixels. What is left over at the right and lower edge when the size is no multiple of `block` is
/// dropped, so that every pixel of the result stands for a whole block.
class LinearRows {
 public:
  /// @param size of the picture whose rows come, px, both at least 1.
  /// @param block 1 or more; made smaller where the picture is smaller.
  LinearRows(cv::Size size, int block);

  void add_srgb8(const std::uint8_t* row, Samples samples);
  void add_srgb16(const std::uint16_t* row, Samples samples);
  /// 16 bits that are linear already; clipped from 65280 up, as for the others.
  void add_linear16(const std::uint16_t* row, Samples samples);
  /// Floats count as linear; clipped from 1 up; what is no number is 0.
  void add_float(const float* row, Samples samples);
  /// Luminance made elsewhere, with its own mark for clipped pixels (255 or 0).
  void add_luminance(const float* row, const std::uint8_t* clipped);

  /// Call after the last row. full_size and full_px_per_px are those of the picture whose rows
  /// came.
  [[nodiscard]] LinearFrame finish();

 private:
  /// Where the row that comes is put: in the frame where it is a row of it.
  [[nodiscard]] float* line();
  [[nodiscard]] std::uint8_t* marks();
  void take_row();

  cv::Size size_;
  int block_;
  int row_ = 0;
  std::vector<float> line_;          // one row in linear light
  std::vector<std::uint8_t> marks_;  // and what is clipped in it
  std::vector<float> sums_;          // of the block rows so far; empty where block_ is 1
  LinearFrame frame_;
};

}  // namespace ringsweep
