// Orientation: CIPA DC-008 (Exif), tag 0x0112, which names the sides where row 0 and column 0 are;
// held against OpenCV's transpose and flip of a picture.
#include "ringsweep/upright.h"

#include <gtest/gtest.h>

#include <cstdint>
#include <opencv2/core.hpp>

#include "ringsweep/frame_name.h"

namespace ringsweep {
namespace {

TEST(Upright, PixelLandsWhereTheTurnedPictureHasIt) {
  const cv::Size sensor(5, 3);
  cv::Mat1b picture(sensor, std::uint8_t{0});
  const cv::Point marked(1, 2);
  picture(marked) = 255;
  // Row 0 of the file is the picture's top, top, bottom, bottom, left, right, right, left; column 0
  // its left, right, right, left, top, top, bottom, bottom: the standard's table.
  for (int orientation = 1; orientation <= 8; ++orientation) {
    cv::Mat turned = picture.clone();
    if (orientation >= 5) cv::transpose(picture, turned);
    if (orientation == 2 || orientation == 6) cv::flip(turned, turned, 1);
    if (orientation == 3 || orientation == 7) cv::flip(turned, turned, -1);
    if (orientation == 4 || orientation == 8) cv::flip(turned, turned, 0);
    EXPECT_EQ(upright_size(sensor, orientation), turned.size()) << orientation;
    const cv::Point2d at = upright_from_sensor(marked, sensor, orientation);
    EXPECT_EQ(turned.at<std::uint8_t>(cv::Point(at)), 255) << orientation;
  }
}

TEST(FrameName, IsTheFileItsStemOrItsLastFourDigits) {
  EXPECT_TRUE(is_called("DSC01204.JPG", "DSC01204.JPG"));
  EXPECT_TRUE(is_called("DSC01204.JPG", "dsc01204.jpg"));
  EXPECT_TRUE(is_called("DSC01204.JPG", "DSC01204"));
  EXPECT_TRUE(is_called("DSC01204.JPG", "1204"));
  EXPECT_FALSE(is_called("DSC01204.JPG", "204"));
  EXPECT_FALSE(is_called("DSC01204.JPG", "2204"));
  EXPECT_FALSE(is_called("DSC01204.JPG", ""));
  EXPECT_FALSE(is_called("a.JPG", "JPG"));
}

}  // namespace
}  // namespace ringsweep
