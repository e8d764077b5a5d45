#include "burst_order.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "ringsweep/intake.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAre;

// Accepted and rejected names: CIPA DC-009 / JEITA CP-3461 as restated in makers' manuals: a folder
// is 100 to 999 and five of [0-9A-Z_]; a file four of the same set and 0001 to 9999.
TEST(Dcf, FolderNames) {
  for (const char* name : {"100ABCDE", "999_____", "1000ABCD"})
    EXPECT_TRUE(is_dcf_folder(name)) << name;
  for (const char* name : {"099ABCDE", "100ABCD", "100ABCDEF", "100abcde", "ABCDEFGH", ""})
    EXPECT_FALSE(is_dcf_folder(name)) << name;
}

TEST(Dcf, AFileNameIsFourCharactersAndACounter) {
  struct Case {
    const char* file;
    const char* prefix;
    int counter;
  };
  for (const Case& c : {Case{"ABCD0001.JPG", "ABCD", 1}, Case{"_DSC9999.JPG", "_DSC", 9999},
                        Case{"IMG_0042.CR3", "IMG_", 42}, Case{"ABC00001.JPG", "ABC0", 1},
                        Case{"P1019999.JPG", "P101", 9999}}) {
    const NumberedName name = numbered_name(c.file);
    EXPECT_EQ(name.prefix, c.prefix) << c.file;
    EXPECT_EQ(name.counter, c.counter) << c.file;
    EXPECT_TRUE(name.wraps) << c.file;
  }
  // No DCF name, so all the digits count. frame_7 is no camera's counter and does not wrap.
  EXPECT_EQ(numbered_name("ABCD0000.JPG").counter, 0);
  EXPECT_EQ(numbered_name("ABCDE001.JPG").counter, 1);
  EXPECT_EQ(numbered_name("frame_7.jpg").counter, 7);
  EXPECT_FALSE(numbered_name("frame_7.jpg").wraps);
}

TEST(TrailingNumber, IsTheDigitsThatEndTheStem) {
  EXPECT_EQ(trailing_number("DSC01207.JPG"), 1207);
  EXPECT_EQ(trailing_number("frame_003.png"), 3);
  EXPECT_EQ(trailing_number("20240601123456789.jpg"), 123456789);  // the last nine
  EXPECT_FALSE(trailing_number("IMG_12a.JPG"));
  EXPECT_FALSE(trailing_number(".jpg"));
}

TEST(NaturalCompare, NumbersCountAsNumbers) {
  EXPECT_LT(natural_compare("a2", "a10"), 0);
  EXPECT_GT(natural_compare("b1", "A2"), 0);
  EXPECT_EQ(natural_compare("a01", "A1"), 0);
  EXPECT_LT(natural_compare("a", "a1"), 0);
}

FrameRef frame(std::optional<double> time_s, std::optional<int> number = {}) {
  FrameRef f;
  f.time_s = time_s;
  f.number = number;
  return f;
}

std::vector<std::size_t> burst_sizes(const std::vector<double>& times_s) {
  std::vector<FrameRef> frames;
  for (const double t : times_s) frames.push_back(frame(t));
  std::vector<std::size_t> sizes;
  for (const auto& burst : split_at_pauses(frames, {})) sizes.push_back(burst.size());
  return sizes;
}

// DESIGN section 2, "burst": a pause longer than 4 s, or than three times the median interval since
// the last pause where that median is below 8 s, whichever is longer.
TEST(SplitAtPauses, FourSecondsIsNoPauseForAFastBurstMoreIs) {
  EXPECT_THAT(burst_sizes({0, 0.2, 0.4, 0.6, 0.8, 4.8, 5.0}), ElementsAre(7));
  EXPECT_THAT(burst_sizes({0, 0.2, 0.4, 0.6, 0.8, 4.81, 5.01}), ElementsAre(5, 2));
}

TEST(SplitAtPauses, ThreeMedianIntervalsOfASlowSeriesAreNoPause) {
  EXPECT_THAT(burst_sizes({0, 6, 12, 18, 24, 42, 48}), ElementsAre(7));  // 18 s = 3 x 6 s
  EXPECT_THAT(burst_sizes({0, 6, 12, 18, 24, 42.1, 48.1}), ElementsAre(5, 2));
}

TEST(SplitAtPauses, AMedianOf8SecondsAndMoreIsNoBurst) {
  EXPECT_THAT(burst_sizes({0, 7.9, 15.8, 23.7}), ElementsAre(4));
  EXPECT_THAT(burst_sizes({0, 8, 16, 24}), ElementsAre(1, 1, 1, 1));
}

TEST(SplitAtPauses, AStrayFrameBeforeAFastBurstIsApart) {
  EXPECT_THAT(burst_sizes({0, 10, 10.2, 10.4, 10.6, 10.8}), ElementsAre(1, 5));
}

TEST(SplitAtPauses, ASlowSeriesBetweenLongPausesStaysWhole) {
  EXPECT_THAT(burst_sizes({0, 5, 10, 3600, 3605, 3610, 3615}), ElementsAre(3, 4));
}

TEST(SplitAtPauses, AClockOfWholeSecondsWorks) {
  EXPECT_THAT(burst_sizes({0, 0, 0, 1, 1, 1, 2, 2, 6, 6}), ElementsAre(10));
  EXPECT_THAT(burst_sizes({0, 0, 0, 1, 1, 1, 2, 2, 7, 7}), ElementsAre(8, 2));
}

TEST(SplitAtPauses, FramesWithoutATimeStayWithTheNearerNumber) {
  const std::vector<FrameRef> frames = {frame(0.0, 1), frame(0.2, 2),  frame({}, 3),
                                        frame({}, 7),  frame(60.0, 8), frame(60.2, 9)};
  const auto bursts = split_at_pauses(frames, {});
  ASSERT_EQ(bursts.size(), 2U);
  EXPECT_EQ(bursts[0].size(), 3U);
  EXPECT_EQ(bursts[1].front().number, 7);
}

TEST(SplitAtPauses, WithoutAnyTimeThereIsOneBurst) {
  EXPECT_EQ(split_at_pauses({frame({}), frame({}), frame({})}, {}).size(), 1U);
  EXPECT_TRUE(split_at_pauses({}, {}).empty());
}

Shot shot(const std::string& file, std::optional<double> time_s, const std::string& folder = "/c") {
  Shot s;
  s.frame.file = file;
  s.frame.path = folder + '/' + file;
  s.frame.time_s = time_s;
  s.frame.number = trailing_number(file);
  s.folder = folder;
  return s;
}

std::vector<std::string> order(std::vector<Shot> shots, std::size_t sequence = 0) {
  const std::vector<std::vector<Shot>> sequences = in_capture_order(std::move(shots));
  std::vector<std::string> files;
  for (const Shot& s : sequences.at(sequence)) files.push_back(s.frame.file);
  return files;
}

TEST(CaptureOrder, TimeGoesBeforeNumber) {
  EXPECT_THAT(order({shot("A0001.JPG", 9.0), shot("A0002.JPG", 3.0)}),
              ElementsAre("A0002.JPG", "A0001.JPG"));
}

TEST(CaptureOrder, NumbersWrapFrom9999To1WithinOneSecond) {
  EXPECT_THAT(order({shot("DSC00001.JPG", 3.0), shot("DSC00002.JPG", 3.0),
                     shot("DSC09998.JPG", 3.0), shot("DSC09999.JPG", 3.0)}),
              ElementsAre("DSC09998.JPG", "DSC09999.JPG", "DSC00001.JPG", "DSC00002.JPG"));
}

TEST(CaptureOrder, NumbersWrapWithoutTimesToo) {
  EXPECT_THAT(order({shot("IMG_0001.JPG", {}), shot("IMG_9998.JPG", {}), shot("IMG_9999.JPG", {})}),
              ElementsAre("IMG_9998.JPG", "IMG_9999.JPG", "IMG_0001.JPG"));
  EXPECT_THAT(order({shot("f10.png", {}), shot("f9.png", {}), shot("f9000.png", {})}),
              ElementsAre("f9.png", "f10.png", "f9000.png"));
}

TEST(CaptureOrder, AFrameWithoutATimeStandsBesideItsNumber) {
  EXPECT_THAT(order({shot("A0001.JPG", 1.0), shot("A0002.JPG", {}), shot("A0003.JPG", 3.0),
                     shot("A0004.JPG", {})}),
              ElementsAre("A0001.JPG", "A0002.JPG", "A0003.JPG", "A0004.JPG"));
  // The first of all, and the first after the wrap.
  EXPECT_THAT(order({shot("A9997.JPG", {}), shot("A9998.JPG", 1.0), shot("A9999.JPG", 2.0),
                     shot("A0001.JPG", {}), shot("A0002.JPG", 4.0)}),
              ElementsAre("A9997.JPG", "A9998.JPG", "A9999.JPG", "A0001.JPG", "A0002.JPG"));
}

TEST(CaptureOrder, AForeignFrameWithoutATimeDoesNotVanishInAListOfItsOwn) {
  EXPECT_THAT(order({shot("A0001.JPG", 1.0), shot("A0002.JPG", 2.0), shot("A0001b.JPG", {})}),
              ElementsAre("A0001.JPG", "A0001b.JPG", "A0002.JPG"));
}

TEST(CaptureOrder, FiveFramesWithoutATimeAndWithANameOfTheirOwnAreASequence) {
  std::vector<Shot> shots = {shot("A0001.JPG", 1.0)};
  for (int i = 1; i <= 5; ++i) shots.push_back(shot("x" + std::to_string(i) + ".png", {}));
  EXPECT_THAT(order(shots, 0), ElementsAre("A0001.JPG"));
  EXPECT_THAT(order(shots, 1), ElementsAre("x1.png", "x2.png", "x3.png", "x4.png", "x5.png"));
}

TEST(CaptureOrder, AFrameWithoutATimeNamedLikeNoOtherIsApart) {
  const std::vector<Shot> shots = {shot("A0001.JPG", 1.0), shot("A0002.JPG", 2.0),
                                   shot("map.png", {}), shot("scan7.png", {})};
  EXPECT_THAT(order(shots, 0), ElementsAre("A0001.JPG", "A0002.JPG"));
  EXPECT_THAT(order(shots, 1), ElementsAre("map.png"));
  EXPECT_THAT(order(shots, 2), ElementsAre("scan7.png"));
}

// A camera of the DCF standard counts on in the four characters before its counter: P1019999 is
// followed by P1020001.
TEST(CaptureOrder, AFrameWithoutATimeAfterTheCountersEndStaysInTheBurst) {
  EXPECT_THAT(order({shot("P1019998.JPG", 1.0), shot("P1019999.JPG", 2.0), shot("P1020001.JPG", {}),
                     shot("P1020002.JPG", 4.0)}),
              ElementsAre("P1019998.JPG", "P1019999.JPG", "P1020001.JPG", "P1020002.JPG"));
  EXPECT_THAT(
      order({shot("P1019998.JPG", 1.0), shot("P1019999.JPG", 2.0), shot("P1020001.JPG", {})}),
      ElementsAre("P1019998.JPG", "P1019999.JPG", "P1020001.JPG"));
}

TEST(CaptureOrder, WithoutAnyTimeFewOfAnotherNameAreApartFromABurst) {
  std::vector<Shot> shots = {shot("map.png", {}), shot("z9.png", {}), shot("x3b.png", {})};
  for (int i = 1; i <= 5; ++i) shots.push_back(shot("x" + std::to_string(i) + ".png", {}));
  EXPECT_THAT(order(shots, 0),
              ElementsAre("x1.png", "x2.png", "x3.png", "x4.png", "x5.png", "x3b.png"));
  EXPECT_THAT(order(shots, 1), ElementsAre("map.png"));
  EXPECT_THAT(order(shots, 2), ElementsAre("z9.png"));
  // Where no names make a burst, the folder is one.
  EXPECT_THAT(order({shot("one.png", {}), shot("two.png", {}), shot("x1.png", {})}),
              ElementsAre("one.png", "two.png", "x1.png"));
}

FrameRef sized(const std::string& file, std::optional<cv::Size> size) {
  FrameRef f;
  f.file = file;
  f.file_size = size;
  return f;
}

TEST(SplitBySize, PicturesOfAnotherSizeAreApartAndUnknownOnesStay) {
  const cv::Size large(1280, 960), small(600, 450), turned(960, 1280);
  const auto parts = split_by_size({sized("small", small), sized("a", large), sized("damaged", {}),
                                    sized("b", large), sized("turned", turned), sized("c", large),
                                    sized("d", large), sized("e", large)});
  ASSERT_EQ(parts.size(), 3U);
  const auto files = [&](std::size_t part) {
    std::vector<std::string> names;
    for (const FrameRef& f : parts[part]) names.push_back(f.file);
    return names;
  };
  EXPECT_THAT(files(0), ElementsAre("a", "damaged", "b", "c", "d", "e"));
  EXPECT_THAT(files(1), ElementsAre("small"));
  EXPECT_THAT(files(2), ElementsAre("turned"));
}

TEST(SplitBySize, WithoutAnySizeThereIsOneList) {
  EXPECT_EQ(split_by_size({sized("a", {}), sized("b", {})}).size(), 1U);
}

// Aligned and cut by another program, each frame by its own few px.
TEST(SplitBySize, WhereNoSizeWouldMakeABurstTheyStayTogether) {
  std::vector<FrameRef> frames;
  for (int k = 0; k < 9; ++k) frames.push_back(sized("cut", cv::Size(340 + k, 290 - k)));
  const auto parts = split_by_size(frames);
  ASSERT_EQ(parts.size(), 1U);
  EXPECT_EQ(parts[0].size(), 9U);
}

TEST(FillInCameras, AFrameThatNamesNoneGetsItsNeighboursOne) {
  std::vector<Shot> shots = {shot("A0001.JPG", {}), shot("A0002.JPG", {}), shot("B0001.JPG", {}),
                             shot("B0002.JPG", {})};
  shots[0].camera = "one";
  shots[3].camera = "other";
  fill_in_cameras(shots);
  EXPECT_EQ(shots[1].camera, "one");
  EXPECT_EQ(shots[2].camera, "other");
}

// Pictures whose program writes no camera, between two that are named alike, of two cameras.
TEST(FillInCameras, ABurstThatNamesNoneIsNotSharedOutAmongItsNeighbours) {
  for (const bool timed : {true, false}) {
    std::vector<Shot> shots = {shot("P1010001.JPG", 50.0), shot("P1030001.JPG", 90.0)};
    shots[0].camera = "one";
    shots[1].camera = "other";
    for (int i = 1; i <= 6; ++i)
      shots.push_back(shot("P102000" + std::to_string(i) + ".JPG",
                           timed ? std::optional<double>(i) : std::nullopt));
    shots.push_back(shot("P1020009.JPG", {}));  // damaged: goes with its series
    fill_in_cameras(shots);
    for (const Shot& s : shots) {
      if (s.frame.file.starts_with("P102")) {
        EXPECT_EQ(s.camera, "") << s.frame.file << (timed ? " timed" : " untimed");
      }
    }
  }
}

// A damaged burst of a camera that does name itself stays whole.
TEST(FillInCameras, ManyDamagedFramesStillGoWithTheirSeries) {
  std::vector<Shot> shots;
  for (int i = 1; i <= 9; ++i) shots.push_back(shot("M000" + std::to_string(i) + ".JPG", {}));
  shots[4].frame.time_s = 1.0;
  shots[4].camera = "one";
  fill_in_cameras(shots);
  for (const Shot& s : shots) EXPECT_EQ(s.camera, "one") << s.frame.file;
}

}  // namespace
}  // namespace ringsweep
