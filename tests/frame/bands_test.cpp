// Bands: what runs out of the picture is followed to its border, what ends within it is not.

#include "ringsweep/bands.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

namespace ringsweep {
namespace {

const TileGrid kGrid{.size = {480, 320}, .tile_px = 8};

/// Light that grows evenly over the picture, and a little noise.
cv::Mat sky() {
  cv::Mat picture(kGrid.size, CV_32FC1);
  for (int y = 0; y < picture.rows; ++y)
    for (int x = 0; x < picture.cols; ++x)
      picture.at<float>(y, x) = static_cast<float>(0.3 + 0.0003 * x + 0.0004 * y);
  cv::Mat noise(picture.size(), CV_32FC1);
  cv::RNG random(7);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.005);
  return picture + noise;
}

void draw_stem(cv::Mat& picture, cv::Point from, cv::Point to) {
  cv::line(picture, from, to, cv::Scalar(0.12), 22);
}

/// Share of the tiles on a stretch of a line that are on a band.
double share_on(const cv::Mat& bands, cv::Point2d from, cv::Point2d to) {
  constexpr int kSteps = 20;
  int on = 0;
  for (int i = 0; i < kSteps; ++i) {
    const cv::Point2d p = from + (i + 0.5) / kSteps * (to - from);
    on += bands.at<uchar>(static_cast<int>(p.y) / 8, static_cast<int>(p.x) / 8) != 0 ? 1 : 0;
  }
  return static_cast<double>(on) / kSteps;
}

TEST(Bands, AStemAcrossThePictureIsOneWhateverItsBlur) {
  cv::Mat picture = sky();
  draw_stem(picture, {-20, 250}, {500, 170});
  cv::Mat blurred;
  cv::GaussianBlur(picture, blurred, {}, 7.0);
  blurred(cv::Rect(300, 0, 180, 320)).copyTo(picture(cv::Rect(300, 0, 180, 320)));
  const cv::Mat bands = find_bands(picture, kGrid, {});
  // The ends of the line lie inside, so that the tiles next to the border count as well.
  EXPECT_GE(share_on(bands, {10, 246}, {470, 174}), 0.9);
}

TEST(Bands, WhatEndsInThePictureIsNone) {
  cv::Mat picture = sky();
  draw_stem(picture, {120, 200}, {340, 180});
  const cv::Mat bands = find_bands(picture, kGrid, {});
  EXPECT_LE(share_on(bands, {120, 200}, {340, 180}), 0.1);
}

TEST(Bands, AnAnimalOnTheStemIsNone) {
  cv::Mat picture = sky();
  draw_stem(picture, {-20, 250}, {500, 170});
  cv::ellipse(picture, {240, 160}, {70, 40}, 5.0, 0.0, 360.0, cv::Scalar(0.7), cv::FILLED);
  for (int i = -5; i <= 5; ++i)  // stripes across it
    cv::line(picture, {240 + 11 * i, 135}, {240 + 11 * i, 185}, cv::Scalar(0.2), 4);
  const cv::Mat bands = find_bands(picture, kGrid, {});
  EXPECT_LE(share_on(bands, {190, 150}, {290, 165}), 0.1);
  EXPECT_GE(share_on(bands, {10, 246}, {110, 230}), 0.9);
  EXPECT_GE(share_on(bands, {380, 189}, {470, 174}), 0.9);
}

TEST(Bands, NothingToFollowIsNone) { EXPECT_EQ(cv::countNonZero(find_bands(sky(), kGrid, {})), 0); }

TEST(Bands, TheBorderIsThatOfWhatAllFramesSee) {
  cv::Mat picture = sky();
  draw_stem(picture, {90, 210},
            {390, 210});  // ends within the picture, but not within what is seen
  cv::Mat all_see(kGrid.rows(), kGrid.cols(), CV_8UC1, cv::Scalar(0));
  all_see(cv::Rect(15, 5, 30, 30)) = 255;
  EXPECT_GE(share_on(find_bands(picture, kGrid, all_see), {140, 210}, {340, 210}), 0.9);
  EXPECT_LE(share_on(find_bands(picture, kGrid, {}), {140, 210}, {340, 210}), 0.1);
}

}  // namespace
}  // namespace ringsweep
