// The blur disc. Sources: J. W. Goodman, Introduction to Fourier Optics (transfer function of a
// uniform disc, 2 J1(x) / x); the second moment of a uniform disc follows by integration.
#include "maker/disc.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <stdexcept>

namespace ringsweep::maker {
namespace {

struct Moments {
  double sum = 0.0, x = 0.0, y = 0.0, xx = 0.0, yy = 0.0;
};

Moments moments(const cv::Mat& kernel) {
  Moments m;
  const int n = kernel.rows / 2;
  for (int j = -n; j <= n; ++j) {
    for (int i = -n; i <= n; ++i) {
      const double w = kernel.at<float>(j + n, i + n);
      m.sum += w;
      m.x += w * i;
      m.y += w * j;
      m.xx += w * i * i;
      m.yy += w * j * j;
    }
  }
  return m;
}

/// Response to a cosine of `cycles_px` cycles per px along x.
double response(const cv::Mat& kernel, double cycles_px) {
  double sum = 0.0;
  const int n = kernel.rows / 2;
  for (int j = -n; j <= n; ++j) {
    for (int i = -n; i <= n; ++i) {
      sum += kernel.at<float>(j + n, i + n) * std::cos(2.0 * std::numbers::pi * cycles_px * i);
    }
  }
  return sum;
}

cv::Mat kernel_of_diameter(double diameter) { return disc_kernel(diameter / 2.0); }

class DiscOfRadius : public testing::TestWithParam<double> {};

TEST_P(DiscOfRadius, KeepsTheLightAndHasTheVarianceOfADisc) {
  const double radius = GetParam();
  const cv::Mat kernel = disc_kernel(radius);
  ASSERT_EQ(kernel.rows, kernel.cols);
  ASSERT_EQ(kernel.rows % 2, 1);
  const Moments m = moments(kernel);
  // Float sums of up to 4,000 terms.
  EXPECT_NEAR(m.sum, 1.0, 1e-4);
  EXPECT_NEAR(m.x, 0.0, 1e-5);
  EXPECT_NEAR(m.y, 0.0, 1e-5);
  // Per axis R^2 / 4: the integral of x^2 over the disc. 1 %: half a per cent of the diameter, a
  // twentieth of what a focal position is wanted to at 10 px.
  EXPECT_NEAR(m.xx, radius * radius / 4.0, 0.01 * radius * radius / 4.0);
  EXPECT_NEAR(m.yy, m.xx, 1e-3 * m.xx);
}

INSTANTIATE_TEST_SUITE_P(SubPixelAndLarge, DiscOfRadius,
                         testing::Values(0.1, 0.25, 0.4, 0.5, 0.75, 1.0, 1.3, 1.75, 2.5, 2.99, 3.0,
                                         4.2, 7.0, 12.5, 30.0));

TEST(DiscKernel, NoBlurIsASinglePixel) {
  const cv::Mat kernel = disc_kernel(0.0);
  EXPECT_EQ(kernel.rows, 1);
  EXPECT_EQ(kernel.at<float>(0, 0), 1.0F);
}

TEST(DiscKernel, PeakIsTheFluxOverTheArea) {
  // Unit flux over a disc of diameter d: 4 / (pi d^2); d = 8: .019894, d = 16: .0049736. Pixels cut
  // by the circle hold light outside it: the drawn R^2 is smaller by 1/3 px^2.
  for (const auto& [diameter, peak] : {std::pair{8.0, 0.019894}, std::pair{16.0, 0.0049736}}) {
    const double radius = diameter / 2.0;
    const cv::Mat kernel = disc_kernel(radius);
    const double drawn = (1.0 / 3.0) / (radius * radius);
    EXPECT_NEAR(kernel.at<float>(kernel.rows / 2, kernel.cols / 2), peak / (1.0 - drawn),
                0.003 * peak);
  }
}

TEST(DiscKernel, TransferFunctionIsThatOfADisc) {
  // 2 J1(pi d f) / (pi d f) at d = 5 px. A Gaussian of the same variance has .29121 at .20 cycles /
  // px, and one of R / sqrt 2 .08480: both far outside.
  const cv::Mat kernel = disc_kernel(2.5);
  for (const auto& [frequency, value] :
       {std::pair{0.05, 0.92485}, std::pair{0.10, 0.72170}, std::pair{0.20, 0.18119}}) {
    // Second moments are equal; what the pixel's area does to the fourth grows with f^4: 0.004 at
    // .2.
    EXPECT_NEAR(response(kernel, frequency), value, 0.0005 + 2.5 * std::pow(frequency, 4.0));
  }
}

TEST(DiscKernel, ZerosAreThoseOfJ1) {
  // Abramowitz and Stegun, table 9.5. At the zero x the frequency is x / (pi d).
  for (const double diameter : {5.0, 10.0, 23.0, 60.0}) {
    double sign = 1.0;
    for (const double zero : {3.83171, 7.01559, 10.17347}) {
      const double frequency = zero / (std::numbers::pi * diameter);
      if (frequency > 0.25) break;  // the raster folds too much back there
      // Pixels cut by the circle hold light outside it; the circle is drawn smaller for that, by
      // 1/3 px^2 in R^2, and the zeros lie higher by as much: 3 % at 5 px, 0.02 % at 60. Beside
      // that 0.2 % for what the raster folds back, and 1 % from 0.15 cycles per px on.
      const double off = frequency < 0.15 ? 0.002 : 0.01;
      const double square = diameter * diameter / 4.0;
      const double drawn = std::sqrt(square / (square - 1.0 / 3.0));
      EXPECT_GT(sign * response(kernel_of_diameter(diameter), (1.0 - off) * frequency), 0.0)
          << diameter << ", zero " << zero;
      EXPECT_LT(sign * response(kernel_of_diameter(diameter), (1.0 + off) * drawn * frequency), 0.0)
          << diameter << ", zero " << zero;
      sign = -sign;
    }
  }
}

TEST_P(DiscOfRadius, AHexagonKeepsTheLightAndHasItsOwnVariance) {
  const double radius = GetParam();
  const Moments m = moments(hexagon_kernel(radius));
  EXPECT_NEAR(m.sum, 1.0, 1e-4);
  EXPECT_NEAR(m.x, 0.0, 1e-5);
  EXPECT_NEAR(m.y, 0.0, 1e-5);
  // A regular hexagon of circumradius a: area a^2 sqrt 27 / 2, variance along any axis 5 a^2 / 24.
  // Drawn on pixels below 1 px the two axes part by up to 4 %; their mean is what is matched.
  const double variance = 5.0 / 24.0 * radius * radius * 2.0 * std::numbers::pi / std::sqrt(27.0);
  EXPECT_NEAR(0.5 * (m.xx + m.yy), variance, 0.002 * variance);
}

TEST(HexagonKernel, HasItsCornersOnTheXAxisAndItsSidesAcrossY) {
  // Area of a disc of 20 px: circumradius 20 * 1.09964 = 21.993, half height 19.046; the drawn one
  // is smaller by 2/5 px^2 in the square: 21.984 and 19.038.
  const cv::Mat kernel = hexagon_kernel(20.0);
  const int n = kernel.rows / 2;
  const auto at = [&](int x, int y) {
    return kernel.at<float>(y + n, x + n) / kernel.at<float>(n, n);
  };
  ASSERT_EQ(n, 22);
  EXPECT_NEAR(at(21, 0), 1.0, 1e-3);  // at 21.5 the corner is still 1.68 px wide
  // Beyond 21.5: 0.195 px as wide as the pixel, then a triangle of 0.289 px.
  EXPECT_NEAR(at(22, 0), 0.195 + 0.289 / 2.0, 2e-3);
  EXPECT_NEAR(at(0, 18), 1.0, 1e-3);
  EXPECT_NEAR(at(0, 19), 19.038 - 18.5, 1e-3);
  EXPECT_EQ(at(0, 20), 0.0F);
  EXPECT_NEAR(at(10, 18), 1.0, 1e-3);  // the upper side reaches to 10.992
  EXPECT_EQ(at(13, 18), 0.0F);
}

TEST(DiscKernel, RefusesANegativeRadius) {
  EXPECT_THROW((void)disc_kernel(-0.1), std::invalid_argument);
  EXPECT_THROW((void)disc_kernel(std::nan("")), std::invalid_argument);
  EXPECT_THROW((void)hexagon_kernel(-0.1), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep::maker
