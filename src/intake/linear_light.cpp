#include "linear_light.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>

namespace ringsweep {
namespace {

// ITU-R BT.709 luminance of linear R, G, B.
constexpr double kRed = 0.2126;
constexpr double kGreen = 0.7152;
constexpr double kBlue = 0.0722;

// The last two of 256 codes count as clipped: sharpening and compression in the camera move a
// saturated sample down by one. Common practice, no source.
constexpr std::uint8_t kClipped8 = 254;
constexpr std::uint16_t kClipped16 = 65280;  // 255 * 256: the same end of a 16-bit range
constexpr float kClippedFloat = 1.0F;

struct Tables8 {
  std::array<float, 256> grey, red, green, blue;
};

const Tables8& tables8() {
  static const Tables8 tables = [] {
    Tables8 t{};
    for (std::size_t i = 0; i < 256; ++i) {
      const double linear = linear_from_srgb(static_cast<double>(i) / 255.0);
      t.grey[i] = static_cast<float>(linear);
      t.red[i] = static_cast<float>(kRed * linear);
      t.green[i] = static_cast<float>(kGreen * linear);
      t.blue[i] = static_cast<float>(kBlue * linear);
    }
    return t;
  }();
  return tables;
}

const std::vector<float>& table16() {
  static const std::vector<float> table = [] {
    std::vector<float> t(65536);
    for (std::size_t i = 0; i < t.size(); ++i)
      t[i] = static_cast<float>(linear_from_srgb(static_cast<double>(i) / 65535.0));
    return t;
  }();
  return table;
}

/// One row. `linear` turns a sample into linear light, `upper` is where clipping begins.
template <class T, class Linear>
void convert(const T* row, Samples samples, std::size_t width, T upper, const Linear& linear,
             float* out, std::uint8_t* marks) {
  if (samples == Samples::grey) {
    for (std::size_t x = 0; x < width; ++x) {
      out[x] = linear(row[x]);
      marks[x] = row[x] >= upper ? 255 : 0;
    }
    return;
  }
  const std::size_t red = samples == Samples::rgb ? 0 : 2;
  const std::size_t blue = 2 - red;
  for (std::size_t x = 0; x < width; ++x, row += 3) {
    out[x] = static_cast<float>(kRed) * linear(row[red]) +
             static_cast<float>(kGreen) * linear(row[1]) +
             static_cast<float>(kBlue) * linear(row[blue]);
    marks[x] = std::max({row[0], row[1], row[2]}) >= upper ? 255 : 0;
  }
}

}  // namespace

double linear_from_srgb(double c) {
  return c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
}

double srgb_from_linear(double c) {
  return c <= 0.0031308 ? 12.92 * c : 1.055 * std::pow(c, 1.0 / 2.4) - 0.055;
}

LinearRows::LinearRows(cv::Size size, int block)
    : size_(size),
      block_(std::clamp(block, 1, std::min(size.width, size.height))),
      line_(static_cast<std::size_t>(size.width)),
      marks_(static_cast<std::size_t>(size.width)) {
  const int cols = size.width / block_;
  const int rows = size.height / block_;
  frame_.luminance.create(rows, cols, CV_32FC1);
  frame_.clipped.create(rows, cols, CV_8UC1);
  if (block_ > 1) {
    sums_.assign(static_cast<std::size_t>(cols), 0.0F);
    frame_.clipped.setTo(0);
  }
}

void LinearRows::add_srgb8(const std::uint8_t* row, Samples samples) {
  const Tables8& t = tables8();
  if (samples == Samples::grey) {
    convert(
        row, samples, line_.size(), kClipped8, [&](std::uint8_t v) { return t.grey[v]; }, line(),
        marks());
  } else {
    // The common case: three look-ups and two additions a pixel.
    const auto& first = samples == Samples::rgb ? t.red : t.blue;
    const auto& third = samples == Samples::rgb ? t.blue : t.red;
    float* out = line();
    std::uint8_t* upper = marks();
    for (std::size_t x = 0; x < line_.size(); ++x, row += 3) {
      out[x] = first[row[0]] + t.green[row[1]] + third[row[2]];
      upper[x] = std::max({row[0], row[1], row[2]}) >= kClipped8 ? 255 : 0;
    }
  }
  take_row();
}

void LinearRows::add_srgb16(const std::uint16_t* row, Samples samples) {
  const std::vector<float>& t = table16();
  convert(
      row, samples, line_.size(), kClipped16, [&](std::uint16_t v) { return t[v]; }, line(),
      marks());
  take_row();
}

void LinearRows::add_linear16(const std::uint16_t* row, Samples samples) {
  convert(
      row, samples, line_.size(), kClipped16,
      [](std::uint16_t v) { return static_cast<float>(v) * (1.0F / 65535.0F); }, line(), marks());
  take_row();
}

void LinearRows::add_float(const float* row, Samples samples) {
  convert(
      row, samples, line_.size(), kClippedFloat,
      [](float v) { return std::isfinite(v) ? std::clamp(v, 0.0F, 1.0F) : 0.0F; }, line(), marks());
  take_row();
}

void LinearRows::add_luminance(const float* row, const std::uint8_t* clipped) {
  std::copy_n(row, line_.size(), line());
  std::copy_n(clipped, marks_.size(), marks());
  take_row();
}

float* LinearRows::line() {
  return block_ == 1 && row_ < frame_.luminance.rows ? frame_.luminance.ptr<float>(row_)
                                                     : line_.data();
}

std::uint8_t* LinearRows::marks() {
  return block_ == 1 && row_ < frame_.clipped.rows ? frame_.clipped.ptr<std::uint8_t>(row_)
                                                   : marks_.data();
}

void LinearRows::take_row() {
  const int out_row = row_ / block_;
  ++row_;
  if (block_ == 1 || out_row >= frame_.luminance.rows) return;
  auto* luminance = frame_.luminance.ptr<float>(out_row);
  auto* clipped = frame_.clipped.ptr<std::uint8_t>(out_row);
  const auto block = static_cast<std::size_t>(block_);
  for (std::size_t x = 0; x < sums_.size(); ++x) {
    float sum = 0.0F;
    std::uint8_t any = 0;
    for (std::size_t i = x * block; i < (x + 1) * block; ++i) {
      sum += line_[i];
      any |= marks_[i];
    }
    sums_[x] += sum;
    clipped[x] |= any;
  }
  if (row_ % block_ != 0) return;
  const float share = 1.0F / static_cast<float>(block_ * block_);
  for (std::size_t x = 0; x < sums_.size(); ++x) {
    luminance[x] = sums_[x] * share;
    sums_[x] = 0.0F;
  }
}

LinearFrame LinearRows::finish() {
  frame_.full_size = size_;
  frame_.full_px_per_px = block_;
  return std::move(frame_);
}

}  // namespace ringsweep
