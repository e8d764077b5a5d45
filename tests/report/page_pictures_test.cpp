// Pictures of the page: the right frame at each place, the right piece of it.

#include "report/page_pictures.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>
#include <utility>

#include "report/made_analysis.h"

namespace ringsweep {
namespace {

/// A chequered picture, blurred from column `from` to `to`.
ViewFrame chequers(cv::Size size, int from, int to) {
  cv::Mat bgr(size, CV_8UC3);
  for (int y = 0; y < size.height; ++y)
    for (int x = 0; x < size.width; ++x)
      bgr.at<cv::Vec3b>(y, x) =
          (x / 4 + y / 4) % 2 == 0 ? cv::Vec3b(30, 60, 90) : cv::Vec3b(200, 180, 160);
  cv::Mat soft;
  cv::GaussianBlur(bgr, soft, {}, 5.0);
  if (from < to) soft.colRange(from, to).copyTo(bgr.colRange(from, to));
  return {.bgr = bgr, .full_size = size, .full_px_per_px = 1.0};
}

BurstAnalysis burst_of(cv::Size size) {
  BurstAnalysis burst = made::complete_burst(1207, 2);
  burst.full_size = size;
  for (FrameAnalysis& frame : burst.frames) frame.gain_ev = 0.0;
  return burst;
}

double difference(const cv::Mat& a, const cv::Mat& b) { return cv::norm(a, b, cv::NORM_INF); }

TEST(QuickLook, ShowsEachPlaceAsTheSharpestFrameDoes) {
  const cv::Size size(160, 80);
  const BurstAnalysis burst = burst_of(size);
  const ViewFrame left_soft = chequers(size, 0, 80), right_soft = chequers(size, 80, 160);
  const ViewFrame sharp = chequers(size, 0, 0);
  QuickLook look(burst, 160);
  look.add(left_soft, burst, 0);
  look.add(right_soft, burst, 1);
  // Not within the reach of the energy's Gaussian around the seam, 3 times 2.5 px.
  EXPECT_EQ(difference(look.picture().colRange(0, 72), sharp.bgr.colRange(0, 72)), 0.0);
  EXPECT_EQ(difference(look.picture().colRange(88, 160), sharp.bgr.colRange(88, 160)), 0.0);
}

TEST(QuickLook, IsTheSameInAnyOrder) {
  const cv::Size size(160, 80);
  const BurstAnalysis burst = burst_of(size);
  const ViewFrame a = chequers(size, 0, 60), b = chequers(size, 100, 160);
  QuickLook first(burst, 120), second(burst, 120), other(burst, 120);
  first.add(a, burst, 0);
  first.add(b, burst, 1);
  second.add(b, burst, 1);
  other.add(a, burst, 0);
  second.add(std::move(other));
  EXPECT_EQ(first.picture().size(), cv::Size(120, 60));
  EXPECT_EQ(difference(first.picture(), second.picture()), 0.0);
}

TEST(QuickLook, IsUpright) {
  const cv::Size size(160, 80);
  BurstAnalysis burst = burst_of(size);
  burst.orientation = 6;  // to be turned clockwise (CIPA DC-008)
  ViewFrame view = chequers(size, 0, 0);
  cv::Mat turned;
  cv::rotate(view.bgr, turned, cv::ROTATE_90_CLOCKWISE);
  QuickLook look(burst, 160);
  look.add(view, burst, 0);
  EXPECT_EQ(difference(look.picture(), turned), 0.0);
  EXPECT_EQ(difference(small_upright(view, 6, 160), turned), 0.0);
  EXPECT_EQ(small_upright(view, 6, 40).size(), cv::Size(20, 40));
  EXPECT_TRUE(QuickLook(burst, 160).picture().empty());
}

TEST(CutOut, IsThePlaceInTheReferenceFrame) {
  const cv::Size size(160, 80);
  BurstAnalysis burst = burst_of(size);
  const ViewFrame view = chequers(size, 0, 0);
  const cv::Rect place(40, 20, 32, 32);
  EXPECT_EQ(difference(cut_out(view, burst, 0, place, 32), view.bgr(place)), 0.0);
  // The frame lies 5 px to the right and 3 px below in the reference.
  burst.frames[0].reference_from_frame(0, 2) = 5.0;
  burst.frames[0].reference_from_frame(1, 2) = 3.0;
  EXPECT_EQ(difference(cut_out(view, burst, 0, place, 32), view.bgr(place - cv::Point(5, 3))), 0.0);
  EXPECT_EQ(cut_out(view, burst, 0, place, 16).size(), cv::Size(16, 16));
}

TEST(CutOut, ReadsNoMoreRowsThanItSays) {
  const cv::Size size(320, 240);
  BurstAnalysis burst = burst_of(size);
  burst.frames[0].reference_from_frame(1, 2) = 7.0;
  const ViewFrame view = chequers(size, 0, 0);
  for (const int orientation : {1, 3, 6, 8})
    for (const int edge : {32, 8}) {
      burst.orientation = orientation;
      const cv::Rect place(90, 100, 32, 32);
      const cv::Range rows = rows_of_cut(burst, 0, place);
      ASSERT_LT(rows.size(), 240);
      ViewFrame some = view;
      some.bgr = cv::Mat::zeros(view.bgr.size(), view.bgr.type());
      const cv::Range inside(std::max(0, rows.start), std::min(240, rows.end));
      view.bgr.rowRange(inside).copyTo(some.bgr.rowRange(inside));
      EXPECT_EQ(
          difference(cut_out(some, burst, 0, place, edge), cut_out(view, burst, 0, place, edge)),
          0.0)
          << orientation;
    }
}

// A frame that is a stop darker is shown as bright as the others.
TEST(CutOut, HasItsLightEvenedOut) {
  const cv::Size size(64, 64);
  BurstAnalysis burst = burst_of(size);
  burst.frames[0].gain_ev = -1.0;
  // sRGB codes of 0.2 and 0.1 in linear light: IEC 61966-2-1. They are 124 and 89; a power of 1/2.2
  // in its place errs by less than 3 codes there.
  const ViewFrame dim{
      .bgr = cv::Mat(size, CV_8UC3, cv::Scalar::all(89)), .full_size = size, .full_px_per_px = 1.0};
  const cv::Mat shown = cut_out(dim, burst, 0, {0, 0, 64, 64}, 64);
  EXPECT_NEAR(shown.at<cv::Vec3b>(32, 32)[0], 124, 3);
}

}  // namespace
}  // namespace ringsweep
