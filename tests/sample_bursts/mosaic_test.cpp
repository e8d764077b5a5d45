// The mosaic. Photon counts are Poisson: their variance is their mean; reading adds its own. What
// interpolation does to independent noise follows from its weights.
#include "maker/mosaic.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

namespace ringsweep::maker {
namespace {

TEST(Mosaic, IsRedUpperLeft) {
  EXPECT_EQ(colour_at(0, 0), 0);
  EXPECT_EQ(colour_at(1, 0), 1);
  EXPECT_EQ(colour_at(0, 1), 1);
  EXPECT_EQ(colour_at(1, 1), 2);
  Sensor quiet;
  quiet.full_well_e = 1e10;
  quiet.read_noise_e = 0.0;
  const cv::Mat light(4, 4, CV_32FC3, cv::Scalar(0.1, 0.2, 0.3));
  const cv::Mat mosaic = mosaic_of(light, 2.0, quiet, 1);
  // A well of 1e10 leaves noise of 1e-5 of the light.
  EXPECT_NEAR(mosaic.at<float>(2, 2), 0.2, 1e-4);
  EXPECT_NEAR(mosaic.at<float>(2, 3), 0.4, 1e-4);
  EXPECT_NEAR(mosaic.at<float>(3, 2), 0.4, 1e-4);
  EXPECT_NEAR(mosaic.at<float>(3, 3), 0.6, 1e-4);
  EXPECT_EQ(mosaic_of(light, 20.0, quiet, 1).at<float>(3, 3), 1.0F);  // full
}

TEST(Interpolated, GivesBackARampAndKeepsWhatWasMeasured) {
  // Bilinear interpolation is exact for what is linear in x and y.
  const auto level = [](int x, int y, int c) {
    return 0.1F + 0.003F * static_cast<float>(x) + 0.002F * static_cast<float>(y) +
           0.1F * static_cast<float>(c);
  };
  cv::Mat mosaic(21, 30, CV_32F);
  for (int y = 0; y < mosaic.rows; ++y) {
    for (int x = 0; x < mosaic.cols; ++x) mosaic.at<float>(y, x) = level(x, y, colour_at(x, y));
  }
  const cv::Mat rgb = interpolated(mosaic);
  for (int y = 0; y < rgb.rows; ++y) {
    for (int x = 0; x < rgb.cols; ++x) {
      const bool edge = x == 0 || y == 0 || x == rgb.cols - 1 || y == rgb.rows - 1;
      for (int c = 0; c < 3; ++c) {
        // Beyond the edge the picture is mirrored: the ramp stands still there.
        ASSERT_NEAR(rgb.at<cv::Vec3f>(y, x)[c], level(x, y, c), edge ? 0.006F : 1e-6F);
      }
      EXPECT_EQ(rgb.at<cv::Vec3f>(y, x)[colour_at(x, y)], mosaic.at<float>(y, x));
    }
  }
}

double variance_of(const cv::Mat& one) {
  cv::Scalar mean, sd;
  cv::meanStdDev(one, mean, sd);
  return sd[0] * sd[0];
}

TEST(Mosaic, NoiseIsThatOfPhotonsAndReadingAndInterpolationAveragesIt) {
  Sensor sensor;
  sensor.full_well_e = 4000.0;
  sensor.read_noise_e = 12.0;
  for (const double level : {0.01, 0.1, 0.5}) {
    const cv::Mat light(800, 800, CV_32FC3, cv::Scalar::all(level));
    const cv::Mat mosaic = mosaic_of(light, 1.0, sensor, 9);
    const double electrons = level * 4000.0;
    const double expected = (electrons + 144.0) / (4000.0 * 4000.0);
    // Variance of 640,000 samples: 4 sd are 0.7 %.
    EXPECT_NEAR(variance_of(mosaic) / expected, 1.0, 0.007) << level;
    EXPECT_NEAR(cv::mean(mosaic)[0], level, 4.0 * std::sqrt(expected / 640000.0));

    // Of four red pixels one is measured, two are means of two, one is a mean of four: 9/16 of the
    // variance. Of four green ones two are measured, two are means of four: 10/16.
    std::array<cv::Mat, 3> planes;
    cv::split(interpolated(mosaic), planes.data());
    // Neighbours are not independent any more: about 3 times fewer samples, 4 sd are 1.3 %.
    EXPECT_NEAR(variance_of(planes[0]) / expected, 9.0 / 16.0, 0.013 * 9.0 / 16.0) << level;
    EXPECT_NEAR(variance_of(planes[1]) / expected, 10.0 / 16.0, 0.013 * 10.0 / 16.0) << level;
    EXPECT_NEAR(variance_of(planes[2]) / expected, 9.0 / 16.0, 0.013 * 9.0 / 16.0) << level;
  }
}

}  // namespace
}  // namespace ringsweep::maker
