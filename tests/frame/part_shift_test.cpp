// Shifts of thin parts over ground that stands still: bars of one texture turned over another.
#include "ringsweep/part_shift.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "frame/textured.h"

namespace ringsweep {
namespace {

const TileGrid kGrid{.size = {320, 240}, .tile_px = 8};
const cv::Point2d kJoint(220.0, 120.0);
constexpr double kFromPx = 8.0, kToPx = 72.0, kWidthPx = 7.0;  // of the bar, from its joint

/// Ground, and a bar that points to the left where it is not turned; absent: no bar.
PackedPicture picture(std::optional<double> turn_rad, unsigned noise_seed) {
  cv::Mat luminance = textured(kGrid.size, 1);
  if (turn_rad) {
    // Drawn level, at four times the size, then turned: its edges are soft as a lens makes them.
    constexpr int kFine = 4;
    cv::Mat mask = cv::Mat::zeros(kGrid.size * kFine, CV_32FC1);
    cv::rectangle(mask,
                  cv::Rect2d(kFine * (kJoint.x - kToPx), kFine * (kJoint.y - 0.5 * kWidthPx),
                             kFine * (kToPx - kFromPx), kFine * kWidthPx),
                  cv::Scalar(1.0), cv::FILLED);
    cv::GaussianBlur(mask, mask, {}, kFine * 0.7);
    cv::resize(mask, mask, kGrid.size, 0, 0, cv::INTER_AREA);
    cv::Mat bar = 0.6 * textured(kGrid.size, 2);
    const cv::Mat turn = cv::getRotationMatrix2D(kJoint, *turn_rad * 180.0 / CV_PI, 1.0);
    cv::warpAffine(mask, mask, turn, kGrid.size, cv::INTER_CUBIC);
    cv::warpAffine(bar, bar, turn, kGrid.size, cv::INTER_CUBIC, cv::BORDER_REFLECT);
    luminance = luminance + mask.mul(bar - luminance);
  }
  cv::Mat noise(kGrid.size, CV_32FC1);
  cv::RNG random(noise_seed);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.004);
  return pack(luminance + noise, cv::Mat(kGrid.size, CV_8UC1, cv::Scalar(0)), 1.0);
}

PartShift shift_between(std::optional<double> first_rad, std::optional<double> second_rad) {
  const std::array frames{prepare_for_shifts(picture(first_rad, 11), kGrid),
                          prepare_for_shifts(picture(second_rad, 12), kGrid)};
  std::vector<ShiftTile> tiles;
  std::vector<std::size_t> about_bar;
  for (int row = 0; row < kGrid.rows(); ++row)
    for (int col = 0; col < kGrid.cols(); ++col) {
      if (std::abs(8.0 * row + 4.0 - kJoint.y) < 24.0 && 8 * col > kJoint.x - kToPx - 12.0 &&
          8 * col < kJoint.x)
        about_bar.push_back(tiles.size());
      tiles.push_back({.row = row, .col = col, .q_px = 0.0});
    }
  return find_part_shift(frames, std::array{FramePair{.first = 0, .second = 1}}, tiles, about_bar,
                         0, 1.0);
}

// Its tip moves by less than, and by more than its width, which windows of 24 px cannot follow.
// 0.3 px is what is asked of a part's shift. Where along the bar its 90th percentile lies is known
// to a window of 5 px; that far from there the bar moves by so much more or less.
TEST(PartShift, FollowsABarThatTurnsBeforeGroundThatStandsStill) {
  for (const double turn_rad : {0.04, 0.08, 0.12}) {
    const PartShift part = shift_between(0.0, turn_rad);
    ASSERT_TRUE(part.known);
    const double expected_px = 2.0 * std::sin(0.5 * turn_rad) * (kFromPx + 0.9 * (kToPx - kFromPx));
    EXPECT_NEAR(part.shift_px, expected_px, std::max(0.3, 5.0 * turn_rad)) << turn_rad;
    EXPECT_GT(part.explained, 0.4) << turn_rad;
  }
}

TEST(PartShift, AShiftDoesNotExplainWhatIsGone) {
  EXPECT_LT(shift_between(0.0, std::nullopt).explained, 0.4);
}

TEST(PartShift, NothingThatMovedIsExplainedByNoShift) {
  EXPECT_LT(shift_between(0.0, 0.0).shift_px, 0.3);
}

}  // namespace
}  // namespace ringsweep
