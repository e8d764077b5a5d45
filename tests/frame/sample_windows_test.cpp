// Windows of a burst: what is measured in them is what is measured in the whole picture.
#include "frame/sample_windows.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "frame/textured.h"

namespace ringsweep {
namespace {

/// Texture at the bottom, next to nothing at the top.
cv::Mat half_textured() {
  cv::Mat picture = textured({768, 512}, 21);
  const cv::Rect top(0, 0, 768, 256);
  picture(top) = 0.4 + 0.02 * (picture(top) - 0.4);
  return picture;
}

TEST(SampleWindows, CurvesAreThoseOfTheWholePictureWhereItIsTextured) {
  const cv::Mat picture = half_textured();
  const TileGrid grid{.size = picture.size(), .tile_px = 16};
  const GridFrame frame = measure_on_grid({.luminance = picture,
                                           .clipped = cv::Mat::zeros(picture.size(), CV_8UC1),
                                           .full_size = picture.size(),
                                           .full_px_per_px = 1.0},
                                          cv::Matx33d::eye(), 1.0, grid);
  Mosaic mosaic = empty_mosaic(grid);
  merge_into(mosaic, frame, 0);
  const SampleWindows sample = sample_windows(mosaic, {frame.tiles, {}}, grid);
  ASSERT_EQ(sample.frames.size(), 2U);
  EXPECT_TRUE(sample.frames[1].level.empty());

  // The windows lie side by side, margins of two tiles about cores of four: each is found in the
  // picture by its light.
  // The widest disc and the coarsest band, which reach farthest.
  const cv::Mat all = measure_blur_curves(picture, grid).energy.back().back();
  const cv::Mat own = measure_blur_curves(sample.mosaic, sample.grid).energy.back().back();
  constexpr int kSide = 8;
  ASSERT_EQ(sample.grid.rows(), kSide);
  ASSERT_EQ(sample.grid.cols() % kSide, 0);
  int textured = 0;
  for (int left = 0; left < sample.grid.cols(); left += kSide) {
    const cv::Mat window = sample.mosaic(cv::Rect(16 * left, 0, 16 * kSide, 16 * kSide));
    cv::Mat differences;
    cv::matchTemplate(picture, window, differences, cv::TM_SQDIFF);
    cv::Point at;
    cv::minMaxLoc(differences, nullptr, nullptr, &at);
    textured += at.y + 16 * 4 >= 256 ? 1 : 0;
    for (int r = 0; r < kSide; ++r)
      for (int c = 0; c < kSide; ++c) {
        const bool core = r >= 2 && r < 6 && c >= 2 && c < 6;
        EXPECT_EQ(sample.frames[0].valid.at<std::uint8_t>(r, left + c), core ? 255 : 0);
        if (!core) continue;
        // Rounding: the transform of a convolution adds up other numbers.
        const double there = all.at<float>(at.y / 16 + r, at.x / 16 + c);
        EXPECT_NEAR(own.at<float>(r, left + c), there, 1e-3 * there);
      }
  }
  // 3 rows of 11 cores lie in the textured half, more than are taken.
  EXPECT_EQ(textured, 16);
  EXPECT_EQ(sample.grid.cols(), 16 * kSide);
}

TEST(SampleWindows, APictureWithoutRoomHasNone) {
  const TileGrid grid{.size = {96, 96}, .tile_px = 16};
  const cv::Mat picture = textured(grid.size, 22);
  const GridFrame frame = measure_on_grid({.luminance = picture,
                                           .clipped = cv::Mat::zeros(picture.size(), CV_8UC1),
                                           .full_size = picture.size(),
                                           .full_px_per_px = 1.0},
                                          cv::Matx33d::eye(), 1.0, grid);
  EXPECT_TRUE(sample_windows(empty_mosaic(grid), {frame.tiles}, grid).mosaic.empty());
}

}  // namespace
}  // namespace ringsweep
