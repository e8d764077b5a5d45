#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "report/depth_colours.h"
#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

constexpr float kUnknown = std::numeric_limits<float>::quiet_NaN();
const cv::Vec3b kGrey(119, 119, 119);

BurstAnalysis with_depth(const cv::Mat1f& q_px) {
  BurstAnalysis burst = made::complete_burst();
  burst.coverage.has_subject = false;
  burst.depth = {.q_px = q_px, .weight = cv::Mat1f::ones(q_px.size()), .role = {}, .tile_px = 32.0};
  return burst;
}

/// Middle of tile (row, col) of a picture of `rows` x `cols` upright tiles.
cv::Vec3b tile_colour(const cv::Mat& picture, int row, int col, int cols) {
  const int cell = picture.cols / cols;
  return picture.at<cv::Vec3b>(row * cell + cell / 2, col * cell + cell / 2);
}

/// CIE L* of an sRGB colour, by the formulas of CIE 15 and IEC 61966-2-1.
double lightness(const std::array<double, 3>& linear_rgb) {
  const double y = 0.2126 * linear_rgb[0] + 0.7152 * linear_rgb[1] + 0.0722 * linear_rgb[2];
  constexpr double kEpsilon = 216.0 / 24389.0;
  return y > kEpsilon ? 116.0 * std::cbrt(y) - 16.0 : 24389.0 / 27.0 * y;
}

std::array<double, 3> linear_rgb(const cv::Vec3b& bgr) {
  std::array<double, 3> rgb{};
  for (std::size_t i = 0; i < 3; ++i) {
    const double c = bgr[2 - static_cast<int>(i)] / 255.0;
    rgb[i] = c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
  }
  return rgb;
}

using Matrix = std::array<std::array<double, 3>, 3>;
// Full protanopia and deuteranopia on linear RGB: G. M. Machado, M. M. Oliveira and
// L. A. F. Fernandes, IEEE Trans. Visualization and Computer Graphics 15 (2009), severity 1.0; the
// numbers from memory. Each row sums to 1, so that grey stays grey: tested below.
constexpr Matrix kProtanopia{{{0.152286, 1.052583, -0.204868},
                              {0.114503, 0.786281, 0.099216},
                              {-0.003882, -0.048116, 1.051998}}};
constexpr Matrix kDeuteranopia{{{0.367322, 0.860646, -0.227968},
                                {0.280085, 0.672501, 0.047413},
                                {-0.011820, 0.042940, 0.968881}}};
constexpr Matrix kFullVision{{{1.0, 0.0, 0.0}, {0.0, 1.0, 0.0}, {0.0, 0.0, 1.0}}};

std::array<double, 3> seen_with(const Matrix& eye, const std::array<double, 3>& rgb) {
  std::array<double, 3> seen{};
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) seen[i] += eye[i][j] * rgb[j];
  }
  return seen;
}

cv::Mat ramp_picture(int steps) {
  cv::Mat1f q_px(1, steps);
  for (int i = 0; i < steps; ++i) q_px(0, i) = static_cast<float>(i);
  BurstAnalysis burst = with_depth(q_px);
  burst.coverage.has_subject = true;
  burst.coverage.subject_low_px = 0.0;
  burst.coverage.subject_high_px = steps - 1.0;
  return depth_picture(burst);
}

TEST(DepthPicture, LightnessRisesWithThePositionForEveryEye) {
  constexpr int kSteps = 24;
  const cv::Mat picture = ramp_picture(kSteps);
  for (const Matrix& eye : {kFullVision, kProtanopia, kDeuteranopia}) {
    for (const auto& row : eye) EXPECT_NEAR(row[0] + row[1] + row[2], 1.0, 2e-6);  // six digits
    double previous = -1.0;
    for (int i = 0; i < kSteps; ++i) {
      const double now = lightness(seen_with(eye, linear_rgb(tile_colour(picture, 0, i, kSteps))));
      // An even rise is 73 / 23 = 3.2 a step; 1 is about the least that is seen at all.
      EXPECT_GT(now, previous + (i > 0 ? 1.0 : 0.0)) << "step " << i;
      previous = now;
    }
  }
}

TEST(DepthPicture, LightnessRisesEvenly) {
  constexpr int kSteps = 24;
  const cv::Mat picture = ramp_picture(kSteps);
  for (int i = 0; i < kSteps; ++i) {
    // Half a step of 256 colours is 0.14, rounding to 8 bit up to 0.3 at the dark end.
    EXPECT_NEAR(lightness(linear_rgb(tile_colour(picture, 0, i, kSteps))),
                20.0 + 73.0 * i / (kSteps - 1.0), 0.5);
  }
}

// OpenCV's conversion to CIE L*a*b* knows nothing of ours. A step of 1 / 255 is up to 0.4 of L* and
// 0.9 of a* or b* here; half of it is rounded away, in each of the three primaries.
TEST(DepthColours, GoTheWayInLightnessChromaAndHueThatTheyShould) {
  const std::array<cv::Vec3b, kDepthColours> colours = depth_colours();
  cv::Mat bgr(1, kDepthColours, CV_32FC3), lab;
  for (int i = 0; i < kDepthColours; ++i)
    bgr.at<cv::Vec3f>(i) = cv::Vec3f(colours[static_cast<std::size_t>(i)]) / 255.0F;
  cv::cvtColor(bgr, lab, cv::COLOR_BGR2Lab);
  for (int i = 0; i < kDepthColours; ++i) {
    const double t = i / (kDepthColours - 1.0);
    const double chroma = 36.0 + 18.0 * std::sin(std::numbers::pi * t);
    const double hue = (290.0 + 165.0 * t) * std::numbers::pi / 180.0;
    const auto& found = lab.at<cv::Vec3f>(i);
    EXPECT_NEAR(found[0], 20.0 + 73.0 * t, 0.4) << i;
    EXPECT_NEAR(found[1], chroma * std::cos(hue), 1.0) << i;
    EXPECT_NEAR(found[2], chroma * std::sin(hue), 1.0) << i;
  }
}

TEST(DepthPicture, GreyWhereNothingCanBeToldAndNowhereElse) {
  cv::Mat1f q_px(2, 3);
  q_px << 1.0F, kUnknown, 3.0F, 4.0F, 5.0F, 6.0F;
  BurstAnalysis burst = with_depth(q_px);
  burst.depth.weight.at<float>(1, 1) = 0.0F;
  const cv::Mat picture = depth_picture(burst);
  EXPECT_EQ(picture.type(), CV_8UC3);
  for (int row = 0; row < 2; ++row) {
    for (int col = 0; col < 3; ++col) {
      const bool grey = (row == 0 && col == 1) || (row == 1 && col == 1);
      EXPECT_EQ(tile_colour(picture, row, col, 3) == kGrey, grey) << row << ' ' << col;
    }
  }
}

// CIPA DC-008, tag 0x0112: where row 0 and column 0 of the stored picture belong, e.g. 6: row 0 is
// the right-hand side, column 0 the top.
TEST(DepthPicture, IsTurnedUpright) {
  cv::Mat1f q_px(2, 3);
  q_px << 0.0F, kUnknown, kUnknown, kUnknown, kUnknown, 10.0F;  // marks the first and the last tile
  struct Case {
    int orientation;
    int rows, cols;
    int row, col;  // where the stored first tile has to be
  };
  for (const Case& c :
       {Case{1, 2, 3, 0, 0}, Case{2, 2, 3, 0, 2}, Case{3, 2, 3, 1, 2}, Case{4, 2, 3, 1, 0},
        Case{5, 3, 2, 0, 0}, Case{6, 3, 2, 0, 1}, Case{7, 3, 2, 2, 1}, Case{8, 3, 2, 2, 0}}) {
    BurstAnalysis burst = with_depth(q_px);
    burst.orientation = c.orientation;
    const cv::Mat picture = depth_picture(burst);
    const int cell = picture.cols / c.cols;
    ASSERT_GE(picture.rows, c.rows * cell);
    int coloured = 0;
    for (int row = 0; row < c.rows; ++row) {
      for (int col = 0; col < c.cols; ++col) {
        coloured += tile_colour(picture, row, col, c.cols) != kGrey;
      }
    }
    EXPECT_EQ(coloured, 2) << c.orientation;
    const cv::Vec3b first = tile_colour(picture, c.row, c.col, c.cols);
    const cv::Vec3b last = tile_colour(picture, c.rows - 1 - c.row, c.cols - 1 - c.col, c.cols);
    EXPECT_LT(lightness(linear_rgb(first)), lightness(linear_rgb(last))) << c.orientation;
  }
}

TEST(DepthPicture, HoldsUpAtTheEdges) {
  EXPECT_TRUE(depth_picture(made::complete_burst()).empty());
  EXPECT_FALSE(depth_picture(with_depth(cv::Mat1f(3, 4, kUnknown))).empty());
  EXPECT_FALSE(depth_picture(with_depth(cv::Mat1f(3, 4, 2.0F))).empty());  // all at one depth
  EXPECT_FALSE(depth_picture(with_depth(cv::Mat1f(1, 3000, 2.0F))).empty());
  EXPECT_FALSE(depth_picture(with_depth(cv::Mat1f(1, 1, 2.0F))).empty());
}

}  // namespace
}  // namespace ringsweep
