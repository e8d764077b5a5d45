// Cubic interpolation against its formula (R. G. Keys, IEEE Trans. ASSP 29, 1981, p. 1153), taken
// px by px and in doubles, and against a picture of which every place is known.
#include "frame/resample.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace ringsweep {
namespace {

const cv::Size kSize(150, 110);

double light_at(double x, double y) {
  return 0.5 + 0.2 * std::sin(0.55 * x + 0.2 * y) + 0.2 * std::cos(0.6 * y - 0.15 * x);
}

cv::Mat known_picture(cv::Size size) {
  cv::Mat picture(size, CV_32FC1);
  for (int y = 0; y < size.height; ++y)
    for (int x = 0; x < size.width; ++x)
      picture.at<float>(y, x) = static_cast<float>(light_at(x, y));
  return picture;
}

cv::Mat noise(cv::Size size) {
  cv::Mat picture(size, CV_32FC1);
  cv::RNG random(20261127);  // any
  random.fill(picture, cv::RNG::UNIFORM, 0.0, 1.0);
  return picture;
}

std::array<double, 4> weights(double t) {
  constexpr double kA = -0.75;
  std::array<double, 4> w{};
  for (int i = 0; i < 4; ++i) {
    const double d = std::abs(t + 1.0 - i);
    w[static_cast<std::size_t>(i)] = d <= 1.0 ? ((kA + 2.0) * d - (kA + 3.0)) * d * d + 1.0
                                              : ((kA * d - 5.0 * kA) * d + 8.0 * kA) * d - 4.0 * kA;
  }
  return w;
}

double plain(const cv::Mat& picture, double x, double y) {
  const double ix = std::floor(x), iy = std::floor(y);
  const auto wx = weights(x - ix), wy = weights(y - iy);
  double sum = 0.0;
  for (int i = 0; i < 4; ++i)
    for (int j = 0; j < 4; ++j) {
      const int row =
          cv::borderInterpolate(static_cast<int>(iy) - 1 + i, picture.rows, cv::BORDER_REFLECT);
      const int col =
          cv::borderInterpolate(static_cast<int>(ix) - 1 + j, picture.cols, cv::BORDER_REFLECT);
      sum += wy[static_cast<std::size_t>(i)] * wx[static_cast<std::size_t>(j)] *
             static_cast<double>(picture.at<float>(row, col));
    }
  return sum;
}

// Without a turn, rows and columns are apart in the formula too: what is left is the rounding of
// floats, in the fraction (up to 110 px, 8e-6) times the steepest slope of noise (about 2 a px).
class NotTurned : public ::testing::TestWithParam<cv::Matx23d> {};

TEST_P(NotTurned, IsTheFormulaAtEveryPlaceAndBeyondTheEdges) {
  const cv::Mat picture = noise(kSize);
  const cv::Mat got = resample(picture, GetParam(), kSize);
  for (int y = 0; y < kSize.height; ++y)
    for (int x = 0; x < kSize.width; ++x) {
      const cv::Vec2d at = GetParam() * cv::Vec3d(x, y, 1.0);
      ASSERT_NEAR(got.at<float>(y, x), plain(picture, at[0], at[1]), 5e-5) << x << ", " << y;
    }
}

INSTANTIATE_TEST_SUITE_P(By, NotTurned,
                         ::testing::Values(cv::Matx23d(1, 0, 0, 0, 1, 0),
                                           cv::Matx23d(1, 0, 12, 0, 1, -7),
                                           cv::Matx23d(1, 0, -20.3, 0, 1, 15.8),
                                           cv::Matx23d(1.07, 0, -9.1, 0, 1.07, -3.3),
                                           cv::Matx23d(0.93, 0, 4.7, 0, 0.93, 2.9),
                                           cv::Matx23d(1.9, 0, -60, 0, 1.9, -50)));

// Turned, the two ways differ, and neither is the truth: each errs by what cubic interpolation does
// to waves of ten px. That of cv::warpAffine, which also rounds places to 1/32 px, is the measure.
TEST(Turned, IsNoFartherFromTheTruthThanInterpolationInOneStep) {
  const cv::Mat picture = known_picture(kSize);
  for (const double turn : {-0.09, -0.01, 0.002, 0.05}) {
    const double c = 1.03 * std::cos(turn), s = 1.03 * std::sin(turn);
    const cv::Matx23d from(c, -s, 5.0 + 110.0 * std::max(0.0, s), s, c,
                           4.0 - 150.0 * std::min(0.0, s));
    const cv::Size size(120, 80);
    const cv::Mat own = resample(picture, from, size);
    cv::Mat one_step;
    cv::warpAffine(picture, one_step, from, size, cv::INTER_CUBIC | cv::WARP_INVERSE_MAP,
                   cv::BORDER_REFLECT);
    double own_error = 0.0, one_step_error = 0.0;
    int count = 0;
    for (int y = 0; y < size.height; ++y)
      for (int x = 0; x < size.width; ++x) {
        const cv::Vec2d at = from * cv::Vec3d(x, y, 1.0);
        if (at[0] < 3 || at[1] < 3 || at[0] > kSize.width - 4 || at[1] > kSize.height - 4) continue;
        const double truth = light_at(at[0], at[1]);
        own_error += std::pow(own.at<float>(y, x) - truth, 2);
        one_step_error += std::pow(one_step.at<float>(y, x) - truth, 2);
        ++count;
      }
    ASSERT_GT(count, 5000) << turn;
    EXPECT_LE(own_error, 1.05 * one_step_error) << turn;  // a turn makes the step a little longer
  }
}

TEST(Turned, FarIsLeftToOpenCv) {
  const cv::Mat picture = noise(kSize);
  const cv::Matx23d from(0.0, -1.0, 100.0, 1.0, 0.0, 3.0);
  cv::Mat expected;
  cv::warpAffine(picture, expected, from, {100, 140}, cv::INTER_CUBIC | cv::WARP_INVERSE_MAP,
                 cv::BORDER_REFLECT);
  EXPECT_EQ(cv::norm(resample(picture, from, {100, 140}), expected, cv::NORM_INF), 0.0);
}

TEST(Resample, APictureOfAFewPxIsNoTrap) {
  for (const cv::Size size : {cv::Size(1, 1), cv::Size(2, 3), cv::Size(5, 1)}) {
    const cv::Mat picture(size, CV_32FC1, cv::Scalar(0.25));
    const cv::Mat got = resample(picture, {1.02, 0.03, -40.0, -0.03, 1.02, 30.0}, {33, 21});
    EXPECT_LT(cv::norm(got, cv::Mat(got.size(), CV_32FC1, cv::Scalar(0.25)), cv::NORM_INF), 1e-6);
  }
}

}  // namespace
}  // namespace ringsweep
