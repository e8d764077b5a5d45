// What the user says and what the files hold. Sources beside each value.
#include "ringsweep/lens.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <limits>
#include <stdexcept>
#include <vector>

namespace ringsweep {
namespace {

FrameRef frame(std::optional<double> f_number, std::optional<double> pitch_mm) {
  FrameRef ref;
  ref.settings.f_number = f_number;
  ref.pixel_pitch_mm = pitch_mm;
  return ref;
}

TEST(KnownLens, TheFilesNumberIsNeverTakenForTheWorkingOneUnsaid) {
  const std::vector<FrameRef> frames{frame(8.0, 0.004), frame({}, {})};
  const KnownLens lens = known_lens(frames, {});
  EXPECT_FALSE(lens.working_f_number);
  EXPECT_EQ(lens.f_number, 8.0);
  EXPECT_EQ(lens.pitch_mm, 0.004);
  EXPECT_EQ(known_lens(frames, {.f_number_is = FNumberIs::working}).working_f_number, 8.0);
}

TEST(KnownLens, AMarkedNumberBecomesTheWorkingOneByMagnificationAndPupilRatio) {
  // N (1 + m / P). f/2.8 at life size works as f/5.6: a lens maker's support page (article
  // ART151965). The others follow by arithmetic: f/8 at life size, P 0.5, 1.4, 2.
  const auto working = [](double marked, double magnification, std::optional<double> pupil_ratio) {
    return known_lens({}, {.f_number = marked,
                           .f_number_is = FNumberIs::marked,
                           .magnification = magnification,
                           .pupil_ratio = pupil_ratio})
        .working_f_number.value();
  };
  EXPECT_NEAR(working(2.8, 1.0, {}), 5.6, 1e-12);  // rounding of doubles, here and below
  EXPECT_NEAR(working(8.0, 1.0, 0.5), 24.0, 1e-12);
  EXPECT_NEAR(working(8.0, 1.0, 1.4), 13.714285714285714, 1e-12);
  EXPECT_NEAR(working(8.0, 1.0, 2.0), 12.0, 1e-12);
}

TEST(KnownLens, WhatTheUserSaysStandsBeforeTheFiles) {
  const std::vector<FrameRef> frames{frame(8.0, 0.004)};
  const KnownLens lens = known_lens(frames, {.working_f_number = 16.0, .pitch_um = 5.0});
  EXPECT_EQ(lens.working_f_number, 16.0);
  EXPECT_DOUBLE_EQ(lens.pitch_mm.value(), 0.005);
  const LensOptions other{.f_number = 11.0, .f_number_is = FNumberIs::working};
  EXPECT_EQ(known_lens(frames, other).working_f_number, 11.0);
}

TEST(KnownLens, NothingIsMadeOfFilesThatSayNothing) {
  const std::vector<FrameRef> frames{frame(0.0, 0.0)};
  const KnownLens lens = known_lens(frames, {.f_number_is = FNumberIs::working});
  EXPECT_FALSE(lens.working_f_number);
  EXPECT_FALSE(lens.f_number);
  EXPECT_FALSE(lens.pitch_mm);
}

TEST(RingScaleOf, TakesNoFilesNumberForTheWorkingOneUnsaid) {
  const std::vector<FrameRef> frames{frame(8.0, 0.004)};
  LensOptions options{.magnification = 0.5, .focus_by = FocusBy::body, .degrees_per_mm = 9.0};
  const RingScale unsaid = ring_scale_of(known_lens(frames, options), options);
  EXPECT_FALSE(unsaid.working_f_number);
  EXPECT_EQ(unsaid.pitch_mm, 0.004);
  EXPECT_EQ(unsaid.magnification, 0.5);
  EXPECT_EQ(unsaid.degrees_per_mm, 9.0);
  EXPECT_EQ(unsaid.focus_by, FocusBy::body);
  options.f_number_is = FNumberIs::marked;
  EXPECT_EQ(ring_scale_of(known_lens(frames, options), options).working_f_number, 12.0);
}

TEST(WhyNot, NamesNonsenseAndWhatIsMissing) {
  using ::testing::HasSubstr;
  EXPECT_EQ(why_not({}), "");
  EXPECT_EQ(why_not({.working_f_number = 0.5, .pitch_um = 200.0}), "");
  EXPECT_THAT(why_not({.working_f_number = 0.49}), HasSubstr("--working-f-number"));
  EXPECT_THAT(why_not({.working_f_number = std::numeric_limits<double>::quiet_NaN()}),
              HasSubstr("--working-f-number"));
  EXPECT_THAT(why_not({.pitch_um = 0.0044}), HasSubstr("--pitch-um"));
  EXPECT_THAT(why_not({.f_number = 8.0}), HasSubstr("needs --f-number-is"));
  EXPECT_THAT(why_not({.f_number_is = FNumberIs::marked}), HasSubstr("needs --magnification"));
  EXPECT_THAT(why_not({.f_number_is = FNumberIs::marked, .magnification = -1.0}),
              HasSubstr("--magnification"));
  EXPECT_THAT(why_not({.pupil_ratio = 1.0}), HasSubstr("needs --f-number-is marked"));
  EXPECT_EQ(why_not({.magnification = 1.0}), "") << "it is needed for mm of subject, too";
  EXPECT_THAT(why_not({.working_f_number = 8.0, .f_number_is = FNumberIs::working}),
              HasSubstr("says it all"));
  EXPECT_THROW((void)known_lens({}, {.f_number = 8.0}), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
