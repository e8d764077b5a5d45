// Defocus and diffraction together. Sources beside each value.
#include "frame/wave_blur.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>
#include <utility>

#include "frame/textured.h"
#include "numerics/wave_transfer.h"

namespace ringsweep {
namespace {

constexpr double kPi = std::numbers::pi;
/// What the numerical integral is off, by its own header.
constexpr double kIntegral = 1e-6;

double jinc(double x) { return 2.0 * std::cyl_bessel_j(1.0, x) / x; }

/// J. W. Goodman, Introduction to Fourier Optics, section 6.3 (formula from memory).
double in_focus(double s) {
  return s < 1.0 ? 2.0 / kPi * (std::acos(s) - s * std::sqrt(1.0 - s * s)) : 0.0;
}

TEST(DefocusTransfer, InFocusIsThatOfTheAberrationFreeCircle) {
  for (const double s : {0.0, 0.05, 0.2, 0.5, 0.7, 0.9, 0.99, 1.0, 1.2})
    EXPECT_NEAR(defocus_transfer(s, 0.0), in_focus(s), kIntegral) << s;
}

TEST(DefocusTransfer, StrehlRatioIsTheSquaredSineOverItsArgument) {
  // M. Born and E. Wolf, Principles of Optics, section 8.8 (from memory): light in the middle of a
  // point's picture goes with (sin(pi W) / (pi W))^2, W the path difference at the rim in
  // wavelengths. A quarter leaves 0.81 (Rayleigh's limit), a whole one nothing. The disc's diameter
  // is 8 W lambda N.
  for (const auto& [waves, book] : {std::pair{0.25, 0.8106}, {0.5, 0.4053}, {1.0, 0.0}}) {
    double with = 0.0, without = 0.0;
    for (int i = 0; i < 2000; ++i) {
      const double s = (i + 0.5) / 2000;
      with += s * defocus_transfer(s, 8.0 * waves);
      without += s * in_focus(s);
    }
    // Four digits of the book's value, and the integrals' 1e-6 over a volume of 1 / 8.
    EXPECT_NEAR(with / without, book, 6e-5) << waves;
  }
}

TEST(DefocusTransfer, IsNearStokseths) {
  // P. A. Stokseth, J. Opt. Soc. Am. 59 (1969) 1314, an approximation for defocus of some
  // wavelengths and more (from memory): with s2 = 2 s,
  // (1 - 0.69 s2 + 0.0076 s2^2 + 0.043 s2^3) jinc(4 pi W s2 (1 - s2 / 2)).
  for (const double waves : {2.0, 3.0, 5.0})
    for (const double s : {0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9}) {
      const double s2 = 2.0 * s;
      const double near = (1.0 - 0.69 * s2 + 0.0076 * s2 * s2 + 0.043 * s2 * s2 * s2) *
                          jinc(4.0 * kPi * waves * s2 * (1.0 - s2 / 2.0));
      // He fitted a cubic to the transfer in focus, which it misses by 0.01 to 0.02; out of focus
      // that counts times what is left, here less than a half.
      EXPECT_NEAR(defocus_transfer(s, 8.0 * waves), near, 0.01) << waves << " " << s;
    }
}

TEST(DefocusTransfer, FarOutOfFocusIsThatOfTheDisc) {
  for (const double x : {0.5, 2.0, 3.83171, 5.0}) {
    // The next term is of the order of s (H. H. Hopkins, Proc. R. Soc. A 231, 1955; from memory).
    const double s = x / (kPi * 800.0);
    EXPECT_NEAR(defocus_transfer(s, 800.0), jinc(x), 2.0 * s) << x;
  }
}

TEST(WaveBlurTransfer, IsTheRatioOfBlurredAndSharpInWhiteLight) {
  // Means over three colours with the weights of luminance (ITU-R BT.709).
  constexpr double kPerUm = 5.0;
  const auto white = [](double f, double d) {
    double sum = 0.0;
    for (const auto& [um, weight] : {std::pair{0.60, 0.2126}, {0.55, 0.7152}, {0.47, 0.0722}})
      sum += weight * defocus_transfer(f * um * kPerUm, d / (um * kPerUm));
    return sum;
  };
  for (const double d : {0.8, 2.0, 4.0, 7.5})
    for (const double f : {0.02, 0.05, 0.1, 0.15, 0.2}) {
      const double sharp = white(f, 0.0), ratio = white(f, d) / sharp;
      // The guard draws towards the disc, by 0.02^2 against the square of what passes in focus.
      const double guard = 0.0004 / (sharp * sharp + 0.0004);
      const double expected = ratio + guard * (jinc(kPi * d * f) - ratio);
      EXPECT_NEAR(wave_blur_transfer(f, d, kPerUm), expected, 1e-9) << d << " px, " << f;
    }
}

TEST(WaveBlurTransfer, IsTheDiscWhereNothingPassesInFocusAndWithoutDiffraction) {
  // 1 / (0.47 * 10) = 0.213 cycles a px is the last that passes in blue.
  EXPECT_NEAR(wave_blur_transfer(0.3, 2.0, 10.0), jinc(kPi * 0.6), 1e-12);
  // lambda N of 0.0055 px: the disc alone is left, but for terms of the order of s, 0.003.
  EXPECT_NEAR(wave_blur_transfer(0.2, 3.0, 0.01), jinc(kPi * 0.6), 0.003);
}

TEST(WaveBlur, TakesFromAWaveWhatTheTransferSays) {
  constexpr double kPerUm = 4.0, kMeanLevel = 0.5, kSwing = 0.25;
  // Odd and even sizes: the packed spectrum is laid out in two ways.
  for (const cv::Size size : {cv::Size(160, 120), cv::Size(151, 133)})
    for (const auto& [fx, fy] : {std::pair{0.10, 0.0}, {0.0, 0.13}, {0.06, -0.08}}) {
      cv::Mat wave(size, CV_32FC1);
      for (int y = 0; y < size.height; ++y)
        for (int x = 0; x < size.width; ++x)
          wave.at<float>(y, x) = static_cast<float>(
              kMeanLevel + kSwing * std::cos(2.0 * kPi * (fx * (x - 80) + fy * (y - 60))));
      const WaveBlur blur(wave, kPerUm);
      for (const double d : {1.2, 4.0}) {
        const double left = wave_blur_transfer(std::hypot(fx, fy), d, kPerUm);
        // The mirrors at the edges, 60 px away, turn the wave's phase: what they send here is what
        // the point's picture holds so far out, some 1e-3.
        EXPECT_NEAR(blur.blurred(d).at<float>(60, 80), kMeanLevel + kSwing * left, 1e-3)
            << size << " " << fx << " " << fy << ", " << d << " px";
      }
    }
}

TEST(WaveBlur, AgreesWithItsSlowTwin) {
  // All of the spectrum, each frequency's transfer by itself; the same mirrors at the edges.
  constexpr double kPerUm = 4.0, kDiameterPx = 4.0;
  constexpr int kMarginPx = 48;
  const cv::Mat picture = textured({75, 60}, 8, 0.6);
  cv::Mat wide, spectrum, twin;
  const int rows = cv::getOptimalDFTSize(picture.rows + 2 * kMarginPx);
  const int cols = cv::getOptimalDFTSize(picture.cols + 2 * kMarginPx);
  cv::copyMakeBorder(picture, wide, kMarginPx, rows - picture.rows - kMarginPx, kMarginPx,
                     cols - picture.cols - kMarginPx, cv::BORDER_REFLECT);
  wide.convertTo(wide, CV_64F);
  cv::dft(wide, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (int y = 0; y < rows; ++y)
    for (int x = 0; x < cols; ++x)
      spectrum.at<cv::Vec2d>(y, x) *=
          wave_blur_transfer(std::hypot(std::min(x, cols - x) / static_cast<double>(cols),
                                        std::min(y, rows - y) / static_cast<double>(rows)),
                             kDiameterPx, kPerUm);
  cv::dft(spectrum, twin, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
  twin = twin(cv::Rect(kMarginPx, kMarginPx, picture.cols, picture.rows));
  cv::Mat fast;
  WaveBlur(picture, kPerUm).blurred(kDiameterPx).convertTo(fast, CV_64F);
  // A straight line between 1024 samples of the transfer is off by 1e-5, and single precision.
  EXPECT_NEAR(cv::norm(fast, twin, cv::NORM_INF), 0.0, 2e-5);
}

TEST(WaveBlur, KeepsLightAndLeavesAPictureInFocusAsItIs) {
  const cv::Mat picture = textured({200, 140}, 3);
  const WaveBlur blur(picture, 6.0);
  EXPECT_EQ(cv::norm(blur.blurred(0.0), picture, cv::NORM_INF), 0.0);
  const cv::Mat even(140, 200, CV_32FC1, cv::Scalar(0.4));
  // Rounding of a Fourier transform in single precision.
  EXPECT_NEAR(cv::norm(WaveBlur(even, 6.0).blurred(5.0), even, cv::NORM_INF), 0.0, 1e-5);
}

}  // namespace
}  // namespace ringsweep
