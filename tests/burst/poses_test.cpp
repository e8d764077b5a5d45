// Poses: what a conflict makes of the verdict. The words of DESIGN section 7.
#include "ringsweep/poses.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <utility>
#include <vector>

namespace ringsweep {
namespace {

using ::testing::ElementsAre;

PoseJudged pose(VerdictKind kind, double share, std::size_t usable) {
  PoseJudged judged{.subject_share = share, .usable = usable};
  judged.verdict.kind = kind;
  judged.verdict.reasons.push_back(
      {.kind = kind == VerdictKind::complete ? ReasonKind::covered : ReasonKind::open_end});
  return judged;
}

Verdict all(VerdictKind kind) { return pose(kind, 1.0, 9).verdict; }

const std::array kMoved{Reason{.kind = ReasonKind::moved, .first_frame = 4, .last_frame = 4}};

TEST(Poses, EndsThatAFewFramesDoNotShowAreLost) {
  const auto end = [](bool low, double share) {
    return End{.low = low, .open = share > 0.0, .subject_share = share};
  };
  const Coverage all{.ends = {end(true, 0.1), end(false, 0.0)}};
  const auto lost = [&](double low, double high) {
    return ends_lost(Coverage{.ends = {end(true, low), end(false, high)}}, all, 0.25).size();
  };
  EXPECT_EQ(lost(0.1, 0.0), 0U) << "no more than all frames lose";
  EXPECT_EQ(lost(0.34, 0.24), 0U);
  EXPECT_EQ(lost(0.36, 0.24), 1U);
  EXPECT_EQ(lost(0.36, 0.26), 2U);
  EXPECT_EQ(ends_lost(Coverage{.ends = {end(true, 0.3)}}, Coverage{}, 0.25).size(), 1U);
}

TEST(Poses, ConflictsAreLostDropsByEventAndPartsThatMoved) {
  const Movement movement{
      .looked = true,
      .parts = {{.frame = 3, .shift_px = 5.0, .conflict = true}, {.frame = 4, .shift_px = 1.0}}};
  const Drops drops{.looked = true,
                    .lost = {{.before = 5, .after = 6, .conflict = true},
                             {.before = 5, .after = 6},
                             {.before = 8, .after = 9}}};
  const std::vector<Reason> reasons = conflict_reasons(movement, drops);
  ASSERT_EQ(reasons.size(), 2U);
  EXPECT_EQ(reasons[0].kind, ReasonKind::drop_lost);
  EXPECT_EQ(reasons[0].drops, 2U);
  EXPECT_EQ(reasons[0].last_frame, 6U);
  EXPECT_EQ(reasons[1].kind, ReasonKind::moved);
  EXPECT_EQ(reasons[1].first_frame, 3U);
  EXPECT_EQ(reasons[1].width_px, 5.0);
}

/// A part of `side_px` at (50, 50) that moved from frame 5 on.
Movement part_moved(int side_px) {
  return {.looked = true,
          .parts = {{.frame = 5, .box_px = cv::Rect(50, 50, side_px, side_px), .shift_px = 4.0}}};
}

/// Such a part, and a drop of 5 px that went then.
std::size_t parts_beside_a_drop(int side_px, DropFate fate, std::size_t* drops_left = nullptr,
                                double reach_px = 6.0, bool over_another = false) {
  Movement movement = part_moved(side_px);
  Drops drops{.looked = true,
              .lost = {{.fate = fate,
                        .at = {55.0, 55.0},
                        .radius_px = 5.0,
                        .reach_px = reach_px,
                        .before = 4,
                        .after = 5,
                        .over_another = over_another}}};
  part_drops_and_movement(movement, drops);
  if (drops_left != nullptr) *drops_left = drops.lost.size();
  return movement.parts.size();
}

TEST(Poses, WhatIsHardlyLargerThanADropThatWentIsTheDrop) {
  std::size_t drops = 0;
  EXPECT_EQ(parts_beside_a_drop(18, DropFate::gone, &drops), 0U);
  EXPECT_EQ(drops, 1U);
  EXPECT_EQ(parts_beside_a_drop(28, DropFate::rolled, &drops), 0U);
  EXPECT_EQ(drops, 1U);
  EXPECT_EQ(parts_beside_a_drop(28, DropFate::gone, &drops, 6.0, true), 0U)
      << "the light behind it";
  EXPECT_EQ(drops, 1U);
}

TEST(Poses, WhatIsHardlyLargerThanADropThatCameIsTheDrop) {
  const auto parts_left = [](int side_px, cv::Point2d at, bool over_another) {
    Movement movement = part_moved(side_px);
    Drops drops{.looked = true,
                .appeared = {{.fate = DropFate::came,
                              .at = at,
                              .radius_px = 5.0,
                              .reach_px = 6.0,
                              .before = 4,
                              .after = 5,
                              .over_another = over_another}}};
    part_drops_and_movement(movement, drops);
    return movement.parts.size();
  };
  EXPECT_EQ(parts_left(18, {55.0, 55.0}, false), 0U);
  EXPECT_EQ(parts_left(18, {46.0, 55.0}, false), 0U) << "its disc reaches in";
  EXPECT_EQ(parts_left(18, {44.0, 55.0}, false), 1U) << "beside it";
  EXPECT_EQ(parts_left(28, {55.0, 55.0}, false), 1U);
  EXPECT_EQ(parts_left(28, {55.0, 55.0}, true), 0U) << "with the light behind it";
}

// A part of 30 x 30 px: one drop of 5 px takes 20 x 20 of it at most, three of them more than all.
TEST(Poses, WhatHoldsHardlyMoreThanDropsThatWentIsTheDrops) {
  const auto drop = [](double x, double y, double reach_px = 6.0) {
    return DropChange{
        .at = {x, y}, .radius_px = 5.0, .reach_px = reach_px, .before = 4, .after = 5};
  };
  const auto parts_left = [](std::vector<DropChange> lost, std::vector<DropChange> appeared) {
    Movement movement = part_moved(30);
    Drops drops{.looked = true, .lost = std::move(lost), .appeared = std::move(appeared)};
    part_drops_and_movement(movement, drops);
    return movement.parts.size();
  };
  const std::vector<DropChange> three{drop(55, 55), drop(75, 55), drop(65, 75)};
  EXPECT_EQ(parts_left(three, {}), 0U);
  EXPECT_EQ(parts_left({three[0], three[1]}, {}), 1U) << "it holds more";
  EXPECT_EQ(parts_left(three, {drop(80, 59)}), 1U) << "they are back where it is";
  EXPECT_EQ(parts_left({three[0], three[1], drop(65, 75, 10.0)}, {}), 1U) << "one is long";
}

TEST(Poses, ADropOnALargePartThatMovedWentWithIt) {
  for (const DropFate fate : {DropFate::gone, DropFate::rolled}) {
    std::size_t drops = 9;
    EXPECT_EQ(parts_beside_a_drop(40, fate, &drops), 1U);
    EXPECT_EQ(drops, 0U);
  }
  EXPECT_EQ(parts_beside_a_drop(28, DropFate::gone), 1U);
  EXPECT_EQ(parts_beside_a_drop(18, DropFate::gone, nullptr, 10.0), 1U) << "long, as a leg is";
}

TEST(Poses, ADropBesideAPartThatMovedWentWithItIfThePartWasThere) {
  const auto drops_left = [](double x) {
    Movement movement = part_moved(60);  // from 50 to 110 px, by 4 px
    Drops drops{
        .looked = true,
        .lost = {{.at = {x, 80.0}, .radius_px = 5.0, .reach_px = 6.0, .before = 4, .after = 5}}};
    part_drops_and_movement(movement, drops);
    return drops.lost.size();
  };
  EXPECT_EQ(drops_left(42.0), 0U) << "8 px beside it: 4 that it moved, and the drop's own 5";
  EXPECT_EQ(drops_left(39.0), 1U);
  EXPECT_EQ(drops_left(118.0), 0U);
  EXPECT_EQ(drops_left(121.0), 1U);
}

TEST(Poses, BeginAtEachConflictOnce) {
  EXPECT_THAT(number_poses(6, std::array<std::size_t, 3>{4, 2, 4}), ElementsAre(0, 0, 1, 1, 2, 2));
  EXPECT_THAT(number_poses(3, std::vector<std::size_t>{}), ElementsAre(0, 0, 0));
}

TEST(Poses, TheBestIsCompleteOrElseCoversMost) {
  const std::array complete{pose(VerdictKind::reshoot, 0.99, 20),
                            pose(VerdictKind::complete, 0.98, 8)};
  EXPECT_EQ(best_pose(complete), 1U);
  const std::array most{pose(VerdictKind::reshoot, 0.4, 20), pose(VerdictKind::reshoot, 0.6, 8)};
  EXPECT_EQ(best_pose(most), 1U);
  const std::array same{pose(VerdictKind::reshoot, 0.5, 8), pose(VerdictKind::reshoot, 0.5, 8)};
  EXPECT_EQ(best_pose(same), 0U);
}

TEST(Poses, OnePoseThatIsCompleteMakesCompleteWithout) {
  const std::array poses{pose(VerdictKind::complete, 1.0, 12), pose(VerdictKind::reshoot, 0.5, 9)};
  const Verdict verdict = decide_with_conflicts(all(VerdictKind::complete), kMoved, poses);
  EXPECT_EQ(verdict.kind, VerdictKind::complete_without);
  ASSERT_EQ(verdict.reasons.size(), 2U);
  EXPECT_EQ(verdict.reasons[0].kind, ReasonKind::covered);
  EXPECT_EQ(verdict.reasons[1].kind, ReasonKind::moved);
}

TEST(Poses, NoneThatIsCompleteMakesAReshoot) {
  const std::array poses{pose(VerdictKind::reshoot, 0.7, 12), pose(VerdictKind::reshoot, 0.5, 9)};
  const Verdict moved = decide_with_conflicts(all(VerdictKind::complete), kMoved, poses);
  EXPECT_EQ(moved.kind, VerdictKind::reshoot);
  ASSERT_EQ(moved.reasons.size(), 1U);
  EXPECT_EQ(moved.reasons[0].kind, ReasonKind::moved);
  // What was missing before is missing still.
  const Verdict both = decide_with_conflicts(all(VerdictKind::reshoot), kMoved, poses);
  ASSERT_EQ(both.reasons.size(), 2U);
  EXPECT_EQ(both.reasons[0].kind, ReasonKind::open_end);
}

TEST(Poses, WithoutAConflictNothingChanges) {
  const std::array poses{pose(VerdictKind::complete, 1.0, 12)};
  EXPECT_EQ(decide_with_conflicts(all(VerdictKind::complete), {}, poses).kind,
            VerdictKind::complete);
  EXPECT_EQ(decide_with_conflicts(all(VerdictKind::cannot_tell), kMoved, poses).kind,
            VerdictKind::cannot_tell);
}

}  // namespace
}  // namespace ringsweep
