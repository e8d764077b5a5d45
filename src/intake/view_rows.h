#pragma once
/// Rows of a picture -> a view.

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <opencv2/core.hpp>
#include <vector>

namespace ringsweep {

/// The codec rounds up and fills the last pixels with less than a block: they are left away, so
/// that a pixel is `reduction` px wide everywhere.
inline cv::Size shrunk(cv::Size size, int reduction) {
  return {std::max(1, size.width / reduction), std::max(1, size.height / reduction)};
}

/// Rows of 8-bit samples, blue first or grey -> a picture to look at, `times` x `times` px made
/// one.
class ViewRows {
 public:
  ViewRows(cv::Size size, int times, bool grey)
      : bgr_(shrunk(size, times), CV_8UC3),
        times_(std::min({times, size.width, size.height})),
        grey_(grey),
        sums_(3 * static_cast<std::size_t>(bgr_.cols)) {}

  /// Rows of the picture that do not come: they stay black.
  void pass_over(int rows) {
    bgr_.setTo(cv::Scalar());
    row_ += rows;
  }
  void add(const std::uint8_t* row) {
    const int y = row_++ / times_;
    if (y >= bgr_.rows) return;
    auto* out = bgr_.ptr<std::uint8_t>(y);
    if (times_ == 1) {
      copy(row, out);
      return;
    }
    sum(row);
    if (row_ % times_ != 0) return;
    const unsigned area = static_cast<unsigned>(times_) * static_cast<unsigned>(times_);
    for (std::size_t i = 0; i < sums_.size(); ++i) {
      out[i] = static_cast<std::uint8_t>((sums_[i] + area / 2) / area);
      sums_[i] = 0;
    }
  }
  [[nodiscard]] const cv::Mat& bgr() const { return bgr_; }

 private:
  void copy(const std::uint8_t* row, std::uint8_t* out) const {
    if (!grey_) {
      std::copy_n(row, sums_.size(), out);
      return;
    }
    for (std::size_t i = 0; i < sums_.size(); ++i) out[i] = row[i / 3];
  }
  void sum(const std::uint8_t* row) {
    const auto times = static_cast<std::size_t>(times_);
    if (grey_) {
      for (std::size_t i = 0; i < sums_.size(); ++i)
        for (std::size_t k = 0; k < times; ++k) sums_[i] += row[i / 3 * times + k];
    } else if (times == 2) {  // of most
      for (std::size_t x = 0; x < sums_.size(); x += 3, row += 6)
        for (std::size_t c = 0; c < 3; ++c)
          sums_[x + c] += static_cast<unsigned>(row[c]) + row[c + 3];
    } else {
      for (std::size_t x = 0; x < sums_.size(); x += 3)
        for (std::size_t k = 0; k < times; ++k, row += 3)
          for (std::size_t c = 0; c < 3; ++c) sums_[x + c] += row[c];
    }
  }

  cv::Mat bgr_;
  int times_;
  bool grey_;
  int row_ = 0;
  std::vector<unsigned> sums_;
};

}  // namespace ringsweep
