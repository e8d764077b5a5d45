#include "frame/wave_blur.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core.hpp>

#include "numerics/wave_transfer.h"

namespace ringsweep {
namespace {

/// Room for the blur at the edges: beyond the largest disc of the curves and the rings around it.
constexpr int kMarginPx = 48;

}  // namespace

WaveBlur::WaveBlur(const cv::Mat& picture, double f_number_per_um)
    : picture_(picture), f_number_per_um_(f_number_per_um) {
  const int rows = cv::getOptimalDFTSize(picture.rows + 2 * kMarginPx);
  const int cols = cv::getOptimalDFTSize(picture.cols + 2 * kMarginPx);
  cv::Mat wide;
  cv::copyMakeBorder(picture, wide, kMarginPx, rows - picture.rows - kMarginPx, kMarginPx,
                     cols - picture.cols - kMarginPx, cv::BORDER_REFLECT);
  cv::dft(wide, spectrum_);
}

cv::Mat WaveBlur::blurred(double diameter_px) const {
  if (diameter_px <= 0.0) return picture_.clone();
  // The transfer function is round: sampled along a radius, linear between.
  constexpr int kSamples = 1024;
  constexpr double kFarthest = 0.7072;  // corner of the band, cycles a px
  std::array<float, kSamples + 2> along{};
  for (int i = 0; i <= kSamples; ++i)
    along[static_cast<std::size_t>(i)] = static_cast<float>(
        wave_blur_transfer(kFarthest * i / kSamples, diameter_px, f_number_per_um_));
  along[kSamples + 1] = along[kSamples];

  const auto left = [&](double fx, double fy) {
    const double at = std::sqrt(fx * fx + fy * fy) * (kSamples / kFarthest);
    const auto i = static_cast<std::size_t>(at);
    return along[i] + static_cast<float>(at - static_cast<double>(i)) * (along[i + 1] - along[i]);
  };

  // The packed spectrum of a real picture holds half of the columns, each as real and imaginary
  // part side by side. The first, and the last of an even number, are spectra of real columns
  // themselves and so packed once more, downwards.
  cv::Mat whole = spectrum_.clone();
  const int rows = whole.rows, cols = whole.cols;
  for (int y = 0; y < rows; ++y) {
    auto* row = whole.ptr<float>(y);
    const double fy = static_cast<double>(std::min(y, rows - y)) / rows;
    const double fy_packed = static_cast<double>((y + 1) / 2) / rows;
    row[0] *= left(0.0, fy_packed);
    for (int x = 1; x + 1 < cols; x += 2) {
      const float factor = left(static_cast<double>((x + 1) / 2) / cols, fy);
      row[x] *= factor;
      row[x + 1] *= factor;
    }
    if (cols % 2 == 0) row[cols - 1] *= left(0.5, fy_packed);
  }
  cv::dft(whole, whole, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
  return whole(cv::Rect(kMarginPx, kMarginPx, picture_.cols, picture_.rows)).clone();
}

}  // namespace ringsweep
