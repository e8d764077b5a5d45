// A lens learnt from analyses made by hand: degrees by arithmetic, sides by who said them.
#include "ringsweep/learn_lens.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>

namespace ringsweep {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

/// 21 frames from -20 to 20 px, near last; N_w p = 0.08 mm a px, so 3.2 mm between the sharp images
/// of first and last. The picture grows by 0.1 % a px.
BurstAnalysis swept(double magnification = 0.5, FocusBy by = FocusBy::lens) {
  BurstAnalysis burst;
  burst.folder = "meadow";
  burst.fit_status = FitStatus::converged;
  burst.scale_sd = 0.03;
  burst.near_side = {.from = NearSideSource::user, .probability = 1.0};
  burst.ring = {
      .working_f_number = 16.0, .pitch_mm = 0.005, .magnification = magnification, .focus_by = by};
  for (int k = 0; k < 21; ++k) {
    FrameAnalysis frame;
    frame.file = "DSC0" + std::to_string(1201 + k) + ".JPG";
    frame.focus_px = 2.0 * k - 20.0;
    frame.focus_sd_px = 0.1;
    frame.scale = std::exp(1e-3 * *frame.focus_px);
    frame.usable = true;
    burst.frames.push_back(frame);
  }
  burst.sweeps = {{.first = 0, .last = 20, .rising = true, .verdict = {}, .gaps = {}}};
  return burst;
}

constexpr double kRounding = 1e-9;

TEST(LearnLens, DegreesAreTheTurnOverTheExtension) {
  // 1 - 0.5^2: 3.2 / 0.75 mm of extension, DESIGN section 3; 40 degrees.
  const auto lesson = learn_lens(swept(), 40.0);
  ASSERT_TRUE(lesson) << lesson.error().problem;
  EXPECT_NEAR(lesson->extension_mm, 3.2 / 0.75, kRounding);
  EXPECT_NEAR(lesson->lens.degrees_per_mm, 40.0 * 0.75 / 3.2, kRounding);
  // 3 % and 0.1 px sqrt 2 of 40 px.
  EXPECT_NEAR(lesson->lens.degrees_per_mm_sd / lesson->lens.degrees_per_mm,
              std::hypot(0.03, 0.1 * std::sqrt(2.0) / 40.0), kRounding);
  EXPECT_EQ(lesson->first_frame, 0U);
  EXPECT_EQ(lesson->last_frame, 20U);
  EXPECT_FALSE(lesson->ends_left_out);
  EXPECT_NEAR(learn_lens(swept(2.0), 40.0)->extension_mm, 3.2 / 3.0, kRounding);
  EXPECT_NEAR(learn_lens(swept(2.0, FocusBy::body), 40.0)->extension_mm, 3.2, kRounding);
  EXPECT_NEAR(learn_lens(swept(1.0, FocusBy::body), 40.0)->extension_mm, 3.2, kRounding);
}

TEST(LearnLens, CountsFromTheFirstUsableFrameToTheLast) {
  BurstAnalysis burst = swept();
  for (const std::size_t k : {0U, 20U}) burst.frames[k].usable = false;
  const auto lesson = learn_lens(burst, 36.0);
  ASSERT_TRUE(lesson);
  EXPECT_EQ(lesson->first_frame, 1U);
  EXPECT_EQ(lesson->last_frame, 19U);
  EXPECT_TRUE(lesson->ends_left_out);
  EXPECT_NEAR(lesson->lens.degrees_per_mm, 40.0 * 0.75 / 3.2, kRounding);
}

TEST(LearnLens, TheSideIsKeptWithWhatItHoldsFor) {
  const auto side_of = [](const BurstAnalysis& burst) { return learn_lens(burst, 40.0)->lens; };
  const LearntLens below = side_of(swept(0.5));
  ASSERT_THAT(below.sides, SizeIs(1));
  EXPECT_EQ(below.sides[0].larger_picture, Side::near);
  EXPECT_EQ(larger_picture(below, 0.3, FocusBy::lens), Side::near);
  EXPECT_FALSE(larger_picture(below, 1.5, FocusBy::lens)) << "the other side of life size";
  EXPECT_FALSE(larger_picture(below, 0.3, FocusBy::body)) << "another kind of focusing";
  EXPECT_FALSE(larger_picture(below, {}, FocusBy::lens));
  EXPECT_FALSE(larger_picture(below, 0.95, FocusBy::lens)) << "too near to life size to hold";

  BurstAnalysis shrinking = swept(2.0);
  for (FrameAnalysis& frame : shrinking.frames) frame.scale = 1.0 / frame.scale;
  const LearntLens beyond = side_of(shrinking);
  EXPECT_EQ(larger_picture(beyond, 3.0, FocusBy::lens), Side::far);

  const LearntLens both = learnt_again(below, beyond);
  EXPECT_EQ(larger_picture(both, 3.0, FocusBy::lens), Side::far);
  EXPECT_EQ(larger_picture(both, 0.3, FocusBy::lens), Side::near);
  EXPECT_EQ(both.degrees_per_mm, beyond.degrees_per_mm);
  LearntLens other = below;
  other.sides[0].larger_picture = Side::far;
  EXPECT_THAT(learnt_again(below, other).sides, SizeIs(1)) << "the newer stands";
  EXPECT_EQ(larger_picture(learnt_again(below, other), 0.3, FocusBy::lens), Side::far);
}

TEST(LearnLens, NoSideWithoutSomebodyWhoKnowsNear) {
  for (const NearSideSource from : {NearSideSource::unknown, NearSideSource::lens}) {
    BurstAnalysis burst = swept();
    burst.near_side.from = from;
    EXPECT_THAT(learn_lens(burst, 40.0)->lens.sides, IsEmpty());
  }
  BurstAnalysis burst = swept();
  burst.near_side.contradicted = true;
  EXPECT_THAT(learn_lens(burst, 40.0)->lens.sides, IsEmpty());
  burst = swept();
  burst.near_side.from = NearSideSource::picture;
  EXPECT_THAT(learn_lens(burst, 40.0)->lens.sides, SizeIs(1));
  for (std::size_t k = 0; k < burst.frames.size(); ++k) burst.frames[k].scale = 1.0;
  EXPECT_THAT(learn_lens(burst, 40.0)->lens.sides, IsEmpty()) << "a picture that does not grow";
}

TEST(LearnLens, WhatCannotBeLearntIsSaidWithWhatToDo) {
  const auto why = [](auto change) {
    BurstAnalysis burst = swept();
    change(burst);
    const auto lesson = learn_lens(burst, 40.0);
    EXPECT_FALSE(lesson);
    return lesson ? std::string() : one_line(lesson.error());
  };
  using B = BurstAnalysis&;
  EXPECT_THAT(why([](B b) { b.ring.magnification.reset(); }), HasSubstr("--magnification M"));
  EXPECT_THAT(why([](B b) { b.ring.focus_by = FocusBy::camera; }), HasSubstr("--moves lens"));
  EXPECT_THAT(why([](B b) { b.ring.working_f_number.reset(); }), HasSubstr("--working-f-number"));
  EXPECT_THAT(why([](B b) { b.ring.pitch_mm.reset(); }), HasSubstr("--pitch-um"));
  EXPECT_THAT(why([](B b) { b.ring = {}; }), HasSubstr("--magnification M, --working-f-number"));
  EXPECT_THAT(why([](B b) { b.ring.magnification = 1.0; }), HasSubstr("below 0.9 or above 1.1"));
  EXPECT_THAT(why([](B b) { b.sweeps.push_back(b.sweeps.front()); }), HasSubstr("one sweep alone"));
  EXPECT_THAT(why([](B b) { b.sweeps.clear(); }), HasSubstr("in one sweep"));
  EXPECT_THAT(why([](B b) { b.fit_status = FitStatus::not_trusted; }), HasSubstr("cannot be told"));
  EXPECT_THAT(why([](B b) { b.scale_sd = 0.3; }), HasSubstr("wider turn"));
  EXPECT_THAT(why([](B b) {
                for (FrameAnalysis& frame : b.frames) frame.usable = false;
              }),
              HasSubstr("too few"));
  EXPECT_THROW((void)learn_lens(swept(), 0.0), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
