// Frames of a report among pictures at home.

#include "app/match_files.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <optional>
#include <string>
#include <vector>

#include "report/made_analysis.h"

namespace ringsweep::app {
namespace {

using ::testing::ElementsAre;

FrameRef file(const std::string& name, std::optional<double> since_start_s, bool is_raw = false) {
  FrameRef ref;
  ref.file = name;
  ref.path = "home/" + name;
  if (since_start_s) ref.time_s = made::kEightMinutesToFive + *since_start_s;
  ref.is_raw = is_raw;
  return ref;
}

/// DSC01207 to DSC01211, 0.2 s apart from half past a second.
BurstAnalysis five_frames() {
  BurstAnalysis burst = made::complete_burst(1207, 5);
  burst.start_s = made::kEightMinutesToFive;
  return burst;
}

MatchedFiles match(const std::vector<FrameRef>& files, const BurstAnalysis& burst = five_frames(),
                   bool prefer_raw = false) {
  return match_files(std::vector{burst}, files, prefer_raw);
}

TEST(MatchFiles, ByNameWhateverExtensionAndCase) {
  const MatchedFiles matched =
      match({file("dsc01209.TIF", {}), file("DSC01207.ARW", 0.0, true), file("other.jpg", 99.0)});
  EXPECT_THAT(matched.files[0], ElementsAre(1U, std::nullopt, 0U, std::nullopt, std::nullopt));
  EXPECT_EQ(matched.unknown, 1U);
  EXPECT_EQ(matched.by_time, 0U);
}

TEST(MatchFiles, OfSeveralOfOneNameThePictureOrTheRaw) {
  const std::vector<FrameRef> files{file("DSC01207.ARW", 0.0, true), file("DSC01207.tif", 0.0)};
  EXPECT_EQ(match(files).files[0][0], 1U);
  EXPECT_EQ(match(files, five_frames(), true).files[0][0], 0U);
}

TEST(MatchFiles, ANameFromAnotherDayIsAnotherPicture) {
  const MatchedFiles matched =
      match({file("DSC01207.JPG", 2.001), file("DSC01208.JPG", 0.2 + 1.999)});
  EXPECT_EQ(matched.files[0][0], std::nullopt);
  EXPECT_EQ(matched.files[0][1], 1U);  // a clock that was rounded
  EXPECT_EQ(matched.other_time, 1U);
}

TEST(MatchFiles, ByTimeToTheThousandth) {
  const MatchedFiles matched =
      match({file("b.jpg", 0.4), file("a.jpg", 0.2), file("c.jpg", 0.203)});
  EXPECT_THAT(matched.files[0], ElementsAre(std::nullopt, 1U, 0U, std::nullopt, std::nullopt));
  EXPECT_EQ(matched.by_time, 2U);
  EXPECT_EQ(matched.unknown, 1U);
}

// Frames at .5, .7, .9 of one second and .1, .3 of the next.
TEST(MatchFiles, ByTheSecondOnlyWhereAllOfItAreThere) {
  const std::vector<FrameRef> all{file("a.jpg", -0.5), file("b.jpg", -0.5), file("c.jpg", -0.5),
                                  file("d.jpg", 0.5)};
  const MatchedFiles matched = match(all);
  EXPECT_THAT(matched.files[0], ElementsAre(0U, 1U, 2U, std::nullopt, std::nullopt));
  EXPECT_EQ(matched.unknown, 1U);  // one file for two frames tells nothing
}

TEST(MatchFiles, AFileIsOneFrameOnly) {
  const std::vector<BurstAnalysis> bursts{five_frames(), five_frames()};
  const MatchedFiles matched = match_files(bursts, std::vector{file("DSC01207.JPG", {})}, false);
  EXPECT_EQ(matched.files[0][0], 0U);
  EXPECT_EQ(matched.files[1][0], std::nullopt);
}

TEST(MatchFiles, OfTwoBurstsWithTheSameNumbersTheOneOfItsTime) {
  std::vector<BurstAnalysis> bursts{five_frames(), five_frames()};
  *bursts[1].start_s += 3600.0;
  const MatchedFiles matched =
      match_files(bursts, std::vector{file("DSC01207.JPG", 3600.0)}, false);
  EXPECT_EQ(matched.files[0][0], std::nullopt);
  EXPECT_EQ(matched.files[1][0], 0U);
  EXPECT_EQ(matched.other_time, 0U);
}

}  // namespace
}  // namespace ringsweep::app
