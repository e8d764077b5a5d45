// Lights beyond what frames show sharp, against spots whose sizes second moments give.
#include "ringsweep/lights.h"

#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

constexpr double kLimitPx = 2.0;

/// A light that is sharp at `q_px`, as frames at `frames_px` show it: larger and fainter out of
/// focus.
void add_light(std::vector<std::vector<Spot>>& spots, const std::vector<double>& frames_px,
               cv::Point at, double q_px) {
  constexpr double kSharpPx = 0.8, kSharpHeight = 0.2;
  for (std::size_t k = 0; k < frames_px.size(); ++k) {
    const double sigma_px = std::hypot(kSharpPx, (frames_px[k] - q_px) / 4.0);
    spots[k].push_back(
        {.at = at, .sigma_px = sigma_px, .height = kSharpHeight * kSharpPx / sigma_px});
  }
}

std::vector<std::optional<double>> known(const std::vector<double>& q_px) {
  return {q_px.begin(), q_px.end()};
}

TEST(Lights, AreFollowedThroughTheFramesThatShowThem) {
  const std::vector<double> frames_px = evenly(0.0, 20.0, 21);
  std::vector<std::vector<Spot>> spots(frames_px.size());
  add_light(spots, frames_px, {40, 40}, 6.0);
  spots[9].clear();                      // one frame misses it
  spots[14].clear(), spots[15].clear();  // two in a row: it is not seen farther off
  const std::vector<Light> lights = find_lights(known(frames_px), spots);
  ASSERT_EQ(lights.size(), 2U) << "where it is brightest, and what is left of it";
  EXPECT_EQ(lights[0].at, cv::Point(40, 40));
  EXPECT_EQ(lights[0].sizes.front().frame, 6U);
  EXPECT_EQ(lights[0].sizes.size(), 13U);
  EXPECT_EQ(lights[1].sizes.front().frame, 16U);
  EXPECT_THROW(static_cast<void>(find_lights(known({0.0}), spots)), std::invalid_argument);
}

TEST(Lights, FramesWithoutAPositionTellNothing) {
  const std::vector<double> frames_px = evenly(0.0, 10.0, 11);
  std::vector<std::vector<Spot>> spots(frames_px.size());
  add_light(spots, frames_px, {40, 40}, 5.0);
  std::vector<std::optional<double>> q_px = known(frames_px);
  q_px[5].reset();
  for (const Light& light : find_lights(q_px, spots))
    for (const Light::Size& seen : light.sizes) EXPECT_NE(seen.frame, 5U);
}

/// Subject everywhere in a picture of 10 x 10 tiles, from the sweep's low end up to `high_px`, left
/// to right; and what is seen of it.
struct Scene {
  explicit Scene(double high_px, TileRole role = TileRole::subject) {
    constexpr int kTiles = 10;
    profiles.grid = {.size = {160, 160}, .tile_px = 16};
    for (int row = 0; row < kTiles; ++row)
      for (int col = 0; col < kTiles; ++col) {
        profiles.tiles.push_back({.row = row, .col = col});
        focus.tiles.push_back({.q_px = high_px * (col + 1) / kTiles, .weight = 1.0});
        subject.roles.push_back(role);
      }
  }
  [[nodiscard]] LightsBeyond beyond(bool low = false, double limit_px = kLimitPx) const {
    return lights_beyond_sweep(find_lights(known(frames_px), spots), profiles, focus, subject, low,
                               limit_px);
  }
  std::vector<double> frames_px = evenly(0.0, 12.0, 13);
  Profiles profiles{};
  FocalPositions focus = frames_at(frames_px);
  Subject subject{};
  std::vector<std::vector<Spot>> spots = std::vector<std::vector<Spot>>(frames_px.size());
};

TEST(LightsBeyondASweep, AreThoseThatShrinkTowardsItsEnd) {
  Scene scene(12.5);
  add_light(scene.spots, scene.frames_px, {150, 40}, 17.0);
  add_light(scene.spots, scene.frames_px, {150, 100}, 17.0);
  add_light(scene.spots, scene.frames_px, {150, 70}, 11.0);  // sharp within
  const LightsBeyond beyond = scene.beyond();
  EXPECT_EQ(beyond.count, 2U);
  EXPECT_NEAR(beyond.beyond_px, 5.0, 0.5) << "17 px against 12";
  EXPECT_GT(beyond.sd_px, 0.25);
  EXPECT_EQ(scene.beyond(true).count, 0U) << "at the other end there are none";
}

TEST(LightsBeyondASweep, WithinTheLimitAndALittleFartherAreNone) {
  Scene scene(12.5);
  add_light(scene.spots, scene.frames_px, {150, 40}, 13.5);
  add_light(scene.spots, scene.frames_px, {150, 100}, 14.5);
  EXPECT_EQ(scene.beyond().count, 0U);
}

TEST(LightsBeyondASweep, AreNoneWhereTheLimitIsLargerThanWhatSizesTell) {
  Scene scene(12.5);
  add_light(scene.spots, scene.frames_px, {150, 40}, 17.0);
  EXPECT_EQ(scene.beyond().count, 1U);
  EXPECT_EQ(scene.beyond(false, 40.0).count, 0U);
}

TEST(LightsBeyondASweep, TwoOfOneDropCountOnce) {
  Scene scene(12.5);
  add_light(scene.spots, scene.frames_px, {140, 40}, 17.0);
  add_light(scene.spots, scene.frames_px, {150, 40}, 17.0);
  EXPECT_EQ(scene.beyond().count, 1U);
}

TEST(LightsBeyondASweep, MustLieOnSubjectThatComesCloseToTheEnd) {
  const auto count = [](Scene scene, int x) {
    add_light(scene.spots, scene.frames_px, {x, 40}, 17.0);
    return scene.beyond().count;
  };
  EXPECT_EQ(count(Scene(12.5), 150), 1U);
  EXPECT_EQ(count(Scene(12.5), 20), 0U) << "there the subject is far from that end";
  EXPECT_EQ(count(Scene(8.0), 150), 0U) << "it nowhere comes close";
  EXPECT_EQ(count(Scene(12.5, TileRole::perch), 150), 0U) << "a drop on a stem";
}

TEST(LightsBeyondAPose, AreThoseOfTheMovedPartThatOtherFramesShowSharp) {
  const std::vector<double> frames_px = evenly(0.0, 16.0, 17);
  const FocalPositions focus = frames_at(frames_px);
  std::vector<std::vector<Spot>> spots(frames_px.size());
  add_light(spots, frames_px, {50, 40}, 12.5);   // in the part, beyond
  add_light(spots, frames_px, {50, 90}, 13.0);   // too
  add_light(spots, frames_px, {80, 40}, 11.0);   // in the part, within the limit
  add_light(spots, frames_px, {150, 40}, 13.0);  // beyond, elsewhere
  const std::vector<Light> lights = find_lights(known(frames_px), spots);
  std::vector<bool> pose(frames_px.size());
  for (std::size_t k = 0; k <= 9; ++k) pose[k] = true;
  const std::vector<cv::Rect2d> boxes{{30, 20, 70, 90}};
  const auto beyond = [&](bool low) {
    return lights_beyond_pose(lights, focus, pose, boxes, low, kLimitPx, 1.0);
  };
  EXPECT_EQ(beyond(false).count, 2U);
  EXPECT_NEAR(beyond(false).beyond_px, 3.75, 0.5) << "12.5 and 13 px against 9";
  EXPECT_EQ(beyond(true).count, 0U);
  EXPECT_EQ(lights_beyond_pose(lights, focus, pose, {}, false, kLimitPx, 1.0).count, 0U);
}

}  // namespace
}  // namespace ringsweep
