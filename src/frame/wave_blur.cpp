#include "frame/wave_blur.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>

#include "numerics/disc_transfer.h"

namespace ringsweep {
namespace {

constexpr double kPi = std::numbers::pi;

/// Room for the blur at the edges: beyond the largest disc of the curves and the rings around it.
constexpr int kMarginPx = 48;

/// White light as luminance sees it: the middles of the three colours, with their weights (BT.709).
struct Light {
  double wavelength_um = 0.0;
  double weight = 0.0;
};
constexpr std::array<Light, 3> kWhite{{{0.60, 0.2126}, {0.55, 0.7152}, {0.47, 0.0722}}};

double white_transfer(double cycles_per_px, double diameter_px, double f_number_per_um) {
  double sum = 0.0;
  for (const Light& light : kWhite) {
    const double lambda_n_px = light.wavelength_um * f_number_per_um;
    sum += light.weight * defocus_transfer(cycles_per_px * lambda_n_px, diameter_px / lambda_n_px);
  }
  return sum;
}

}  // namespace

double defocus_transfer(double s, double diameter) {
  if (s >= 1.0) return 0.0;
  // The overlap of two pupils of radius 1, 2 s apart. Across it the path difference grows evenly
  // along the line between them: rim against centre it is diameter / 8 wavelengths, so the phase
  // turns by pi diameter s a radius. Each strip along that line integrates to a sine; what is left
  // is the integral over the strips, here by their angle at the rim (H. H. Hopkins, Proc. R. Soc.
  // A 231, 1955; the form is from memory).
  const double turn = kPi * diameter * s;
  const auto strip = [&](double angle) {
    const double half = std::cos(angle) - s, phase = turn * half;
    const double sinc =
        std::abs(phase) < 1e-4 ? 1.0 - phase * phase / 6.0 : std::sin(phase) / phase;
    return half * sinc * std::cos(angle);
  };
  const double end = std::acos(s);
  const int steps = 2 * (12 + static_cast<int>(1.5 * turn * (1.0 - s)));  // Simpson's rule
  double sum = strip(0.0) + strip(end);
  for (int i = 1; i < steps; ++i) sum += (i % 2 == 1 ? 4.0 : 2.0) * strip(end * i / steps);
  return 4.0 / kPi * sum * end / (3.0 * steps);
}

double wave_blur_transfer(double cycles_per_px, double diameter_px, double f_number_per_um) {
  // Where less than about this passes in focus, noise is more than what the picture shows.
  constexpr double kLeastTransfer = 0.02;
  constexpr double kGuard = kLeastTransfer * kLeastTransfer;
  const double sharp = white_transfer(cycles_per_px, 0.0, f_number_per_um);
  const double blurred = white_transfer(cycles_per_px, diameter_px, f_number_per_um);
  return (blurred * sharp + kGuard * disc_transfer(cycles_per_px, diameter_px)) /
         (sharp * sharp + kGuard);
}

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
