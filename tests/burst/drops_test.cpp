// Drops on bursts made here: a textured ground and bright spots, each frame blurred by discs as its
// focal position says, with photon noise.

#include "ringsweep/drops.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <stdexcept>
#include <vector>

#include "ringsweep/profiles.h"

namespace ringsweep {
namespace {

constexpr int kSidePx = 200;
constexpr int kTilePx = 8;
constexpr double kDropRadiusPx = 5.0;

/// A burst of one depth: every frame shows `scene(k)` under a disc of |q_k| px.
struct Made {
  std::vector<DropFrame> frames{};
  std::vector<PackedPicture> pictures{};
  std::vector<std::vector<Spot>> spots{};
  std::vector<ChangedPlace> changed{};
  cv::Mat tile_q_px = cv::Mat(kSidePx / kTilePx, kSidePx / kTilePx, CV_32FC1, cv::Scalar(0));
  [[nodiscard]] Drops found() const {
    return find_drops(frames, pictures, spots, changed, tile_q_px, kTilePx);
  }
};

cv::Mat texture(std::uint64_t seed) {
  cv::RNG rng(seed);
  cv::Mat fine(kSidePx, kSidePx, CV_32FC1), coarse(kSidePx, kSidePx, CV_32FC1);
  rng.fill(fine, cv::RNG::NORMAL, 0.0, 0.12);
  rng.fill(coarse, cv::RNG::NORMAL, 0.0, 0.5);
  cv::GaussianBlur(fine, fine, {}, 0.8);
  cv::GaussianBlur(coarse, coarse, {}, 4.0);
  return 0.25 + fine + coarse;
}

/// Dark with a pale middle, and the light's picture up and to the left.
void add_drop(cv::Mat& light, cv::Point at) {
  cv::circle(light, at, static_cast<int>(kDropRadiusPx), cv::Scalar(0.08), cv::FILLED);
  cv::circle(light, at, 3, cv::Scalar(0.3), cv::FILLED);
  light(cv::Rect(at.x - 3, at.y - 3, 3, 3)) = 2.5;
}

cv::Mat out_of_focus(const cv::Mat& light, double diameter_px) {
  cv::Mat blurred;
  cv::filter2D(light, blurred, CV_32F, disc_kernel(std::abs(diameter_px)), {-1, -1}, 0.0,
               cv::BORDER_REPLICATE);
  return blurred;
}

/// @param seen  the light of each frame, blurred already
Made make_of(std::span<const double> q_px, std::uint64_t seed,
             const std::function<cv::Mat(std::size_t)>& seen) {
  Made made;
  cv::RNG rng(seed + 1);
  for (std::size_t k = 0; k < q_px.size(); ++k) {
    cv::Mat light = seen(k);
    cv::Mat noise(light.size(), CV_32FC1);
    rng.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
    cv::Mat root;
    cv::sqrt(cv::max(light, 0.0), root);
    light += 0.01 * noise.mul(root);  // 10,000 electrons at white
    GridPicture picture{.luminance = cv::min(cv::max(light, 0.0), 1.0),
                        .seen = cv::Mat(light.size(), CV_8UC1, cv::Scalar(255)),
                        .clipped = light >= 1.0};
    made.frames.push_back({.q_px = q_px[k], .usable = true});
    made.spots.push_back(find_spots(picture.luminance));
    made.pictures.push_back(pack(picture, 1.0));
  }
  return made;
}

Made make(std::span<const double> q_px, std::uint64_t seed,
          const std::function<cv::Mat(std::size_t)>& scene) {
  return make_of(q_px, seed, [&](std::size_t k) { return out_of_focus(scene(k), q_px[k]); });
}

std::vector<double> sweep(double from, double to, double step) {
  std::vector<double> q;
  const double sign = to > from ? 1.0 : -1.0;
  for (double at = from; sign * (to - at) > -1e-9; at += sign * step) q.push_back(at);
  return q;
}

const std::vector<cv::Point> kDrops{{40, 40},  {100, 44}, {160, 42}, {44, 100},
                                    {150, 98}, {40, 160}, {98, 158}, {160, 160}};

/// All drops but number `lost` from frame `from` on.
Made with_loss(std::span<const double> q_px, std::uint64_t seed, std::size_t lost, std::size_t from,
               std::size_t until = 999) {
  const cv::Mat ground = texture(seed);
  return make(q_px, seed, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    for (std::size_t i = 0; i < kDrops.size(); ++i)
      if (i != lost || k < from || k >= until) add_drop(light, kDrops[i]);
    return light;
  });
}

/// A large dull drop, clear but for its rim and a weak light: its light alone tells little beside
/// the texture. There from frame `from` on, up to frame `until`.
Made with_dull_drop(std::span<const double> q_px, std::size_t from, std::size_t until,
                    int radius_px = 13) {
  const cv::Mat ground = texture(23), other = texture(24);
  return make(q_px, 23, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    if (k < from || k >= until) return light;
    const cv::Point at(100, 100);
    cv::Mat disc(light.size(), CV_8UC1, cv::Scalar(0));
    cv::circle(disc, at, radius_px, 255, cv::FILLED);
    cv::Mat(0.7 * other).copyTo(light, disc);  // what a ball lens shows is not what is behind it
    light(cv::Rect(at.x - 4, at.y - 5, 5, 5)) = 0.95;
    return light;
  });
}

TEST(Drops, ALostOneHasItsPlaceAndFrames) {
  const std::vector<double> q = sweep(8.0, -8.0, 1.0);
  for (const std::size_t from : {5U, 8U, 11U}) {  // sharp before, at the time, after
    const Drops drops = with_loss(q, 3, 4, from).found();
    ASSERT_EQ(drops.lost.size(), 1U) << from;
    const DropChange& lost = drops.lost[0];
    EXPECT_LE(cv::norm(lost.at - cv::Point2d(kDrops[4])), kDropRadiusPx) << from;
    EXPECT_EQ(lost.before, from - 1);
    EXPECT_EQ(lost.after, from);
    EXPECT_EQ(lost.fate, DropFate::gone);
    EXPECT_GT(lost.probability, 0.9);
    EXPECT_NEAR(lost.radius_px, kDropRadiusPx, 0.7 * kDropRadiusPx);
    EXPECT_TRUE(drops.appeared.empty());
    EXPECT_EQ(drops.tracked, kDrops.size());
  }
}

TEST(Drops, WhatOnlyGoesOutOfFocusIsNotLost) {
  for (const std::vector<double>& q : {sweep(0.0, 14.0, 1.0), sweep(14.0, 0.0, 1.0)}) {
    const Drops drops = with_loss(q, 5, 999, 0).found();
    EXPECT_TRUE(drops.lost.empty());
    EXPECT_TRUE(drops.appeared.empty());
  }
}

TEST(Drops, FalseAlarmsStayWithinTheirRate) {
  // 20 bursts of 30 drops in which nothing happens: one loss may be told, by the probability that
  // is asked of a loss and of what is asked after (a thousand spots a burst).
  const std::vector<double> q = sweep(7.0, -7.0, 1.0);
  std::size_t told = 0;
  for (std::uint64_t seed = 0; seed < 20; ++seed) {
    const cv::Mat ground = texture(100 + seed);
    const Made made = make(q, 100 + seed, [&](std::size_t) {
      cv::Mat light = ground.clone();
      cv::RNG rng(seed);
      for (int i = 0; i < 30; ++i)
        add_drop(light,
                 {25 + 30 * (i % 6) + rng.uniform(-6, 7), 25 + 36 * (i / 6) + rng.uniform(-6, 7)});
      return light;
    });
    told += made.found().lost.size();
  }
  EXPECT_LE(told, 1U);
}

TEST(Drops, OneFrameAloneTellsNoLoss) {
  const std::vector<double> q = sweep(8.0, -8.0, 1.0);
  EXPECT_TRUE(with_loss(q, 3, 4, 8, 9).found().lost.empty()) << "hidden in one frame";
  EXPECT_TRUE(with_loss(q, 3, 4, q.size() - 1).found().lost.empty()) << "gone in the last one";
}

TEST(Drops, WhatNoFrameTellsIsAnInterval) {
  // Lost while the lens was far away, between two sweeps.
  std::vector<double> q = sweep(8.0, -40.0, 2.0);
  const std::size_t turn = q.size();
  for (const double back : sweep(-40.0, 8.0, 2.0)) q.push_back(back);
  const Drops drops = with_loss(q, 7, 2, turn).found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_LT(drops.lost[0].before, turn);
  EXPECT_GE(drops.lost[0].after, turn);
}

TEST(Drops, OneThatComesIsNoLoss) {
  const Drops drops = with_loss(sweep(8.0, -8.0, 1.0), 3, 4, 0, 8).found();
  EXPECT_TRUE(drops.lost.empty());
  ASSERT_EQ(drops.appeared.size(), 1U);
  EXPECT_EQ(drops.appeared[0].before, 7U);
  EXPECT_EQ(drops.appeared[0].after, 8U);
}

TEST(Drops, OneThatRollsIsNearbyAgain) {
  const cv::Mat ground = texture(9);
  const Made made = make(sweep(8.0, -8.0, 1.0), 9, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    add_drop(light, k < 8 ? cv::Point(100, 80) : cv::Point(100, 104));
    return light;
  });
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].fate, DropFate::rolled);
  EXPECT_TRUE(drops.appeared.empty());
}

TEST(Drops, OneThatRunsTogetherWithItsNeighbourIsLostWhereItWas) {
  const cv::Mat ground = texture(9);
  const cv::Point gone(96, 100), neighbour(109, 100);
  const Made made = make(sweep(8.0, -8.0, 1.0), 9, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    for (const cv::Point& at : kDrops)
      if (cv::norm(at - gone) > 40.0) add_drop(light, at);
    if (k < 8) {
      add_drop(light, gone);
      add_drop(light, neighbour);
    } else {
      cv::circle(light, neighbour, 10, cv::Scalar(0.08), cv::FILLED);
      cv::circle(light, neighbour, 7, cv::Scalar(0.3), cv::FILLED);
      light(cv::Rect(neighbour.x - 1, neighbour.y - 7, 5, 5)) = 2.5;
    }
    return light;
  });
  const Drops drops = made.found();
  ASSERT_FALSE(drops.lost.empty());
  const auto nearest = std::ranges::min(
      drops.lost, {}, [&](const DropChange& c) { return cv::norm(c.at - cv::Point2d(gone)); });
  EXPECT_LE(cv::norm(nearest.at - cv::Point2d(gone)), kDropRadiusPx);
}

TEST(Drops, ALossIsToldThoughWideDiscsHoldItsNeighbour) {
  // It rolled by a few px. Far out of focus the disc of where it is now lies over where it was, and
  // frames in which it does are many.
  const cv::Mat ground = texture(9);
  const cv::Point gone(96, 100);
  struct Case {
    int by_px;
    double light;
  };
  for (const Case& c : {Case{4, 2.5}, Case{5, 4.0}}) {
    const Made made = make(sweep(1.0, -10.0, 0.5), 9, [&](std::size_t k) {
      cv::Mat light = ground.clone();
      for (const cv::Point& at : kDrops)
        if (cv::norm(at - gone) > 40.0) add_drop(light, at);
      const cv::Point at = k < 5 ? gone : gone + cv::Point(c.by_px, 0);
      light(cv::Rect(at.x - 1, at.y - 1, 2, 2)) = c.light;
      return light;
    });
    const Drops drops = made.found();
    ASSERT_EQ(drops.lost.size(), 1U) << c.by_px;
    EXPECT_LE(cv::norm(drops.lost[0].at - cv::Point2d(gone)), kDropRadiusPx);
    EXPECT_EQ(drops.lost[0].before, 4U);
    EXPECT_EQ(drops.lost[0].after, 5U);
  }
}

TEST(Drops, OneBeforeItsSurroundingsIsLostAtItsOwnDepth) {
  // Clipped as it is it is bright for long; how small its light is found tells where it is sharp.
  const cv::Mat ground = texture(13);
  const std::vector<double> q = sweep(-2.0, 16.0, 1.0);
  constexpr double kOwnPx = 11.0;
  const Made made = make_of(q, 13, [&](std::size_t k) {
    cv::Mat light = out_of_focus(ground, q[k]);
    if (k >= 12) return light;
    cv::Mat flux(light.size(), CV_32FC1, cv::Scalar(0));
    flux(cv::Rect(99, 99, 4, 4)) = 3.0;
    return cv::Mat(light + out_of_focus(flux, q[k] - kOwnPx));
  });
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].before, 11U);
  EXPECT_EQ(drops.lost[0].after, 12U);
  EXPECT_NEAR(drops.lost[0].q_px, kOwnPx, 3.0);  // sizes go in steps of sqrt(2)
}

TEST(Drops, OneAtThePicturesEdgeIsLostToo) {
  const cv::Mat ground = texture(15);
  const Made made = make(sweep(8.0, -8.0, 1.0), 15, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    for (const cv::Point& at : kDrops) add_drop(light, at);
    if (k < 8) add_drop(light, {100, 14});
    return light;
  });
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_LE(cv::norm(drops.lost[0].at - cv::Point2d(100, 14)), kDropRadiusPx);
}

TEST(Drops, LightsOfOneDropThatDisagreeAboutWhenAreOneLoss) {
  // One of its two lights is hidden two frames before the drop goes.
  const cv::Mat ground = texture(17);
  const Made made = make(sweep(8.0, -8.0, 1.0), 17, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    const cv::Point at(100, 100);
    if (k < 10) add_drop(light, at);
    if (k < 7) light(cv::Rect(at.x + 2, at.y + 2, 2, 2)) = 2.5;
    return light;
  });
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_LE(drops.lost[0].before, 9U);
  EXPECT_GE(drops.lost[0].after, 10U);
}

TEST(Drops, TwoThatWentAFewFramesApartAreToldSo) {
  const cv::Mat ground = texture(21);
  const Made made = make(sweep(8.0, -8.0, 1.0), 21, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    if (k < 7) add_drop(light, {60, 60});
    if (k < 10) add_drop(light, {140, 140});
    return light;
  });
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 2U);
  for (const DropChange& lost : drops.lost) {
    const std::size_t missing = lost.at.x < 100.0 ? 7 : 10;
    EXPECT_EQ(lost.before, missing - 1);
    EXPECT_EQ(lost.after, missing);
  }
}

TEST(Drops, WhatIsLongIsNoDrop) {
  // A hair with a bright bead on it that is there no more.
  const cv::Mat ground = texture(19);
  Made made = make(sweep(8.0, -8.0, 1.0), 19, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    if (k >= 8) return light;
    cv::line(light, {80, 95}, {120, 105}, cv::Scalar(0.9), 1);
    light(cv::Rect(99, 99, 3, 3)) = 2.5;
    return light;
  });
  EXPECT_TRUE(made.found().lost.empty());
  made.changed = {{.before = 7, .after = 8, .box_on_grid = {80, 88, 40, 24}}};
  EXPECT_TRUE(made.found().lost.empty()) << "by its whole picture";
}

TEST(Drops, APlaceInWhichNothingChangedTellsNone) {
  Made made = with_dull_drop(sweep(6.0, -6.0, 1.0), 0, 99);
  made.changed = {{.before = 6, .after = 7, .box_on_grid = {88, 88, 24, 24}}};
  EXPECT_TRUE(made.found().lost.empty());
}

TEST(Drops, OnesThatRideOnAPartThatMovesAreNotLost) {
  const cv::Mat ground = texture(11), part = texture(12);
  const Made made = make(sweep(8.0, -8.0, 1.0), 11, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    cv::Mat moving = part.clone();
    for (const cv::Point at : {cv::Point(80, 80), cv::Point(120, 90), cv::Point(100, 120)})
      add_drop(moving, at);
    const cv::Point by = k < 8 ? cv::Point(0, 0) : cv::Point(5, 3);
    moving(cv::Rect(60, 60, 80, 80)).copyTo(light(cv::Rect(60 + by.x, 60 + by.y, 80, 80)));
    return light;
  });
  EXPECT_TRUE(made.found().lost.empty());
}

TEST(Drops, FramesThatCannotBeUsedSayNothing) {
  const std::vector<double> q = sweep(8.0, -8.0, 1.0);
  Made made = with_loss(q, 3, 4, 8);
  for (const std::size_t k : {8U, 9U}) {
    made.frames[k].usable = false;
    made.pictures[k] = {};
    made.spots[k] = {};
  }
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_EQ(drops.lost[0].before, 7U);
  EXPECT_EQ(drops.lost[0].after, 10U);
}

TEST(Drops, ALargeOneIsLostWhereItsWholePictureChanges) {
  const std::vector<double> q = sweep(6.0, -6.0, 1.0);
  Made made = with_dull_drop(q, 0, 7);
  made.changed = {{.before = 6, .after = 7, .box_on_grid = {88, 88, 24, 24}}};
  const Drops drops = made.found();
  ASSERT_EQ(drops.lost.size(), 1U);
  EXPECT_LE(cv::norm(drops.lost[0].at - cv::Point2d(100, 100)), 3.0);
  EXPECT_NEAR(drops.lost[0].radius_px, 13.0, 4.0);  // a quarter of the top counts as changed
  EXPECT_EQ(drops.lost[0].before, 6U);
  EXPECT_EQ(drops.lost[0].after, 7U);
  EXPECT_EQ(drops.lost[0].fate, DropFate::gone);
}

// Between frames that blur it by 1 and by 6 px there is nothing that both would show alike.
TEST(Drops, AcrossAWideStepOfTheRingNoWholePictureTells) {
  std::vector<double> q = sweep(6.0, 1.0, 1.0);
  for (const double after : {-6.0, -7.0, -8.0}) q.push_back(after);
  Made made = with_dull_drop(q, 0, 6);
  made.changed = {{.before = 5, .after = 6, .box_on_grid = {88, 88, 24, 24}}};
  EXPECT_TRUE(made.found().lost.empty());
  q[6] = -1.0;
  Made near = with_dull_drop(q, 0, 6);
  near.changed = made.changed;
  EXPECT_EQ(near.found().lost.size(), 1U);
}

TEST(Drops, ALargeOneThatComesIsNoLoss) {
  Made made = with_dull_drop(sweep(6.0, -6.0, 1.0), 7, 99);
  made.changed = {{.before = 6, .after = 7, .box_on_grid = {88, 88, 24, 24}}};
  const Drops drops = made.found();
  EXPECT_TRUE(drops.lost.empty());
  EXPECT_EQ(drops.appeared.size(), 1U);
}

/// A dull thing without a light, there from frame `from` on up to frame `until`, and a drop that is
/// there up to frame `gone`.
Made with_thing_and_drop(std::size_t from, std::size_t until, std::size_t gone) {
  const cv::Mat ground = texture(31), other = texture(32);
  Made made = make(sweep(6.0, -6.0, 1.0), 31, [&](std::size_t k) {
    cv::Mat light = ground.clone();
    if (k < gone) add_drop(light, {40, 150});
    if (k < from || k >= until) return light;
    cv::Mat disc(light.size(), CV_8UC1, cv::Scalar(0));
    cv::circle(disc, {100, 100}, 9, 255, cv::FILLED);
    cv::Mat(0.4 * other).copyTo(light, disc);
    return light;
  });
  made.changed = {{.before = 6, .after = 7, .box_on_grid = {90, 90, 20, 20}}};
  return made;
}

bool goes_at_thing(const Drops& drops) {
  return std::ranges::any_of(drops.lost, [](const DropChange& drop) {
    return cv::norm(drop.at - cv::Point2d(100, 100)) <= 4.0;
  });
}

TEST(Drops, OneWithoutALightWentWithOthersAtOnce) {
  EXPECT_TRUE(goes_at_thing(with_thing_and_drop(0, 7, 7).found()));
  EXPECT_FALSE(goes_at_thing(with_thing_and_drop(0, 7, 99).found())) << "no other went";
  EXPECT_FALSE(goes_at_thing(with_thing_and_drop(0, 7, 10).found())) << "another went later";
  EXPECT_FALSE(goes_at_thing(with_thing_and_drop(7, 99, 7).found())) << "it came";
}

// A blade that passed, or a shadow, fills a twentieth of the diagonal and more.
TEST(Drops, WhatIsTooLargeForADropIsNone) {
  const auto lost = [](int radius_px) {
    Made made = with_dull_drop(sweep(6.0, -6.0, 1.0), 0, 7, radius_px);
    made.changed = {{.before = 6, .after = 7, .box_on_grid = {88, 88, 24, 24}}};
    return made.found().lost.size();
  };
  EXPECT_EQ(lost(12), 1U);
  EXPECT_EQ(lost(20), 0U) << "0.07 of the diagonal";
}

TEST(Drops, WhatIsBackInTheNextFrameWasNotLost) {
  Made made = with_dull_drop(sweep(6.0, -6.0, 1.0), 7, 8);  // in one frame alone
  made.changed = {{.before = 6, .after = 7, .box_on_grid = {88, 88, 24, 24}},
                  {.before = 7, .after = 8, .box_on_grid = {88, 88, 24, 24}}};
  const Drops drops = made.found();
  EXPECT_TRUE(drops.lost.empty());
  EXPECT_TRUE(drops.appeared.empty());
}

TEST(Drops, WithoutFramesNothingIsLookedFor) {
  EXPECT_FALSE(find_drops({}, {}, {}, {}, {}, kTilePx).looked);
  const std::vector<DropFrame> frames(2);
  EXPECT_THROW((void)find_drops(frames, {}, {}, {}, {}, kTilePx), std::invalid_argument);
  EXPECT_THROW((void)find_drops({}, {}, {}, {}, {}, 0), std::invalid_argument);
}

TEST(DropEvents, OnesThatMayHaveGoneAtOnceAreOne) {
  const std::vector<DropChange> lost{
      {.at = {10, 10}, .radius_px = 4.0, .before = 4, .after = 5},
      {.at = {90, 40}, .radius_px = 4.0, .before = 3, .after = 6, .conflict = true},
      {.at = {20, 20}, .radius_px = 4.0, .before = 8, .after = 9}};
  const std::vector<DropEvent> events = drop_events(lost);
  ASSERT_EQ(events.size(), 2U);
  EXPECT_EQ(events[0].count, 2U);
  EXPECT_EQ(events[0].before, 4U);
  EXPECT_EQ(events[0].after, 5U);
  EXPECT_TRUE(events[0].conflict);
  EXPECT_TRUE(events[0].box_px.contains(cv::Point(90, 40)));
  EXPECT_FALSE(events[1].conflict);
}

TEST(DropEvents, AConflictHasSharpFramesOnBothSides) {
  std::vector<DropFrame> frames;
  for (const double q : sweep(8.0, -8.0, 1.0)) frames.push_back({.q_px = q, .usable = true});
  DropChange drop{.q_px = 0.0, .before = 7, .after = 8};  // sharp from 6 to 10
  EXPECT_TRUE(sharp_on_both_sides(drop, frames, 2.0));
  drop.before = 5, drop.after = 6;
  EXPECT_FALSE(sharp_on_both_sides(drop, frames, 2.0));
  drop.before = 6, drop.after = 10;
  EXPECT_TRUE(sharp_on_both_sides(drop, frames, 2.0));
  frames[10].usable = false;
  EXPECT_FALSE(sharp_on_both_sides(drop, frames, 2.0));
}

}  // namespace
}  // namespace ringsweep
