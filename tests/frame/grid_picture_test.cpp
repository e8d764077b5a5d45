// A picture packed into two bytes a pixel comes back as it was, to a hundredth of the noise.

#include "ringsweep/grid_picture.h"

#include <gtest/gtest.h>

#include <cmath>

namespace ringsweep {
namespace {

GridPicture ramp() {
  GridPicture picture{.luminance = cv::Mat(8, 500, CV_32FC1),
                      .seen = cv::Mat(8, 500, CV_8UC1, cv::Scalar(255)),
                      .clipped = cv::Mat(8, 500, CV_8UC1, cv::Scalar(0))};
  for (int y = 0; y < 8; ++y)
    for (int x = 0; x < 500; ++x)
      picture.luminance.at<float>(y, x) = static_cast<float>(2.0 * (x + y / 8.0) / 500.0);
  picture.seen(cv::Rect(0, 0, 20, 3)) = 0;
  picture.clipped(cv::Rect(400, 2, 50, 6)) = 255;
  return picture;
}

TEST(Packed, LightComesBackWithinHalfAStepOfItsRoot) {
  constexpr double kGain = 1.6;  // of a dim frame: white is at 1.6
  const GridPicture before = ramp(), after = unpack(pack(before, kGain));
  for (int y = 0; y < 8; ++y)
    for (int x = 0; x < 500; ++x) {
      const double light = before.luminance.at<float>(y, x);
      const double white = 1.25 * kGain;
      // Half a step of the root, 1 / 32766, twice the root; and rounding to float.
      const double tolerance = white * std::sqrt(light / white) / 32766.0 + 1e-6;
      if (before.seen.at<uchar>(y, x) == 0) continue;
      EXPECT_NEAR(after.luminance.at<float>(y, x), light, tolerance) << x << ", " << y;
    }
}

TEST(Packed, WhatIsNotSeenOrClippedStaysSo) {
  const GridPicture before = ramp(), after = unpack(pack(before, 2.0));
  EXPECT_EQ(cv::norm(before.seen, after.seen, cv::NORM_INF), 0.0);
  EXPECT_EQ(cv::norm(before.clipped, after.clipped, cv::NORM_INF), 0.0);
}

TEST(Packed, LightOutOfRangeIsCutAndNotWrapped) {
  GridPicture picture = ramp();
  picture.luminance.at<float>(5, 100) = -0.2F;
  picture.luminance.at<float>(5, 101) = 9.0F;
  const GridPicture after = unpack(pack(picture, 1.0));
  EXPECT_FLOAT_EQ(after.luminance.at<float>(5, 100), 0.0F);
  EXPECT_FLOAT_EQ(after.luminance.at<float>(5, 101), 1.25F);
}

}  // namespace
}  // namespace ringsweep
