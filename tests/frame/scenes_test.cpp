// Where a burst is parted: DESIGN section 2 gives the rule (at least 5 frames of one scene).
#include "ringsweep/scenes.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

namespace ringsweep {

void PrintTo(const SceneRange& range, std::ostream* out) {
  *out << range.first << " to " << range.last << " of "
       << (range.scene ? std::to_string(*range.scene) : "none");
}

namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::Field;
using ::testing::IsEmpty;

/// One letter a frame: A is scene 0, B scene 1; a dot is a frame that cannot tell.
std::vector<SceneNumber> scenes(const std::string& letters) {
  std::vector<SceneNumber> result;
  for (const char letter : letters)
    result.push_back(letter == '.' ? SceneNumber() : static_cast<std::size_t>(letter - 'A'));
  return result;
}

std::vector<SceneRange> split(const std::string& letters) {
  return split_by_scene(scenes(letters));
}

auto range(std::size_t first, std::size_t last, char scene) {
  return AllOf(
      Field("first", &SceneRange::first, first), Field("last", &SceneRange::last, last),
      Field("scene", &SceneRange::scene, SceneNumber(static_cast<std::size_t>(scene - 'A'))));
}

TEST(SplitByScene, OneSceneIsOneBurst) {
  EXPECT_THAT(split("AAAAAAA"), ElementsAre(range(0, 6, 'A')));
  EXPECT_THAT(split("AA"), ElementsAre(range(0, 1, 'A')));
}

TEST(SplitByScene, AHandBetweenTwoSweepsPartsThem) {
  EXPECT_THAT(split("AAAAAHAAAAA"), ElementsAre(range(0, 5, 'A'), range(6, 10, 'A')));
  EXPECT_THAT(split("AAAAAAHHIAAAAAAA"), ElementsAre(range(0, 8, 'A'), range(9, 15, 'A')));
}

TEST(SplitByScene, FourFramesAreNoBurst) {
  EXPECT_THAT(split("AAAAHAAAAAAA"), ElementsAre(range(0, 11, 'A')));
  EXPECT_THAT(split("AAAAAAAHAAAA"), ElementsAre(range(0, 11, 'A')));
  EXPECT_THAT(split("AAAAHAAAA"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("AAAABBBB"), ElementsAre(range(0, 7, 'A')));
}

TEST(SplitByScene, TestShotsAtTheEndsStayWithTheBurst) {
  EXPECT_THAT(split("HAAAAAAA"), ElementsAre(range(0, 7, 'A')));
  EXPECT_THAT(split("AAAAAAAHH"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("HAAAAAAHBBBBBH"), ElementsAre(range(0, 7, 'A'), range(8, 13, 'B')));
}

TEST(SplitByScene, AnotherSceneIsAnotherBurst) {
  EXPECT_THAT(split("AAAAABBBBB"), ElementsAre(range(0, 4, 'A'), range(5, 9, 'B')));
  EXPECT_THAT(split("AAAAABBBBBCCCCCC"),
              ElementsAre(range(0, 4, 'A'), range(5, 9, 'B'), range(10, 15, 'C')));
}

TEST(SplitByScene, WhatIsTooShortStaysInTheBurstItFollows) {
  EXPECT_THAT(split("AAAAAHAAHAAAAA"), ElementsAre(range(0, 8, 'A'), range(9, 13, 'A')));
  EXPECT_THAT(split("AAHAAAAAHBBBBB"), ElementsAre(range(0, 8, 'A'), range(9, 13, 'B')));
}

TEST(SplitByScene, FramesThatCannotTellPartNothingAndBelongToWhatFollows) {
  EXPECT_THAT(split("AAAAA...AAAAA"), ElementsAre(range(0, 12, 'A')));
  EXPECT_THAT(split("A.A.A.A.A"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("A.A.A.A.AHA.A.A.A.A"), ElementsAre(range(0, 9, 'A'), range(10, 18, 'A')));
  EXPECT_THAT(split("AAAAA.H.AAAAA"), ElementsAre(range(0, 6, 'A'), range(7, 12, 'A')));
  EXPECT_THAT(split("AAAAA..BBBBB."), ElementsAre(range(0, 4, 'A'), range(5, 12, 'B')));
}

TEST(SplitByScene, NoFramesAndFramesThatAllCannotTell) {
  EXPECT_THAT(split(""), IsEmpty());
  const std::vector<SceneRange> dark = split("......");
  ASSERT_EQ(dark.size(), 1U);
  EXPECT_EQ(dark[0].first, 0U);
  EXPECT_EQ(dark[0].last, 5U);
  EXPECT_FALSE(dark[0].scene);
}

TEST(SplitByScene, TheFewestFramesAreAnOption) {
  EXPECT_THAT(split_by_scene(scenes("AAHAA"), 2), ElementsAre(range(0, 2, 'A'), range(3, 4, 'A')));
}

}  // namespace
}  // namespace ringsweep
