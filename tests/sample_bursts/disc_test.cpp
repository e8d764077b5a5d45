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

TEST(DiscKernel, FirstZeroIsTheFirstZeroOfJ1) {
  // j_1,1 = 3.8317 (Abramowitz and Stegun, table 9.5): the zero is at 1.2197 / d cycles per px.
  for (const double diameter : {5.0, 10.0, 23.0}) {
    const cv::Mat kernel = disc_kernel(diameter / 2.0);
    // Within 2 %: the pixel's own response moves the zero of the smallest disc by about 1 %.
    EXPECT_GT(response(kernel, 0.98 * 1.2197 / diameter), 0.0) << diameter;
    EXPECT_LT(response(kernel, 1.02 * 1.2197 / diameter), 0.0) << diameter;
  }
}

TEST(DiscKernel, RefusesANegativeRadius) {
  EXPECT_THROW((void)disc_kernel(-0.1), std::invalid_argument);
  EXPECT_THROW((void)disc_kernel(std::nan("")), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep::maker
