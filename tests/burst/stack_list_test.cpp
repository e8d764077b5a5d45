// Which frames go into the stack. The shortest path is held against the plain search over every set
// of frames, with what a set covers counted another way.

#include "ringsweep/stack_list.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <random>
#include <stdexcept>
#include <vector>

namespace ringsweep {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;
using Frames = std::vector<StackFrame>;
using Indices = std::vector<std::size_t>;
using enum WhyLeftOut;

Frames frames_at(const std::vector<double>& q_px) {
  Frames frames;
  for (const double q : q_px) frames.push_back({.q_px = q});
  return frames;
}

StackRange wanted(double low_px, double high_px) {
  return {.wanted = {.low_px = low_px, .high_px = high_px}};
}

StackList fewest(const Frames& frames, const StackRange& range, const StackOptions& options = {}) {
  const std::vector<StackList> lists = fewest_frames(frames, range, options);
  EXPECT_EQ(lists.size(), 1U);
  return lists.at(0);
}

StackList all_good(const Frames& frames, const StackRange& range,
                   const StackOptions& options = {}) {
  const std::vector<StackList> lists = all_good_frames(frames, range, options);
  EXPECT_EQ(lists.size(), 1U);
  return lists.at(0);
}

// A list counts its frames for 0.75 x 2 px = 1.5 px to either side, so steps may be 3 px.
TEST(FewestFrames, AStepMayBeThreeQuartersOfTheAllowedOne) {
  const Frames frames = frames_at({0.0, 1.5, 3.0, 4.5, 6.0});
  EXPECT_THAT(fewest(frames, wanted(-1.5, 7.5)).frames, ElementsAre(0, 2, 4));
  EXPECT_THAT(fewest(frames, wanted(-1.5, 7.5)).thin, IsEmpty());
  // One part in a thousand wider, and the frame between is needed.
  EXPECT_THAT(fewest(frames_at({0.0, 1.5, 3.003, 4.5, 6.0}), wanted(-1.5, 7.5)).frames,
              ElementsAre(0, 1, 2, 4));
}

TEST(FewestFrames, AnEndMayBeHalfAStepAway) {
  const Frames frames = frames_at({-1.0, 0.0, 1.5, 3.0, 4.0});
  EXPECT_THAT(fewest(frames, wanted(0.0, 3.0)).frames, ElementsAre(2));
  EXPECT_THAT(fewest(frames, wanted(-0.003, 3.0)).frames.size(), 2U);
}

TEST(FewestFrames, WithoutOverlapAStepMayBeTheAllowedOne) {
  const Frames frames = frames_at({0.0, 2.0, 4.0, 6.0, 8.0});
  EXPECT_THAT(fewest(frames, wanted(-2.0, 10.0), {.overlap = 0.0}).frames, ElementsAre(0, 2, 4));
  EXPECT_THAT(fewest(frames, wanted(0.0, 8.0), {.blur_limit_px = 4.0, .overlap = 0.0}).frames,
              ElementsAre(2));
}

TEST(FewestFrames, AGapIsBoundedByItsTwoFramesAndSaid) {
  const Frames frames = frames_at({0.0, 1.0, 2.0, 9.0, 10.0, 11.0});
  const StackList list = fewest(frames, wanted(0.0, 11.0));
  EXPECT_THAT(list.frames, ElementsAre(0, 2, 3, 5));
  ASSERT_EQ(list.thin.size(), 1U);
  EXPECT_EQ(list.thin[0].lower, 2U);
  EXPECT_EQ(list.thin[0].upper, 3U);
  EXPECT_DOUBLE_EQ(list.thin[0].thin_px, 7.0 - 2 * 1.5);
  EXPECT_DOUBLE_EQ(list.thin[0].soft_px, 7.0 - 2 * 2.0);
  EXPECT_THAT(list.left_out, ElementsAre(in_the_list, not_needed, in_the_list, in_the_list,
                                         not_needed, in_the_list));
}

TEST(FewestFrames, AnOpenEndIsSaid) {
  const StackList list = fewest(frames_at({0.0, 1.0, 2.0}), wanted(-1.75, 7.0));
  EXPECT_THAT(list.frames, ElementsAre(0, 2));
  ASSERT_EQ(list.thin.size(), 2U);
  EXPECT_FALSE(list.thin[0].lower);
  EXPECT_EQ(list.thin[0].upper, 0U);
  EXPECT_DOUBLE_EQ(list.thin[0].thin_px, 0.25);
  EXPECT_DOUBLE_EQ(list.thin[0].soft_px, 0.0);  // less overlap than asked for, but sharp
  EXPECT_EQ(list.thin[1].lower, 2U);
  EXPECT_FALSE(list.thin[1].upper);
  EXPECT_DOUBLE_EQ(list.thin[1].soft_px, 3.0);
}

TEST(FewestFrames, EmptyDepthNeedsNoFrame) {
  StackRange range = wanted(0.0, 12.0);
  const Frames frames = frames_at({0.0, 3.0, 6.0, 9.0, 12.0});
  EXPECT_THAT(fewest(frames, range).frames, ElementsAre(0, 1, 2, 3, 4));
  range.empty = {{.low_px = 4.5, .high_px = 7.5}};
  EXPECT_THAT(fewest(frames, range).frames, ElementsAre(0, 1, 3, 4));
  EXPECT_THAT(fewest(frames, range).thin, IsEmpty());
}

TEST(FewestFrames, OneSweepGoesBeforeSharperFramesOfTwo) {
  Frames frames = frames_at({0.0, 3.0, 6.0, 9.0, 9.0, 6.0, 3.0, 0.0});
  for (std::size_t k = 4; k < 8; ++k) frames[k].sweep = 1;
  frames[0].shake_px = frames[1].shake_px = 1.5;
  frames[6].shake_px = 1.6;
  EXPECT_THAT(fewest(frames, wanted(0.0, 9.0)).frames, ElementsAre(7, 6, 5, 4));
  frames[5].fault = dark;  // the second sweep is not complete any more
  EXPECT_THAT(fewest(frames, wanted(0.0, 9.0)).frames, ElementsAre(0, 1, 2, 3));
  frames[0].fault = dark;  // nor is the first: as few changes as can be
  EXPECT_THAT(fewest(frames, wanted(0.0, 9.0)).frames, ElementsAre(7, 1, 2, 3));
}

TEST(FewestFrames, OfTwoSetsTheUnmovedThenTheSharperThenTheEvenOne) {
  Frames frames = frames_at({1.0, 1.0, 1.0});
  const auto only = [&] { return fewest(frames, wanted(0.0, 2.0)).frames; };
  frames[0].moved = true;
  frames[1].shake_px = 1.0;
  EXPECT_THAT(only(), ElementsAre(2));
  frames[2].gain_ev = -0.6;  // worse than half a blur limit of shake
  EXPECT_THAT(only(), ElementsAre(1));
  frames[0].moved = false;
  EXPECT_THAT(only(), ElementsAre(0));
  // What nobody sees decides nothing; the middle of the range does.
  frames = frames_at({0.6, 1.1, 1.4});
  frames[1].shake_px = 0.4, frames[1].gain_ev = 0.2;
  EXPECT_THAT(only(), ElementsAre(1));
  // Even steps keep clear of what is allowed.
  EXPECT_THAT(fewest(frames_at({0.0, 2.0, 2.5, 3.0, 5.0}), wanted(0.0, 5.0)).frames,
              ElementsAre(0, 2, 4));
}

// With the last frame at 3.5 the first is best at 0.7, where (2 q)^2 + (3.5 - q)^2 is least.
TEST(FewestFrames, AnEndCountsAsHalfAStep) {
  EXPECT_THAT(fewest(frames_at({0.6004, 0.8, 3.5}), wanted(0.0, 5.0)).frames, ElementsAre(0, 2));
  EXPECT_THAT(fewest(frames_at({0.6, 0.7996, 3.5}), wanted(0.0, 5.0)).frames, ElementsAre(1, 2));
}

TEST(FewestFrames, LeftOutFramesHaveTheirReason) {
  Frames frames = frames_at({-9.0, -1.0, 0.05, 0.0, 1.0, 2.0, 3.0, 9.0});
  frames[3].idle = true;
  frames[4].fault = shaken;
  frames[5].q_px.reset();
  EXPECT_THAT(fewest(frames, wanted(0.0, 3.0)).left_out,
              ElementsAre(outside_range, not_needed, in_the_list, idle, shaken, no_position,
                          in_the_list, outside_range));
}

TEST(AllGoodFrames, TakesWhatTheEndsNeedFromOutside) {
  const Frames frames = frames_at({-5.0, -1.0, 1.8, 3.0, 4.5, 5.0, 7.0});
  const StackList list = all_good(frames, wanted(0.0, 5.0));
  EXPECT_THAT(list.frames, ElementsAre(1, 2, 3, 4, 5));
  EXPECT_THAT(list.thin, IsEmpty());
  EXPECT_THAT(list.left_out, ElementsAre(outside_range, in_the_list, in_the_list, in_the_list,
                                         in_the_list, in_the_list, outside_range));
  // 1.5 px is near enough.
  EXPECT_THAT(all_good(frames_at({-1.0, 1.5, 3.0}), wanted(0.0, 3.0)).frames, ElementsAre(1, 2));
}

TEST(AllGoodFrames, OfFramesThatStandStillTheBestStays) {
  Frames frames = frames_at({0.0, 2.0, 2.1, 2.2, 4.0, 6.0});
  frames[2].idle = frames[3].idle = true;
  frames[1].shake_px = 1.0;
  frames[3].gain_ev = 0.3;
  const StackList list = all_good(frames, wanted(0.0, 6.0));
  EXPECT_THAT(list.frames, ElementsAre(0, 2, 4, 5));
  EXPECT_EQ(list.left_out[1], idle);
  EXPECT_EQ(list.left_out[3], idle);
}

// Idle: less than a tenth of the allowed step, 4 px.
TEST(AllGoodFrames, StandingStillEndsAtATenthOfTheAllowedStep) {
  Frames frames = frames_at({0.0, 2.0, 2.3999, 4.0, 6.0});
  frames[2].idle = true;
  EXPECT_EQ(all_good(frames, wanted(0.0, 6.0)).frames.size(), 4U);
  frames[2].q_px = 2.4001;
  EXPECT_EQ(all_good(frames, wanted(0.0, 6.0)).frames.size(), 5U);
}

TEST(StackDefect, BeginsAtAQuarterOfTheBlurLimitAndOfAnEv) {
  const auto defect = [](double shake_px, double gain_ev) {
    return stack_defect({.shake_px = shake_px, .gain_ev = gain_ev}, {.blur_limit_px = 4.0});
  };
  EXPECT_EQ(defect(0.9999, 0.2499), 0);
  EXPECT_EQ(defect(1.0, 0.0), 6);  // 100 / 16, rounded
  EXPECT_EQ(defect(0.0, -0.25), 6);
  EXPECT_EQ(defect(4.0, 2.0), 500);
}

TEST(AllGoodFrames, ASlowTurnIsNotStandingStill) {
  std::vector<double> q_px;
  for (int k = 0; k <= 40; ++k) q_px.push_back(0.25 * k);
  Frames frames = frames_at(q_px);
  for (std::size_t k = 1; k < frames.size(); ++k) frames[k].idle = true;
  const StackList list = all_good(frames, wanted(0.0, 10.0));
  EXPECT_THAT(list.thin, IsEmpty());
  EXPECT_EQ(list.frames.size(), 21U);  // each stands for the next, 0.25 px on, not for the second
}

TEST(AllGoodFrames, NothingIsLostForADuplicate) {
  // 1.4 px before the gap; without the idle frame the gap would be wider.
  Frames frames = frames_at({0.0, 1.5, 1.6, 6.0});
  frames[2].idle = true;
  EXPECT_THAT(all_good(frames, wanted(0.0, 6.0)).frames, ElementsAre(0, 2, 3));
}

TEST(StackList, PosesAreNeverMixed) {
  Frames frames = frames_at({0.0, 2.0, 4.0, 6.0, 0.5, 2.5, 4.5, 6.5});
  for (std::size_t k = 4; k < 8; ++k) frames[k].pose = 3;
  frames[5].fault = dark;
  for (const auto& make : {all_good_frames, fewest_frames}) {
    const std::vector<StackList> lists = make(frames, wanted(0.0, 6.0), {.overlap = 0.0});
    ASSERT_EQ(lists.size(), 2U);
    EXPECT_EQ(lists[0].pose, 0U);
    EXPECT_EQ(lists[1].pose, 3U);
    for (const std::size_t k : lists[0].frames) EXPECT_LT(k, 4U);
    for (const std::size_t k : lists[1].frames) EXPECT_GE(k, 4U);
    EXPECT_EQ(lists[0].left_out[4], other_pose);
    EXPECT_EQ(lists[1].left_out[0], other_pose);
    EXPECT_EQ(lists[0].left_out[5], dark);
    EXPECT_EQ(lists[1].left_out[5], dark);
    EXPECT_THAT(lists[0].thin, IsEmpty());
    EXPECT_THAT(lists[1].thin, IsEmpty());  // 0.5 to 4.5: exactly the allowed step
  }
}

TEST(StackList, NothingToTakeIsAnEmptyList) {
  for (const Frames& frames : {Frames{}, Frames{StackFrame{}}, frames_at({40.0})}) {
    for (const auto& make : {all_good_frames, fewest_frames}) {
      const std::vector<StackList> lists = make(frames, wanted(0.0, 6.0), {});
      ASSERT_EQ(lists.size(), 1U);
      EXPECT_THAT(lists[0].frames, IsEmpty());
      ASSERT_EQ(lists[0].thin.size(), 1U);
      EXPECT_DOUBLE_EQ(lists[0].thin[0].soft_px, 6.0);
      EXPECT_FALSE(lists[0].thin[0].lower || lists[0].thin[0].upper);
    }
  }
}

TEST(StackList, RefusesWhatMakesNoSense) {
  const Frames frames = frames_at({0.0});
  EXPECT_THROW(fewest(frames, wanted(1.0, 0.0)), std::invalid_argument);
  EXPECT_THROW(fewest(frames, wanted(0.0, 1.0), {.blur_limit_px = 0.0}), std::invalid_argument);
  EXPECT_THROW(all_good(frames, wanted(0.0, 1.0), {.overlap = 1.0}), std::invalid_argument);
  EXPECT_THROW(all_good(frames, wanted(0.0, std::nan("")), {}), std::invalid_argument);
  StackRange range = wanted(0.0, 9.0);
  range.empty = {{.low_px = 4.0, .high_px = 5.0}, {.low_px = 1.0, .high_px = 2.0}};
  EXPECT_THROW(fewest(frames, range), std::invalid_argument);
}

// The slow twin: every set of frames, and what is thin counted point by point between all places
// where that can change.

double thin_px(const Frames& frames, unsigned set, const StackRange& range, double reach_px) {
  std::vector<double> edges{range.wanted.low_px, range.wanted.high_px};
  for (const DepthRange& e : range.empty) edges.insert(edges.end(), {e.low_px, e.high_px});
  for (std::size_t k = 0; k < frames.size(); ++k)
    if ((set >> k & 1U) != 0)
      edges.insert(edges.end(), {*frames[k].q_px - reach_px, *frames[k].q_px + reach_px});
  std::ranges::sort(edges);
  double length = 0.0;
  for (std::size_t i = 1; i < edges.size(); ++i) {
    const double x = 0.5 * (edges[i - 1] + edges[i]);
    bool counts = x > range.wanted.low_px && x < range.wanted.high_px;
    for (const DepthRange& e : range.empty) counts = counts && !(x > e.low_px && x < e.high_px);
    for (std::size_t k = 0; k < frames.size(); ++k)
      counts = counts && !((set >> k & 1U) != 0 && std::abs(x - *frames[k].q_px) < reach_px);
    if (counts) length += edges[i] - edges[i - 1];
  }
  return length;
}

/// What decides between sets that are equally thin and large, in its order.
std::array<double, 4> next_criteria(const Frames& frames, Indices set, const StackRange& range) {
  std::ranges::stable_sort(set, {}, [&](std::size_t k) { return *frames[k].q_px; });
  std::array<double, 4> all{};
  for (std::size_t i = 0; i < set.size(); ++i) {
    all[1] += frames[set[i]].moved ? 1.0 : 0.0;
    all[2] += stack_defect(frames[set[i]]);
    if (i == 0) continue;
    all[0] += frames[set[i]].sweep != frames[set[i - 1]].sweep ? 1.0 : 0.0;
    all[3] += std::pow(*frames[set[i]].q_px - *frames[set[i - 1]].q_px, 2);
  }
  if (!set.empty()) {
    const double low = *frames[set.front()].q_px - range.wanted.low_px;
    const double high = range.wanted.high_px - *frames[set.back()].q_px;
    all[3] += std::pow(2.0 * std::max(0.0, low), 2) + std::pow(2.0 * std::max(0.0, high), 2);
  }
  return all;
}

TEST(FewestFrames, IsWhatTheSearchOverEverySetFinds) {
  std::mt19937 random(20);
  const auto uniform = [&](double low, double high) {
    return std::uniform_real_distribution(low, high)(random);
  };
  int short_of_overlap = 0;
  for (int burst = 0; burst < 120; ++burst) {
    const std::size_t n = burst < 6 ? 16 : 1 + static_cast<std::size_t>(burst) % 11;
    const double depth_px = uniform(2.0, static_cast<double>(n) + 2.0);
    Frames frames;
    for (std::size_t k = 0; k < n; ++k) {
      StackFrame& frame = frames.emplace_back();
      // A coarse grid, so that there are ties; exact in binary, so that the sums below are.
      frame.q_px = std::round(uniform(-4.0, depth_px + 4.0) * 8.0) / 8.0;
      frame.sweep = static_cast<std::size_t>(uniform(0.0, 2.99));
      frame.moved = uniform(0.0, 1.0) < 0.2;
      frame.shake_px = uniform(0.0, 1.0) < 0.3 ? uniform(0.0, 2.0) : 0.0;
      frame.gain_ev = uniform(-0.6, 0.3);
    }
    StackRange range = wanted(0.0, std::round(depth_px * 8.0) / 8.0);
    if (burst % 3 == 0 && depth_px > 6.0) range.empty = {{.low_px = 2.5, .high_px = 4.75}};
    const double reach_px = 1.5;
    const unsigned sets = 1U << n;
    const double least_thin = thin_px(frames, sets - 1, range, reach_px);
    std::size_t least_frames = n;
    std::array<double, 4> least{};
    for (unsigned set = 0; set < sets; ++set) {
      const auto size = static_cast<std::size_t>(std::popcount(set));
      if (size > least_frames || thin_px(frames, set, range, reach_px) != least_thin) continue;
      Indices indices;
      for (std::size_t k = 0; k < n; ++k)
        if ((set >> k & 1U) != 0) indices.push_back(k);
      const std::array<double, 4> criteria = next_criteria(frames, indices, range);
      if (size < least_frames || criteria < least || set == sets - 1)
        least_frames = size, least = criteria;
    }
    const StackList list = fewest(frames, range);
    double thin = 0.0;
    for (const ThinPlace& place : list.thin) thin += place.thin_px;
    short_of_overlap += list.thin.empty() ? 0 : 1;
    EXPECT_DOUBLE_EQ(thin, least_thin) << "burst " << burst;
    ASSERT_EQ(list.frames.size(), least_frames) << "burst " << burst;
    EXPECT_EQ(next_criteria(frames, list.frames, range), least) << "burst " << burst;
    // The other list leaves nothing more thin, whatever is left out of it.
    double all_good_thin = 0.0;
    for (const ThinPlace& place : all_good(frames, range).thin) all_good_thin += place.thin_px;
    EXPECT_DOUBLE_EQ(all_good_thin, least_thin) << "burst " << burst;
  }
  // Bursts of both kinds were among them.
  EXPECT_GT(short_of_overlap, 20);
  EXPECT_LT(short_of_overlap, 100);
}

}  // namespace
}  // namespace ringsweep
