// Which tiles are the subject. No outside source: the rule is ours and stands in subject.h. Room in
// comparisons is none: positions go through unchanged.
#include "ringsweep/subject.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAre;
using ::testing::ElementsAreArray;
using ::testing::IsEmpty;

/// A scene of tiles at these positions, seen by frames at those.
std::vector<double> subject_of(const std::vector<double>& tiles_px, const FocalPositions& frames,
                               const SubjectOptions& options = {}) {
  Profiles profiles;
  profiles.tiles.resize(tiles_px.size());
  FocalPositions focus = frames;
  for (const double q : tiles_px) focus.tiles.push_back({.q_px = q, .weight = 1.0});
  return subject_positions(profiles, focus, options);
}

std::vector<double> mirrored(std::vector<double> values) {
  for (double& v : values) v = -v;
  std::ranges::reverse(values);
  return values;
}

const FocalPositions kSweep = frames_at({0.0, 10.0, 20.0, 30.0});

TEST(SubjectPositions, InsideTheSweepAllCountInRisingOrder) {
  // 29 px apart, and nothing between.
  EXPECT_THAT(subject_of({29.5, 0.0, 0.5, 30.0}, kSweep), ElementsAre(0.0, 0.5, 29.5, 30.0));
}

TEST(SubjectPositions, OrderOfTheFramesDoesNotMatter) {
  EXPECT_THAT(subject_of({3.0, 29.0}, frames_at({20.0, 0.0, 30.0, 10.0})), ElementsAre(3.0, 29.0));
}

TEST(SubjectPositions, TilesThatFitBadlyDoNotCount) {
  Profiles profiles;
  profiles.tiles.resize(3);
  FocalPositions focus = kSweep;
  focus.tiles = {
      {.q_px = 5.0, .weight = 0.049}, {.q_px = 6.0, .weight = 0.05}, {.q_px = 7.0, .weight = 0.0}};
  EXPECT_THAT(subject_positions(profiles, focus), ElementsAre(6.0));
}

TEST(SubjectPositions, BeyondAnEndItGoesOnUpToTheFirstBreak) {
  const SubjectOptions options{.island_gap_px = 6.0, .reach_px = 100.0};
  const std::vector<double> tiles{15.0, 35.9, 41.9, 48.0, 49.0};  // 6.0 apart, then 6.1
  EXPECT_THAT(subject_of(tiles, kSweep, options), ElementsAre(15.0, 35.9, 41.9));
  EXPECT_THAT(subject_of(mirrored(tiles), frames_at({0.0, -30.0}), options),
              ElementsAre(-41.9, -35.9, -15.0));
}

TEST(SubjectPositions, BreakIsCountedFromTheOutermostFrame) {
  // The last tile inside lies 25 px before the end; what follows the end closely goes on.
  EXPECT_THAT(subject_of({5.0, 33.0}, kSweep), ElementsAre(5.0, 33.0));
  EXPECT_THAT(subject_of({5.0, 36.1}, kSweep), ElementsAre(5.0));
}

TEST(SubjectPositions, FartherThanTheReachNothingCounts) {
  const std::vector<double> tiles = evenly(-20.0, 50.0, 71);  // every px
  EXPECT_THAT(subject_of(tiles, kSweep), ElementsAreArray(evenly(-14.0, 44.0, 59)));
  EXPECT_THAT(subject_of(tiles, kSweep, {.reach_px = 3.5}),
              ElementsAreArray(evenly(-3.0, 33.0, 37)));
}

// 1000 tiles: two of them, one in 500, are what it takes to be more than noise.
TEST(SubjectPositions, OneStrayTileBridgesNoBreakTwoDo) {
  std::vector<double> tiles = evenly(0.0, 30.0, 990);
  const std::vector<double> island = evenly(40.0, 41.0, 9);
  tiles.insert(tiles.end(), island.begin(), island.end());
  std::vector<double> stray = tiles, pair = tiles;
  stray.push_back(35.0);
  EXPECT_EQ(subject_of(stray, kSweep).back(), 30.0);
  EXPECT_EQ(subject_of(mirrored(stray), frames_at({-30.0, 0.0})).front(), -30.0);
  pair.insert(pair.end(), {35.0, 35.5});
  // The island is nine tiles, counted in twos: one may be left over.
  EXPECT_GE(subject_of(pair, kSweep).back(), 40.75);
  EXPECT_LE(subject_of(mirrored(pair), frames_at({-30.0, 0.0})).front(), -40.75);
}

TEST(SubjectPositions, FramesThatAreNotUsableReachNowhere) {
  FocalPositions focus = frames_at({0.0, 10.0, 20.0, 40.0});
  EXPECT_THAT(subject_of({5.0, 33.0}, focus), ElementsAre(5.0, 33.0));
  focus.frames[3].usable = false;
  EXPECT_THAT(subject_of({5.0, 33.0}, focus), ElementsAre(5.0));
  forget(focus, 3);
  EXPECT_THAT(subject_of({5.0, 33.0}, focus), ElementsAre(5.0));
}

TEST(SubjectPositions, OneFrameStillHasSomethingAroundIt) {
  EXPECT_THAT(subject_of({-9.0, -2.0, 3.0, 12.0}, frames_at({0.0})), ElementsAre(-2.0, 3.0));
}

TEST(SubjectPositions, NoFrameOrNoTileIsNoSubject) {
  EXPECT_THAT(subject_of({1.0, 2.0}, frames_at({})), IsEmpty());
  EXPECT_THAT(subject_of({}, kSweep), IsEmpty());
}

}  // namespace
}  // namespace ringsweep
