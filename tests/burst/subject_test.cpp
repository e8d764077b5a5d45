// Which tiles are the subject. No outside source: the rules are ours and stand in subject.h. Room
// in comparisons is none: positions go through unchanged.
#include "ringsweep/subject.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <optional>
#include <random>
#include <stdexcept>
#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

constexpr int kRows = 60, kCols = 80;
constexpr double kBlurPx = 2.0;

/// Where the tile at a row and column focuses; nothing where there is none.
using Scene = std::function<std::optional<double>(int row, int col)>;

struct Made {
  Profiles profiles;
  FocalPositions focus;
};

Made made(const Scene& scene, const FocalPositions& frames) {
  Made result{.profiles = {}, .focus = frames};
  result.profiles.grid = {.size = {8 * kCols, 8 * kRows}, .tile_px = 8};
  for (int row = 0; row < kRows; ++row) {
    for (int col = 0; col < kCols; ++col) {
      const std::optional<double> q = scene(row, col);
      if (!q) continue;
      TileProfile tile;
      tile.row = row;
      tile.col = col;
      result.profiles.tiles.push_back(tile);
      result.focus.tiles.push_back({.q_px = *q, .weight = 1.0});
    }
  }
  return result;
}

Subject subject_of(const Scene& scene, const FocalPositions& frames, const SubjectWish& wish = {},
                   const SubjectOptions& options = {}) {
  const Made m = made(scene, frames);
  return find_subject(m.profiles, m.focus, kBlurPx, {}, wish, options);
}

/// The different positions of a subject.
std::vector<double> depths(const Subject& subject) {
  std::vector<double> result = subject.positions_px;
  result.erase(std::unique(result.begin(), result.end()), result.end());
  return result;
}

/// Squares of 4 x 4 tiles, one for each position, away from the border and from each other.
Scene squares(std::vector<double> q) {
  return [q = std::move(q)](int row, int col) -> std::optional<double> {
    const int y = row - 10, x = col - 6;
    if (y < 0 || x < 0 || y % 10 >= 4 || x % 10 >= 4) return std::nullopt;
    const auto i = static_cast<std::size_t>(y / 10 * 7 + x / 10);
    return x / 10 < 7 && i < q.size() ? std::optional(q[i]) : std::nullopt;
  };
}

const FocalPositions kSweep = frames_at({0.0, 10.0, 20.0, 30.0});

/// An animal: a ball of 24 tiles in the middle of the picture, its front at `front` px, going back
/// as a parabola by 12 px to its outline.
std::optional<double> ball(int row, int col, double front) {
  const double r = std::hypot(row - 25.0, col - 40.0) / 12.0;
  return r <= 1.0 ? std::optional(front - 12.0 * r * r) : std::nullopt;
}

/// A leaf below it, from the left border to the right one, rising from `left` px by 0.5 px a tile.
std::optional<double> leaf(int row, int col, double left) {
  return row >= 38 && row < 46 ? std::optional(left + 0.5 * col) : std::nullopt;
}

Scene animal_on_leaf(double front, double leaf_left) {
  return [=](int row, int col) {
    const auto animal = ball(row, col, front);
    return animal ? animal : leaf(row, col, leaf_left);
  };
}

TEST(Subject, InsideTheSweepAllCountInRisingOrder) {
  // 29 px apart, and nothing between.
  EXPECT_THAT(depths(subject_of(squares({29.5, 0.0, 0.5, 30.0}), kSweep)),
              ElementsAre(0.0, 0.5, 29.5, 30.0));
}

TEST(Subject, OrderOfTheFramesDoesNotMatter) {
  EXPECT_THAT(depths(subject_of(squares({3.0, 29.0}), frames_at({20.0, 0.0, 30.0, 10.0}))),
              ElementsAre(3.0, 29.0));
}

TEST(Subject, TilesThatFitBadlyDoNotCount) {
  Made m = made(squares({5.0, 6.0}), kSweep);
  for (TilePosition& tile : m.focus.tiles) tile.weight = tile.q_px == 5.0 ? 0.049 : 0.05;
  const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {});
  EXPECT_THAT(depths(s), ElementsAre(6.0));
  EXPECT_EQ(s.roles.front(), TileRole::stray);
}

TEST(Subject, TilesThatAgreeWithNoNeighbourAreStray) {
  // Noise all over the picture, one tile in six, at random depths from -20 to 50 px.
  std::mt19937 random(3);
  std::uniform_real_distribution<double> share(0.0, 1.0), depth(-20.0, 50.0);
  const Scene noisy = [&](int row, int col) -> std::optional<double> {
    const bool here = share(random) < 1.0 / 6.0;
    const double q = depth(random);
    if (const auto animal = ball(row, col, 25.0)) return animal;
    return here ? std::optional(q) : std::nullopt;
  };
  const Subject s = subject_of(noisy, kSweep);
  // Two of eight neighbours within 2.5 of 70 px by chance: 28 pairs x (1/6 x 5/70)^2 = 0.4 %, 3 of
  // 720 noisy tiles; fewer than three together are none beyond an end.
  EXPECT_GE(s.positions_px.front(), 0.0);
  EXPECT_LE(s.positions_px.back(), 30.0);
  EXPECT_LT(std::ranges::count(s.roles, TileRole::subject), 452 + 10);  // of the ball: pi x 12^2
}

TEST(Subject, BeyondAnEndItGoesOnUpToTheFirstBreak) {
  const SubjectOptions options{.island_gap_px = 6.0, .reach_px = 100.0};
  const std::vector<double> q{15.0, 35.9, 41.9, 48.0, 49.0};  // 6.0 apart, then 6.1
  EXPECT_THAT(depths(subject_of(squares(q), kSweep, {}, options)), ElementsAre(15.0, 35.9, 41.9));
  EXPECT_THAT(depths(subject_of(squares({-15.0, -35.9, -41.9, -48.0, -49.0}),
                                frames_at({0.0, -30.0}), {}, options)),
              ElementsAre(-41.9, -35.9, -15.0));
}

TEST(Subject, FartherThanTheReachNothingCounts) {
  const std::vector<double> q = evenly(25.0, 50.0, 26);
  EXPECT_EQ(subject_of(squares(q), kSweep).positions_px.back(), 44.0);
  EXPECT_EQ(subject_of(squares(q), kSweep, {}, {.reach_px = 3.5}).positions_px.back(), 33.0);
}

TEST(Subject, FramesThatAreNotUsableReachNowhere) {
  FocalPositions focus = frames_at({0.0, 10.0, 20.0, 40.0});
  EXPECT_THAT(depths(subject_of(squares({5.0, 33.0}), focus)), ElementsAre(5.0, 33.0));
  focus.frames[3].usable = false;
  EXPECT_THAT(depths(subject_of(squares({5.0, 33.0}), focus)), ElementsAre(5.0));
  forget(focus, 3);
  EXPECT_THAT(depths(subject_of(squares({5.0, 33.0}), focus)), ElementsAre(5.0));
}

TEST(Subject, NoFrameOrNoTileIsNoSubject) {
  EXPECT_THAT(subject_of(squares({1.0, 2.0}), frames_at({})).positions_px, IsEmpty());
  EXPECT_THAT(subject_of(squares({}), kSweep).positions_px, IsEmpty());
  EXPECT_FALSE(subject_of(squares({}), kSweep).trusted);
}

/// An animal on a leaf that lies in the sweep: nowhere sharp, 14 to 26 px beyond its upper end, and
/// so blurred that its tiles fit badly and err by 6 px.
Made animal_missed(const Scene& animal) {
  std::mt19937 random(5);
  std::normal_distribution<double> err_px(0.0, 6.0);
  Made m = made(
      [&](int row, int col) {
        const double err = err_px(random);
        if (const auto q = animal(row, col)) return std::optional(*q + err);
        return leaf(row, col, -5.0);
      },
      kSweep);
  for (std::size_t t = 0; t < m.profiles.tiles.size(); ++t)
    if (animal(m.profiles.tiles[t].row, m.profiles.tiles[t].col)) m.focus.tiles[t].weight = 0.01;
  return m;
}

TEST(Subject, BodyThatIsNowhereSharpIsMissed) {
  const auto animal = [](int row, int col) { return ball(row, col, 42.0); };
  const Made m = animal_missed(animal);
  const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {});
  EXPECT_TRUE(s.trusted);
  const auto beyond = std::ranges::count_if(s.positions_px, [](double q) { return q > 32.0; });
  EXPECT_GT(beyond, 300);  // of the ball's 452, a few of whose rim err to within the sweep
  // The front is told from many tiles: single ones err by up to three times their 6 px.
  EXPECT_NEAR(s.positions_px.back(), 42.0, 4.0);
}

TEST(Subject, BodyFartherThanTheReachIsTakenToLieThere) {
  const Made m = animal_missed([](int row, int col) { return ball(row, col, 72.0); });
  const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {});
  EXPECT_EQ(s.positions_px.back(), 30.0 + SubjectOptions{}.reach_px);
  EXPECT_GT(std::ranges::count(s.positions_px, s.positions_px.back()), 400);
}

TEST(Subject, BlurredBladeThatRunsOutOfThePictureIsNoBody) {
  const Made m = animal_missed([](int row, int col) {
    return row < 38 && std::abs(col - 40) < 12 ? std::optional(42.0) : std::nullopt;
  });
  EXPECT_LE(find_subject(m.profiles, m.focus, kBlurPx, {}).positions_px.back(), 36.0);  // the leaf
}

TEST(Subject, BlurredSpeckIsNoBody) {
  // 45 tiles: less than a fiftieth of the picture's 4800.
  const Made m = animal_missed([](int row, int col) {
    return std::hypot(row - 25.0, col - 40.0) <= 3.8 ? std::optional(42.0) : std::nullopt;
  });
  EXPECT_LE(find_subject(m.profiles, m.focus, kBlurPx, {}).positions_px.back(), 36.0);
}

TEST(Subject, BlurredBodyThatTheUserDoesNotMeanIsNone) {
  const Made m = animal_missed([](int row, int col) { return ball(row, col, 42.0); });
  const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {}, {.high_px = 31.0});
  EXPECT_LE(s.positions_px.back(), 31.0);
}

TEST(Subject, LeafThatRunsOutOfThePictureOpensNoEnd) {
  // The leaf goes from -5 to 34.5 px, the frames from 0 to 30, the animal from 8 to 20.
  const Subject s = subject_of(animal_on_leaf(20.0, -5.0), kSweep);
  EXPECT_TRUE(s.trusted);
  EXPECT_TRUE(s.perch_low);
  EXPECT_TRUE(s.perch_high);
  // It counts as far as the animal does, and the blur limit.
  EXPECT_GE(s.positions_px.front(), 8.0 - kBlurPx);
  EXPECT_LE(s.positions_px.back(), 20.0 + kBlurPx);
  EXPECT_GT(std::ranges::count(s.roles, TileRole::perch), 8 * 40);
}

/// An animal from 8 to 20 px on a leaf that fills the lower two thirds of the picture, at 38 px at
/// its rim behind the animal and 9 px at the lower border; bent by so many px on top of that.
Scene animal_on_wide_leaf(const std::function<double(int row, int col)>& bent_px) {
  return [=](int row, int col) -> std::optional<double> {
    if (const auto animal = ball(row - 15, col, 20.0)) return animal;
    return row >= 20 ? std::optional(38.0 - 0.75 * (row - 20) + bent_px(row, col)) : std::nullopt;
  };
}

/// A hump in the middle, of a height.
double hump(int col, double height_px) {
  return height_px * std::exp(-0.5 * std::pow((col - 40.0) / 14.0, 2));
}

TEST(Subject, WideLeafThatBendsOpensNoEnd) {
  // Its middle bends away by 5 px where it is blurred in all frames, and reaches no border there.
  const Scene humped =
      animal_on_wide_leaf([](int row, int col) { return row < 36 ? hump(col, 5.0) : 0.0; });
  const Subject s = subject_of(humped, kSweep);
  EXPECT_TRUE(s.trusted);
  EXPECT_TRUE(s.perch_high);
  EXPECT_LE(s.positions_px.back(), 30.0 + kBlurPx);
}

TEST(Subject, WideLeafThatBendsIsNoAnimal) {
  // A bowl, its sides up by 20 px: planes hold parts of it only.
  const Scene bowl = animal_on_wide_leaf(
      [](int, int col) { return 20.0 * std::pow((col - 40.0) / 40.0, 2) - 10.0; });
  const Subject s = subject_of(bowl, kSweep);
  EXPECT_TRUE(s.trusted);
  EXPECT_GE(s.animal_px.front(), 8.0 - 0.25 * kBlurPx);
  EXPECT_LE(s.animal_px.back(), 20.0 + 0.25 * kBlurPx);
}

TEST(Subject, LeafCountsToItsEndWhereTheSweepGoesOnPastIt) {
  // The animal lies from 8 to 20 px, the frames from 0 to 30. The leaf ends at 4 px, which the
  // sweep passes by two blur limits; and at 25, which it does as well, or at 29, which it hardly
  // does.
  const auto with_leaf_to = [](double right) {
    return subject_of(
        [=](int row, int col) {
          const auto animal = ball(row, col, 20.0);
          return animal || row < 38 || row >= 46
                     ? animal
                     : std::optional(4.0 + (right - 4.0) * col / (kCols - 1));
        },
        kSweep);
  };
  const Subject passed = with_leaf_to(25.0);
  EXPECT_EQ(passed.positions_px.front(), 4.0);
  EXPECT_EQ(passed.positions_px.back(), 25.0);
  // The animal's own ends are told to a quarter of the blur limit.
  EXPECT_GE(passed.animal_px.front(), 8.0 - 0.25 * kBlurPx);
  EXPECT_LE(passed.animal_px.back(), 20.0 + 0.25 * kBlurPx);
  EXPECT_GT(passed.animal_px.size(), 452U) << "and what it stands on";
  const Subject not_passed = with_leaf_to(29.0);
  EXPECT_EQ(not_passed.positions_px.front(), 4.0);
  EXPECT_LE(not_passed.positions_px.back(), 20.0 + kBlurPx);
}

TEST(Subject, LeafIsFoundBelowAnAnimalWithMoreTilesInOnePlane) {
  // A disc of 452 tiles at 10 px, and a leaf of 320 from 5 px at the left border to 35 at the
  // right: a plane through its left end and the disc has more tiles than its own, and reaches no
  // border.
  const Scene flat = [](int row, int col) -> std::optional<double> {
    if (std::hypot(row - 25.0, col - 40.0) <= 12.0) return 10.0;
    return row >= 42 && row < 46 ? std::optional(5.0 + 0.375 * col) : std::nullopt;
  };
  const Subject s = subject_of(flat, kSweep);
  EXPECT_TRUE(s.perch_high);
  EXPECT_LE(s.positions_px.back(), 10.0 + kBlurPx);
}

TEST(Subject, AnimalThatGoesOnBeyondTheEndIsMissedForNoLeaf) {
  // Its front is at 36, 6 px beyond the last frame, and the leaf below it as near.
  const Subject s = subject_of(animal_on_leaf(36.0, 16.0), kSweep);
  EXPECT_GT(s.positions_px.back(), 35.5);
  // 6 of 12 px of the parabola, so half of the ball's area, lie beyond the frame.
  const auto beyond = std::ranges::count_if(s.positions_px, [](double q) { return q > 30.0; });
  EXPECT_NEAR(static_cast<double>(beyond), 452.0 / 2.0, 30.0);  // tiles on its rim: 2 pi 12 / 3
}

TEST(Subject, AnimalThatStandsOnALeafBeyondTheEndIsNoLeaf) {
  // The ball reaches down to the leaf, and both are beyond the last frame there: the ball's front
  // at 38 px, the leaf at 26 to 36.
  const Scene joined = [](int row, int col) {
    const double r = std::hypot(row - 27.0, col - 40.0) / 12.0;
    if (r <= 1.0) return std::optional(38.0 - 4.0 * r * r);
    return leaf(row, col, 0.0) ? std::optional(26.0 + 0.125 * col) : std::nullopt;
  };
  const Subject s = subject_of(joined, kSweep);
  EXPECT_TRUE(s.trusted);
  EXPECT_GT(s.positions_px.back(), 37.0);
  // All of the ball's 452 tiles lie beyond, but for the rim that may pass for the leaf.
  const auto beyond = std::ranges::count_if(s.positions_px, [](double q) { return q > 32.0; });
  EXPECT_GT(beyond, 350);
}

TEST(Subject, AnimalInTheLeafsOwnPlaneIsTooThickForIt) {
  // A disc of 12 tiles in the very plane of a stem of 4: the stem's end beyond the sweep is perch,
  // the disc is not.
  const Scene flat = [](int row, int col) -> std::optional<double> {
    const bool stem = row >= 28 && row < 32, disc = std::hypot(row - 30.0, col - 60.0) <= 12.0;
    return stem || disc ? std::optional(5.0 + 0.5 * col) : std::nullopt;
  };
  const Subject s = subject_of(flat, kSweep);
  EXPECT_GT(s.positions_px.back(), 39.0);  // the disc reaches 41 px at column 72
  const Subject stem_only = subject_of(
      [](int row, int col) {
        return row >= 28 && row < 32 ? std::optional(5.0 + 0.5 * col) : std::nullopt;
      },
      kSweep);
  EXPECT_FALSE(stem_only.trusted);  // there is nothing but the stem
}

TEST(Subject, AnimalWhoseFeelerLeavesThePictureIsStillAnAnimal) {
  const Scene head = [](int row, int col) -> std::optional<double> {
    if (std::hypot(row - 20.0, col - 60.0) <= 6.0) return 36.0;
    if (row == 20 && col > 60) return 36.0;  // a feeler, one tile thick
    return std::hypot(row - 30.0, col - 40.0) <= 12.0 ? std::optional(15.0) : std::nullopt;
  };
  EXPECT_EQ(subject_of(head, kSweep).positions_px.back(), 36.0);
}

TEST(Subject, AllThatRunsOutOfThePictureHasEndsThatNobodyKnows) {
  const Scene slope = [](int row, int) { return std::optional(-10.0 + 0.8 * row); };
  const Subject s = subject_of(slope, kSweep);
  EXPECT_FALSE(s.trusted);
  EXPECT_FALSE(s.positions_px.empty());
}

TEST(Subject, PieceAtTheBorderOfWhatAllFramesSeeRunsOutOfThePicture) {
  // A square of tiles beyond the end, in the middle of the picture: subject, unless some frames do
  // not see beside it.
  const Scene scene = squares({5.0, 10.0, 15.0, 34.0});
  const Made m = made(scene, kSweep);
  cv::Mat all_see(kRows, kCols, CV_8UC1, cv::Scalar(255));
  EXPECT_EQ(find_subject(m.profiles, m.focus, kBlurPx, {.all_see = all_see, .bands = {}})
                .positions_px.back(),
            34.0);
  all_see.colRange(41, kCols).setTo(0);  // the square is in columns 36 to 39
  const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {.all_see = all_see, .bands = {}});
  EXPECT_EQ(s.positions_px.back(), 15.0);
  EXPECT_TRUE(s.perch_high);
}

/// An animal from 8 to 20 px, and below it a strip of four tiles that keeps well away from the
/// border, from `left` to `right` px.
Scene animal_over_strip(double left, double right) {
  return [=](int row, int col) -> std::optional<double> {
    constexpr int kFrom = 9, kTo = 70;
    if (row >= 40 && row < 44 && col >= kFrom && col <= kTo)
      return left + (right - left) * (col - kFrom) / (kTo - kFrom);
    return ball(row, col, 20.0);
  };
}

TEST(Subject, StripThatFadesAtBothEndsOpensNone) {
  // Both its ends are where the frames, from 0 to 30, do not focus.
  const Subject s = subject_of(animal_over_strip(-5.0, 35.0), kSweep);
  EXPECT_TRUE(s.trusted);
  EXPECT_TRUE(s.perch_low);
  EXPECT_TRUE(s.perch_high);
  EXPECT_GE(s.positions_px.front(), 8.0 - kBlurPx);
  EXPECT_LE(s.positions_px.back(), 20.0 + kBlurPx);
}

TEST(Subject, InAShallowSweepAStripMayBeTheAnimal) {
  const Subject s = subject_of(animal_over_strip(-5.0, 30.0), frames_at({0.0, 12.0, 25.0}));
  EXPECT_GT(s.positions_px.back(), 29.0);
}

TEST(Subject, StripOfWhichOneEndIsSeenIsALongAnimal) {
  // It ends at 12 px, in the middle of the sweep; the other end is missed.
  const Subject s = subject_of(animal_over_strip(12.0, 36.0), kSweep);
  EXPECT_GT(s.positions_px.back(), 35.0);
  EXPECT_FALSE(s.perch_high);
}

TEST(Subject, StripThatBeginsAndEndsInFrontOfTheSweepIsTheAnimalsFront) {
  // From 33 to 37 px, the frames from 0 to 30.
  const Subject s = subject_of(animal_over_strip(33.0, 37.0), kSweep);
  EXPECT_GT(s.positions_px.back(), 36.0);
  EXPECT_FALSE(s.perch_high);
}

TEST(Subject, AnimalInTheStripsOwnPlaneIsTooThickForIt) {
  // A disc of 12 tiles in the plane of a strip of three, where that is beyond the frames.
  const Scene flat = [](int row, int col) -> std::optional<double> {
    const bool strip = std::abs(row - 30) <= 1 && col >= 8 && col < 72;
    const bool disc = std::hypot(row - 30.0, col - 52.0) <= 12.0;
    return strip || disc ? std::optional(-5.0 + 0.625 * col) : std::nullopt;
  };
  // The disc reaches 35 px at column 64.
  EXPECT_GT(subject_of(flat, kSweep).positions_px.back(), 33.0);
}

TEST(Subject, WhatLiesOnABandOpensNoEndNorDoesADropOnIt) {
  // A stem of 3 x 20 tiles beyond the end that shows no texture farther out; a drop of 2 x 2 tiles
  // on it, that is no band itself; and a feeler as near, away from both.
  const Scene scene = [](int row, int col) -> std::optional<double> {
    if (row >= 40 && row < 43 && col >= 20 && col < 40)
      return row < 42 && col >= 30 && col < 32 ? 35.5 : 34.0;
    if (row >= 10 && row < 12 && col >= 20 && col < 30) return 34.0;
    return ball(row, col, 20.0);
  };
  const Made m = made(scene, kSweep);
  EXPECT_GT(find_subject(m.profiles, m.focus, kBlurPx, {}).positions_px.back(), 35.0);
  cv::Mat bands(kRows, kCols, CV_8UC1, cv::Scalar(0));
  bands(cv::Rect(15, 39, kCols - 15, 5)) = 255;
  bands(cv::Rect(30, 40, 2, 2)) = 0;
  Subject s = find_subject(m.profiles, m.focus, kBlurPx, {.all_see = {}, .bands = bands});
  EXPECT_EQ(s.positions_px.back(), 34.0);  // the feeler
  EXPECT_EQ(std::ranges::count(s.roles, TileRole::perch), 60);
  EXPECT_TRUE(s.perch_high);
}

TEST(Subject, ABandThatIsHiddenGoesOnAsItDid) {
  // A stem of four tiles from left to right, bent so much in depth (0.02 px a tile squared) that it
  // lies in no plane, and seen as a band in the right third alone. The animal goes from 8 to 20 px,
  // the frames from 0 to 30, the stem farther on both sides.
  const auto stem_q = [](int col) { return 36.0 - 0.02 * (kCols - 1 - col) * (kCols - 1 - col); };
  const Scene scene = [&](int row, int col) -> std::optional<double> {
    if (row >= 40 && row < 44) return stem_q(col);
    return ball(row, col, 20.0);
  };
  const Made m = made(scene, kSweep);
  const auto lowest = [&](const cv::Rect& seen) {
    cv::Mat bands(kRows, kCols, CV_8UC1, cv::Scalar(0));
    bands(seen) = 255;
    const Subject s = find_subject(m.profiles, m.focus, kBlurPx, {.all_see = {}, .bands = bands});
    EXPECT_TRUE(s.trusted);
    return s.positions_px.front();
  };
  EXPECT_LT(lowest({}), 1.0);  // a px a tile there
  EXPECT_GE(lowest({52, 40, kCols - 52, 4}), 8.0 - kBlurPx);
  EXPECT_LT(lowest({52, 41, kCols - 52, 1}), 1.0);  // so thin a feeler is
}

TEST(Subject, WhatTheUserSaysIsBelieved) {
  cv::Mat mask(kRows, kCols, CV_8UC1, cv::Scalar(0));
  mask.rowRange(38, 46).setTo(255);  // the leaf, of all things
  const Subject leaf_only = subject_of(animal_on_leaf(20.0, -5.0), kSweep, {.mask = mask});
  EXPECT_TRUE(leaf_only.said);
  EXPECT_TRUE(leaf_only.trusted);
  EXPECT_EQ(leaf_only.positions_px.front(), -5.0);
  EXPECT_EQ(leaf_only.positions_px.back(), 34.5);
  EXPECT_EQ(std::ranges::count(leaf_only.roles, TileRole::subject), 8 * kCols);

  const Subject range =
      subject_of(animal_on_leaf(20.0, -5.0), kSweep, {.low_px = 12.0, .high_px = 15.0});
  EXPECT_TRUE(range.said);
  EXPECT_GE(range.positions_px.front(), 12.0);
  EXPECT_LE(range.positions_px.back(), 15.0);
}

TEST(Subject, MaskOfAnotherSizeIsACallersMistake) {
  const Made m = made(squares({5.0}), kSweep);
  const cv::Mat wrong(kRows, kCols - 1, CV_8UC1, cv::Scalar(255));
  EXPECT_THROW((void)find_subject(m.profiles, m.focus, kBlurPx, {}, {.mask = wrong}),
               std::invalid_argument);
  EXPECT_THROW((void)find_subject(m.profiles, m.focus, kBlurPx, {.all_see = wrong, .bands = {}}),
               std::invalid_argument);
}

TEST(OutsidePicture, IsWhatNoFrameSeesWhereItIsSharp) {
  // Squares at 5 and 10 px in columns 6 to 9 and 16 to 19; frames at 4, 6 and 10 px.
  const Made m = made(squares({5.0, 10.0}), frames_at({4.0, 6.0, 10.0}));
  const Subject subject = find_subject(m.profiles, m.focus, kBlurPx, {});
  ASSERT_EQ(subject.positions_px.size(), 32U);
  std::vector<cv::Mat> seen(3);
  for (cv::Mat& mask : seen) mask = cv::Mat(kRows, kCols, CV_8UC1, cv::Scalar(255));
  EXPECT_EQ(outside_picture(m.profiles, m.focus, subject, seen, kBlurPx).subject_share, 0.0);
  // The frame at 4 px misses half of the first square, but that at 6 px shows it.
  seen[0].colRange(0, 8).setTo(0);
  EXPECT_EQ(outside_picture(m.profiles, m.focus, subject, seen, kBlurPx).subject_share, 0.0);
  seen[1].colRange(0, 8).setTo(0);
  const Outside both = outside_picture(m.profiles, m.focus, subject, seen, kBlurPx);
  EXPECT_EQ(both.subject_share, 8.0 / 32.0);
  EXPECT_EQ(both.first_frame, 0U);
  EXPECT_EQ(both.last_frame, 1U);
  // What is sharp nowhere is a gap's business.
  EXPECT_EQ(outside_picture(m.profiles, m.focus, subject, seen, 0.5).subject_share, 0.0);
  seen.pop_back();
  EXPECT_THROW((void)outside_picture(m.profiles, m.focus, subject, seen, kBlurPx),
               std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
