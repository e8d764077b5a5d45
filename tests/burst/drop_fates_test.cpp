// What became of drops, against drops whose way is known.
#include "burst/drop_fates.h"

#include <gtest/gtest.h>

#include <vector>

namespace ringsweep {
namespace {

DropChange drop(DropFate fate, cv::Point2d at, double radius_px) {
  return {.fate = fate, .at = at, .radius_px = radius_px, .before = 7, .after = 8};
}
DropChange gone(cv::Point2d at, double radius_px = 6.0) {
  return drop(DropFate::gone, at, radius_px);
}
DropChange came(cv::Point2d at, double radius_px = 6.0) {
  return drop(DropFate::came, at, radius_px);
}

TEST(DropFates, OneThatIsNearbyFromThenOnRolledAndIsToldOnce) {
  Drops drops{.lost = {gone({100, 80})}, .appeared = {came({100, 110}, 5.0)}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].fate, DropFate::rolled);
  EXPECT_FALSE(drops.lost[0].over_another);
  EXPECT_TRUE(drops.appeared.empty());
}

TEST(DropFates, WhatComesToLightBehindADropIsNotThatDropElsewhere) {
  Drops drops{.lost = {gone({100, 80})}, .appeared = {came({103, 84}, 5.0)}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].fate, DropFate::gone);
  EXPECT_TRUE(drops.lost[0].over_another);
  EXPECT_TRUE(drops.appeared.empty()) << "it was there before";
}

TEST(DropFates, NorIsItAnotherDropThatWentNearby) {
  Drops drops{.lost = {gone({100, 80}), gone({130, 80})}, .appeared = {came({103, 84})}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 2U);
  for (const DropChange& lost : drops.lost) {
    EXPECT_EQ(lost.fate, DropFate::gone);
    EXPECT_EQ(lost.over_another, lost.at.x < 110.0);
  }
}

TEST(DropFates, OfSeveralThatWentTheNearestRolledToWhereOneCame) {
  Drops drops{.lost = {gone({160, 80}), gone({100, 80}), gone({130, 80})},
              .appeared = {came({112, 104}), came({260, 80}, 20.0)}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 3U);
  for (const DropChange& lost : drops.lost)
    EXPECT_EQ(lost.fate == DropFate::rolled, lost.at.x < 110.0) << lost.at.x;
  ASSERT_EQ(drops.appeared.size(), 1U);
  EXPECT_EQ(drops.appeared[0].radius_px, 20.0) << "a larger one is another";
}

TEST(DropFates, OneThatCameAtAnotherTimeIsAnother) {
  Drops drops{.lost = {gone({100, 80})}, .appeared = {came({100, 110})}};
  drops.appeared[0].before = 12, drops.appeared[0].after = 13;
  settle_fates(drops);
  EXPECT_EQ(drops.lost[0].fate, DropFate::gone);
  EXPECT_EQ(drops.appeared.size(), 1U);
}

TEST(DropFates, OneThatIsBackInItsPlaceWasThereAllTheTime) {
  DropChange back = came({103, 84}, 5.0);
  back.before = 8;
  back.after = 9;
  Drops drops{.lost = {gone({100, 80}), gone({160, 80})}, .appeared = {back}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].at.x, 160.0);
  EXPECT_TRUE(drops.appeared.empty());
}

TEST(DropFates, ASmallOneWhoseLightLooksLargerFromThenOnIsNotLost) {
  Drops drops{.lost = {gone({100, 80}, 2.7)}, .appeared = {came({104, 79}, 5.3)}};
  settle_fates(drops);
  EXPECT_TRUE(drops.lost.empty());
  EXPECT_TRUE(drops.appeared.empty());
}

/// A drop seen by its light.
DropChange bright(DropChange drop, double height) {
  drop.height = height;
  drop.log_odds = 12.0;
  return drop;
}

TEST(DropFates, ALightThatADropCameBeforeIsNotLost) {
  Drops drops{.lost = {bright(gone({100, 80}), 0.042), bright(gone({200, 80}), 0.06)},
              .appeared = {bright(came({103, 84}), 0.055), bright(came({203, 84}), 0.04)}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].at.x, 200.0) << "the brighter one is the drop";
  ASSERT_EQ(drops.appeared.size(), 1U);
  EXPECT_EQ(drops.appeared[0].at.x, 103.0);
  EXPECT_TRUE(drops.appeared[0].over_another);
}

TEST(DropFates, ADropMayHaveRolledBeforeALight) {
  Drops drops{.lost = {bright(gone({100, 80}), 0.06), bright(gone({130, 80}), 0.04)},
              .appeared = {bright(came({133, 80}), 0.06)}};
  settle_fates(drops);
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].at.x, 100.0);
  EXPECT_EQ(drops.lost[0].fate, DropFate::rolled);
}

TEST(DropFates, TwoThatRanTogetherAreLostHoweverBrightWhatTheyBecame) {
  Drops drops{.lost = {bright(gone({100, 80}), 0.04), bright(gone({106, 80}), 0.04)},
              .appeared = {bright(came({103, 80}), 0.07)}};
  settle_fates(drops);
  EXPECT_EQ(drops.lost.size(), 2U);
}

TEST(DropFates, TwoThatRanTogetherAreLost) {
  Drops drops{.lost = {gone({100, 80}, 4.0), gone({108, 80}, 4.0)},
              .appeared = {came({104, 80}, 6.5)}};
  settle_fates(drops);
  EXPECT_EQ(drops.lost.size(), 2U);
}

TEST(DropFates, OneThatCameAndThenWentWasThereForAWhile) {
  DropChange before = came({103, 84}, 5.0);
  before.before = 5;
  before.after = 6;
  Drops drops{.lost = {gone({100, 80})}, .appeared = {before}};
  settle_fates(drops);
  EXPECT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.appeared.size(), 1U);
}

TEST(DropFates, AreToldByFrameThenByRow) {
  Drops drops{.lost = {gone({10, 90}), gone({10, 20}), gone({10, 50})}};
  drops.lost[2].before = 2, drops.lost[2].after = 3;
  settle_fates(drops);
  EXPECT_EQ(drops.lost[0].at.y, 50.0);
  EXPECT_EQ(drops.lost[1].at.y, 20.0);
  EXPECT_EQ(drops.lost[2].at.y, 90.0);
}

}  // namespace
}  // namespace ringsweep
