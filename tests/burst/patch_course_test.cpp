// Where a patch is in each frame, and whether that is movement, from shifts of tiles that are
// known.
#include "burst/patch_course.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <functional>
#include <numeric>
#include <vector>

#include "tile_row.h"

namespace ringsweep {
namespace {

constexpr std::size_t kFrames = 40, kMoved = 10;

/// A patch of six tiles that is at `course(k)` px in frame k, its shift one px.
Judged judged(const std::function<double(std::size_t)>& course) {
  constexpr std::size_t kTiles = 6;
  TileRow row(kTiles, kFrames);
  for (std::size_t k = 1; k < kFrames; ++k)
    for (std::size_t t = 0; t < kTiles; ++t) row.see(k - 1, t, course(k) - course(k - 1));
  Patch patch{.c = kMoved, .shift = std::vector<cv::Vec2d>(kTiles, {1.0, 0.0})};
  patch.tiles.resize(kTiles);
  std::iota(patch.tiles.begin(), patch.tiles.end(), std::size_t{0});
  return judge(row.burst, patch);
}

double fading(std::size_t k, double per_frame = 0.04) {
  return std::exp(-per_frame * static_cast<double>(k - kMoved));
}

TEST(PatchCourse, WhatIsElsewhereFromAFrameOnStays) {
  const Judged judged_so = judged([](std::size_t k) { return k < kMoved ? 0.0 : 1.0; });
  ASSERT_EQ(judged_so.found.size(), 1U);
  EXPECT_EQ(judged_so.found[0].kind, MoveKind::stays);
  EXPECT_EQ(judged_so.found[0].c, kMoved);
}

// As a leg does that the ring leaves: in the end its windows see the ground alone.
TEST(PatchCourse, SoDoesWhatFadesAfterwards) {
  const Judged judged_so = judged([](std::size_t k) { return k < kMoved ? 0.0 : fading(k); });
  ASSERT_EQ(judged_so.found.size(), 1U);
  EXPECT_EQ(judged_so.found[0].kind, MoveKind::stays);
  EXPECT_EQ(judged_so.found[0].c, kMoved);
}

TEST(PatchCourse, WhatIsSoonBackDidNotMove) {
  constexpr double kSoon = 0.2;
  const Judged judged_so =
      judged([](std::size_t k) { return k < kMoved ? 0.0 : fading(k, kSoon); });
  EXPECT_TRUE(judged_so.found.empty());
}

TEST(PatchCourse, WhatComesAndGoesByAndByIsNoMove) {
  constexpr double kComes = 4.0;  // frames
  const Judged judged_so = judged([](std::size_t k) {
    const double begun = static_cast<double>(k) - static_cast<double>(kMoved) + 1.0;
    return begun <= 0.0 ? 0.0 : begun < kComes ? begun / kComes : fading(k);
  });
  EXPECT_TRUE(judged_so.found.empty());
}

}  // namespace
}  // namespace ringsweep
