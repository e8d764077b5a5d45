// Pictures that arrive one by one: each decoded once.
#include "app/arrived_frames.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "app/scratch_folder.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;
using testing_app::ScratchFolder;

class Arriving : public ::testing::Test {
 protected:
  static constexpr std::uint64_t kPlenty = 100'000'000;

  FrameRef file(const std::string& name) const {
    std::ofstream(scratch_ / name) << name;
    FrameRef frame;
    frame.path = (scratch_ / name).string();
    frame.file = name;
    return frame;
  }
  /// Of a camera of `full` px.
  ArrivedFrames holding(cv::Size full, std::uint64_t most_bytes = kPlenty) {
    return {[this, full](const FrameRef&, const DecodeOptions& options) -> Result<LinearFrame> {
              reductions_.push_back(options.reduction);
              return LinearFrame{.luminance = cv::Mat(60, 40, CV_32FC1, cv::Scalar(0.5)),
                                 .clipped = cv::Mat(60, 40, CV_8UC1, cv::Scalar(0)),
                                 .full_size = full,
                                 .full_px_per_px = static_cast<double>(options.reduction)};
            },
            most_bytes};
  }

  ScratchFolder scratch_;
  std::vector<int> reductions_;  ///< of each decoding
};

TEST_F(Arriving, EachIsDecodedOnceAfterTheFirstHasToldItsSize) {
  const cv::Size full(9504, 6336);
  const int wanted = reduction_read(full, 1.0, {});
  ASSERT_GT(wanted, 1);
  ArrivedFrames frames = holding(full);
  const std::vector<FrameRef> files{file("1.jpg"), file("2.jpg"), file("3.jpg")};
  for (const FrameRef& one : files) ASSERT_TRUE(frames.fetch(one, {}));
  EXPECT_EQ(reductions_, (std::vector{1, wanted, wanted, wanted}));
  for (const FrameRef& one : files) EXPECT_TRUE(frames.read(one, {.reduction = wanted}));
  EXPECT_EQ(reductions_.size(), 4U);
}

TEST_F(Arriving, WhatHasChangedOrIsNotHeldIsDecodedAnew) {
  ArrivedFrames frames = holding({640, 480});
  const FrameRef one = file("1.jpg");
  ASSERT_TRUE(frames.fetch(one, {}));
  ASSERT_TRUE(frames.read(one, {.reduction = 1}));
  EXPECT_EQ(reductions_.size(), 1U);
  std::ofstream(scratch_ / "1.jpg") << "longer than it was";
  ASSERT_TRUE(frames.read(one, {.reduction = 1}));
  EXPECT_EQ(reductions_.size(), 2U);

  ArrivedFrames few = holding({640, 480}, 20'000);  // one picture takes 12,000 bytes
  const std::vector<FrameRef> files{file("2.jpg"), file("3.jpg")};
  for (const FrameRef& f : files) ASSERT_TRUE(few.fetch(f, {}));
  reductions_.clear();
  ASSERT_TRUE(few.read(files[1], {.reduction = 1}));
  EXPECT_TRUE(reductions_.empty());
  ASSERT_TRUE(few.read(files[0], {.reduction = 1}));
  EXPECT_EQ(reductions_.size(), 1U);
}

}  // namespace
}  // namespace ringsweep::app
