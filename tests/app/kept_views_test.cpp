#include "app/kept_views.h"

#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

namespace ringsweep::app {
namespace {

const cv::Size kFull(5472, 3648);

FrameRef frame_named(const std::string& path, cv::Size full = kFull) {
  FrameRef frame;
  frame.path = path;
  frame.full_size = full;
  return frame;
}

ViewFrame view_of(cv::Size full, int full_px_per_px) {
  cv::Mat bgr(full / full_px_per_px, CV_8UC3, cv::Scalar(40, 90, 160));
  bgr.colRange(0, bgr.cols / 2) = cv::Scalar(200, 90, 30);
  return {.bgr = bgr, .full_size = full, .full_px_per_px = static_cast<double>(full_px_per_px)};
}

/// Stages whose files are counted as they are opened.
class KeptViewsOf : public ::testing::Test {
 protected:
  KeptViewsOf() {
    Stages stages;
    stages.decode = [this](const FrameRef& frame, const DecodeOptions& options) {
      ++decoded_;
      return light(frame, options);
    };
    stages.decode_along = [this](const FrameRef& frame, const DecodeOptions& options,
                                 ViewAlong& along) {
      ++along_;
      times_ = along.times;
      if (colours_) along.view = view_of(*frame.full_size, options.reduction * along.times);
      return light(frame, options);
    };
    stages.view = [this](const FrameRef& frame, const DecodeOptions& options) -> Result<ViewFrame> {
      ++opened_;
      return view_of(*frame.full_size, options.reduction);
    };
    stages_ = with_views_kept(stages);
  }

  static Result<LinearFrame> light(const FrameRef& frame, const DecodeOptions& options) {
    return LinearFrame{.luminance = {},
                       .clipped = {},
                       .full_size = *frame.full_size,
                       .full_px_per_px = static_cast<double>(options.reduction)};
  }

  Stages stages_;
  int decoded_ = 0, along_ = 0, opened_ = 0, times_ = 0;
  bool colours_ = true;
};

TEST_F(KeptViewsOf, MeasuredFramesNeedNotBeOpenedAgain) {
  const FrameRef frame = frame_named("a.jpg");
  ASSERT_TRUE(stages_.decode(frame, {.reduction = 2}));
  EXPECT_EQ(along_, 1);
  EXPECT_EQ(times_, 2) << "1368 px wide: enough for a page, and no more than that";
  for (const int reduction : {4, 8}) {
    const auto view = stages_.view(frame, {.reduction = reduction});
    ASSERT_TRUE(view);
    const ViewFrame expected = view_of(kFull, reduction);
    EXPECT_EQ(view->bgr.size(), expected.bgr.size());
    EXPECT_EQ(view->full_px_per_px, reduction);
    EXPECT_EQ(view->full_size, kFull);
    cv::Mat apart;
    cv::absdiff(view->bgr, expected.bgr, apart);
    EXPECT_LT(cv::mean(apart.reshape(1))[0], 2.0) << "JPEG rounds";
  }
  EXPECT_EQ(opened_, 0);
}

TEST_F(KeptViewsOf, OthersAreOpened) {
  const FrameRef frame = frame_named("a.jpg");
  EXPECT_TRUE(stages_.view(frame, {.reduction = 4}));
  EXPECT_EQ(opened_, 1) << "never measured";
  ASSERT_TRUE(stages_.decode(frame, {.reduction = 2}));
  const auto fine = stages_.view(frame, {.reduction = 2});
  ASSERT_TRUE(fine);
  EXPECT_EQ(opened_, 2) << "asked for more px than were kept";
  EXPECT_EQ(fine->bgr.cols, kFull.width / 2);
}

TEST_F(KeptViewsOf, SmallOnesAreNotKept) {
  ASSERT_TRUE(stages_.decode(frame_named("a.jpg"), {.reduction = 8}));
  ASSERT_TRUE(stages_.decode(frame_named("b.jpg", {640, 480}), {.reduction = 1}));
  EXPECT_EQ(decoded_, 2);
  EXPECT_EQ(along_, 0);
}

TEST_F(KeptViewsOf, FilesThatGiveNoColoursByTheWayAreOpened) {
  colours_ = false;
  ASSERT_TRUE(stages_.decode(frame_named("a.dng"), {.reduction = 2}));
  EXPECT_TRUE(stages_.view(frame_named("a.dng"), {.reduction = 4}));
  EXPECT_EQ(opened_, 1);
}

}  // namespace
}  // namespace ringsweep::app
