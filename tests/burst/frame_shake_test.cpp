// How long a movement is that softens as a disc does.
#include "burst/frame_shake.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "frame/wave_blur.h"
#include "ringsweep/profiles.h"

namespace ringsweep {
namespace {

// Small blurs act by their second moments: a disc has d^2 / 16 per axis, a movement L^2 / 12 along
// one and none along the other, on average over directions L^2 / 24: L = sqrt(3 / 2) d. What the
// next order adds at d = 0.3 is some (pi f d)^2 / 12 = 0.5 % at the band's middle of 0.2 a px.
TEST(FrameShake, SmallMovementsActByTheirSecondMoment) {
  EXPECT_NEAR(movement_like_disc_px(0.3, 1.2), std::sqrt(1.5) * 0.3, 0.01 * 0.3);
  EXPECT_NEAR(movement_like_disc_px(0.6, 2.4), std::sqrt(1.5) * 0.6, 0.01 * 0.6);
}

TEST(FrameShake, LongMovementsAreLongerThanThat) {
  double before = 0.0;
  for (const double disc : {1.0, 2.0, 3.0, 4.0, 6.0}) {
    const double movement = movement_like_disc_px(disc, 1.2);
    EXPECT_GT(movement, before);
    EXPECT_GE(movement, std::sqrt(1.5) * disc * 0.99);
    before = movement;
  }
}

/// Pixels without direction whose amplitude falls as 1 / f.
cv::Mat one_over_f(int edge, std::uint64_t seed) {
  cv::RNG random(seed);
  cv::Mat noise(edge, edge, CV_32FC1), spectrum;
  random.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
  cv::dft(noise, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (int y = 0; y < edge; ++y)
    for (int x = 0; x < edge; ++x) {
      const double f = std::hypot(std::min(x, edge - x), std::min(y, edge - y));
      spectrum.at<cv::Vec2f>(y, x) *= f > 0.0 ? static_cast<float>(1.0 / f) : 0.0F;
    }
  cv::Mat picture;
  cv::dft(spectrum, picture, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
  return picture;
}

double gradient_energy(const cv::Mat& picture) {
  cv::Mat smooth, dx, dy;
  cv::GaussianBlur(picture, smooth, {}, 1.2, 1.2);
  cv::Sobel(smooth, dx, CV_32F, 1, 0, 1);
  cv::Sobel(smooth, dy, CV_32F, 0, 1, 1);
  const cv::Rect inner(40, 40, picture.cols - 80, picture.rows - 80);
  return cv::norm(dx(inner), cv::NORM_L2SQR) + cv::norm(dy(inner), cv::NORM_L2SQR);
}

// A picture made soft by both ways, by a general library: along one axis only, which for a texture
// without direction is as any other. 10 %: 512 x 512 px hold some 1e4 grains of this texture, which
// gives an energy to 1 %, a length to half of that; a box of whole px is no line (1 / 12 px^2).
TEST(FrameShake, ATextureLosesAsMuchByEither) {
  const cv::Mat picture = one_over_f(512, 5);
  for (const int length : {3, 5, 9}) {
    cv::Mat moved;
    cv::blur(picture, moved, {length, 1});
    const double wanted = gradient_energy(moved);
    double low = 0.0, high = 12.0;
    for (int i = 0; i < 12; ++i) {
      const double disc = 0.5 * (low + high);
      cv::Mat soft;
      cv::filter2D(picture, soft, CV_32F, disc_kernel(disc));
      (gradient_energy(soft) > wanted ? low : high) = disc;
    }
    EXPECT_NEAR(movement_like_disc_px(low, 1.2), length, 0.1 * length);
  }
}

/// What a lens in focus leaves of a picture (J. W. Goodman, Introduction to Fourier Optics, section
/// 6.3, from memory), one wavelength of 0.55 um.
cv::Mat diffracted(const cv::Mat& picture, double f_number_per_um) {
  cv::Mat spectrum, result;
  cv::dft(picture, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (int y = 0; y < picture.rows; ++y)
    for (int x = 0; x < picture.cols; ++x) {
      const double f = std::hypot(1.0 * std::min(x, picture.cols - x) / picture.cols,
                                  1.0 * std::min(y, picture.rows - y) / picture.rows);
      const double s = std::min(1.0, f * 0.55 * f_number_per_um);
      spectrum.at<cv::Vec2f>(y, x) *=
          static_cast<float>(2.0 / std::numbers::pi * (std::acos(s) - s * std::sqrt(1.0 - s * s)));
    }
  cv::dft(spectrum, result, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
  return result;
}

// The same where diffraction (quarter-wave blurs of 2.2 and 5.5 px) has taken fine detail before.
// Taken for a disc's, the last would be some 1.6 times too long.
TEST(FrameShake, ADiffractedTextureLosesAsMuchByEither) {
  for (const double f_number_per_um : {2.0, 5.0}) {
    const cv::Mat picture = diffracted(one_over_f(512, 5), f_number_per_um);
    const WaveBlur waves(picture, f_number_per_um);
    for (const int length : {3, 5, 9}) {
      cv::Mat moved;
      cv::blur(picture, moved, {length, 1});
      const double wanted = gradient_energy(moved);
      double low = 0.0, high = 14.0;
      for (int i = 0; i < 10; ++i) {
        const double disc = 0.5 * (low + high);
        (gradient_energy(waves.blurred(disc)) > wanted ? low : high) = disc;
      }
      EXPECT_NEAR(movement_like_disc_px(low, 1.2, f_number_per_um), length, 0.1 * length)
          << f_number_per_um;
    }
  }
}

TEST(FrameShake, AWideOpenLensIsAsNoDiffraction) {
  // At a quarter-wave blur of 0.02 px a transfer loses some 1 % at the band's highest frequencies.
  EXPECT_NEAR(movement_like_disc_px(3.0, 1.2, 0.02), movement_like_disc_px(3.0, 1.2), 0.01);
}

}  // namespace
}  // namespace ringsweep
