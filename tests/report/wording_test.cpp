#include "report/wording.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <string>
#include <vector>

#include "report/action.h"
#include "report/made_analysis.h"

namespace ringsweep::wording {
namespace {

using ::testing::ElementsAre;

BurstAnalysis named(const std::vector<std::string>& files) {
  BurstAnalysis burst;
  for (const std::string& file : files) {
    burst.frames.emplace_back();
    burst.frames.back().file = file;
  }
  return burst;
}

// File number: the last four characters of the DCF file name, 0001 to 9999 (CIPA DC-009).
TEST(FrameLabels, AreTheLastFourDigits) {
  EXPECT_THAT(frame_labels(named({"DSC09999.JPG", "DSC00001.JPG", "IMG_20240101.jpeg"})),
              ElementsAre("9999", "0001", "0101"));
}

TEST(FrameLabels, WithoutFourDigitsAreTheName) {
  EXPECT_THAT(frame_labels(named({"bee.png", "bee 12.tif", "1234-edit.jpg", ".jpg"})),
              ElementsAre("bee", "bee 12", "1234-edit", ".jpg"));
}

TEST(FrameLabels, NeverNameTwoFramesAlike) {
  EXPECT_THAT(frame_labels(named({"A1234.JPG", "B1234.JPG", "B1235.JPG"})),
              ElementsAre("A1234", "B1234", "1235"));
  EXPECT_THAT(frame_labels(named({"A1234.JPG", "A1234.TIF"})),
              ElementsAre("A1234.JPG", "A1234.TIF"));
}

TEST(ListOfFrames, DrawsRunsTogether) {
  std::vector<std::string> labels;
  for (int i = 0; i < 10; ++i) labels.push_back(std::to_string(1210 + i));
  const auto list = [&](std::vector<std::size_t> frames) { return list_of_frames(frames, labels); };
  EXPECT_EQ(list({}), "");
  EXPECT_EQ(list({6}), "1216");
  EXPECT_EQ(list({5, 6}), "1215 and 1216");
  EXPECT_EQ(list({5, 6, 7}), "1215 to 1217");
  EXPECT_EQ(list({0, 2, 3, 4, 5, 9}), "1210, 1212 to 1215 and 1219");
}

TEST(ClockTime, IsTheCamerasOwnToTheMinute) {
  BurstAnalysis burst = named({"1.jpg", "2.jpg", "3.jpg", "4.jpg"});
  burst.frames[0].time_s = 0.0;
  burst.frames[1].time_s = 59.4;
  burst.frames[2].time_s = 19.0 * 3600.0 + 8.0 * 60.0;  // past midnight
  EXPECT_EQ(clock_time(burst, 0), std::nullopt);
  burst.start_s = made::kEightMinutesToFive;
  EXPECT_EQ(clock_time(burst, 0), "04:52");
  EXPECT_EQ(clock_time(burst, 1), "04:52");
  EXPECT_EQ(clock_time(burst, 2), "00:00");
  EXPECT_EQ(clock_time(burst, 3), std::nullopt);
  burst.frames[1].time_s = 59.5;
  EXPECT_EQ(clock_time(burst, 1), "04:53");
  burst.start_s = -30.0;  // a clock that was never set
  EXPECT_EQ(clock_time(burst, 0), "23:59");
}

TEST(TurnWords, AreTheNearestFraction) {
  EXPECT_EQ(turn_words(0.514), "about half as far");
  EXPECT_EQ(turn_words(0.73), "about three quarters as far");
  EXPECT_EQ(turn_words(0.89), "about three quarters as far");
  EXPECT_EQ(turn_words(0.34), "about a third as far");
  EXPECT_EQ(turn_words(0.95), "as far as before");
  EXPECT_EQ(turn_words(0.01), "far less");
}

TEST(Wrapped, BreaksAtSpacesAndIndents) {
  EXPECT_EQ(wrapped("aa bb cc", 5), "aa bb\n  cc\n");
  EXPECT_EQ(wrapped("  aa bb", 4, "    "), "  aa\n    bb\n");
  EXPECT_EQ(wrapped("longer-than-that aa", 5), "longer-than-that\n  aa\n");
  EXPECT_EQ(wrapped(""), "\n");
}

// Unicode Standard, table 3-7: overlong forms, surrogates and values beyond U+10FFFF are
// ill-formed.
TEST(Printable, KeepsWellFormedUtf8AndNothingElse) {
  EXPECT_EQ(printable("Käfer \xF0\x9F\x90\x9E.jpg"), "Käfer \xF0\x9F\x90\x9E.jpg");
  EXPECT_EQ(printable("a\x1B[31mb\nc\x7F"), "a?[31mb?c?");
  EXPECT_EQ(printable("\xC2\x9B"), "?");             // C1: a control sequence on some terminals
  EXPECT_EQ(printable("\xC0\xAF"), "??");            // overlong '/'
  EXPECT_EQ(printable("\xED\xA0\x80"), "???");       // surrogate
  EXPECT_EQ(printable("\xF4\x90\x80\x80"), "????");  // beyond U+10FFFF
  EXPECT_EQ(printable("end\xE2\x82"), "end??");      // cut short
  EXPECT_EQ(valid_utf8("a\n\xFF"), "a\n\xEF\xBF\xBD");
}

TEST(BeyondTheEnd, IsNoNumberWhereBlurTellsNoMore) {
  EXPECT_EQ(beyond_the_end(3.2, 0.1), "3.20 px (sd 0.10 px)");
  EXPECT_EQ(beyond_the_end(SubjectOptions{}.reach_px, 0.1), "14.00 px or more");
  // Of a pose or a sweep: the rest of the burst shows how far it goes on.
  EXPECT_EQ(beyond_the_end(21.0, 0.3), "21.00 px (sd 0.30 px)");
}

TEST(ReasonWithNumbers, OfAnEndThatIsCutOffSaysNotHowFarItGoesOn) {
  using ::testing::HasSubstr;
  BurstAnalysis burst = made::complete_burst();
  burst.blur_limit_px = 2.0;
  Reason reason = made::reason(ReasonKind::open_end);
  reason.width_px = 2.5;
  EXPECT_THAT(reason_with_numbers(burst, reason), HasSubstr("2.50 px"));
  reason.width_px = 1.9;
  EXPECT_THAT(reason_with_numbers(burst, reason),
              ::testing::AllOf(HasSubstr("2.00 px are allowed, and is cut off there"),
                               ::testing::Not(HasSubstr("1.90"))));
}

TEST(ReasonWithNumbers, OfAnEndBeyondWhichLightsLieSaysHowManyAndHowFar) {
  BurstAnalysis burst = made::complete_burst();
  burst.blur_limit_px = 2.0;
  Reason reason = made::reason(ReasonKind::open_end);
  reason.width_px = 5.25;
  reason.width_sd_px = 1.5;
  reason.lights = 3;
  EXPECT_THAT(reason_with_numbers(burst, reason),
              ::testing::HasSubstr("3 glints on it would be sharp about 5.25 px (sd 1.50 px) "
                                   "beyond; 2.00 px allowed."));
}

TEST(PlaceWords, AreNinthsOfTheUprightPicture) {
  BurstAnalysis burst;
  burst.full_size = {600, 400};
  using wording::place_words;
  EXPECT_EQ(place_words(burst, {0, 0, 100, 100}), "upper left");
  EXPECT_EQ(place_words(burst, {250, 150, 100, 100}), "in the middle of the picture");
  EXPECT_EQ(place_words(burst, {500, 300, 100, 100}), "lower right");
  EXPECT_EQ(place_words(burst, {250, 300, 100, 100}), "at the bottom");
  EXPECT_EQ(place_words(burst, {50, 300, 500, 50}), "across the picture");
  EXPECT_EQ(place_words(burst, {50, 50, 500, 300}), "all over the picture");
  EXPECT_EQ(place_words(burst, {}), "");
  burst.orientation = 6;  // upright it is 400 wide and 600 high
  EXPECT_EQ(place_words(burst, {300, 500, 80, 80}), "lower right");
}

TEST(ShareWords, NameTheNearestUsualPart) {
  using wording::share_words;
  EXPECT_EQ(share_words(0.01), "a little of it");
  EXPECT_EQ(share_words(0.1), "about a tenth of it");
  EXPECT_EQ(share_words(0.25), "about a quarter of it");
  EXPECT_EQ(share_words(0.33), "about a third of it");
  EXPECT_EQ(share_words(0.5), "about half of it");
  EXPECT_EQ(share_words(0.9), "most of it");
}

TEST(WrappedLines, EachGoesOnTwoColumnsFurtherIn) {
  EXPECT_EQ(wording::wrapped_lines("one two three\n  four five six\nseven\n", 10),
            "one two\n  three\n  four\n    five\n    six\nseven\n");
  EXPECT_EQ(wording::wrapped_lines("one two three\n", 80), "one two three\n");
  EXPECT_EQ(wording::wrapped_lines("", 80), "");
}

}  // namespace
}  // namespace ringsweep::wording
