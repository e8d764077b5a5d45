// What goes to and fro, from shifts of tiles that are known.
#include "burst/trembling.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstddef>
#include <vector>

namespace ringsweep {
namespace {

using testing::UnorderedElementsAre;

/// A row of tiles in frames in which all of them are sharp.
struct Row {
  Row(std::size_t num_tiles, std::size_t num_frames) {
    profiles.num_frames = num_frames;
    profiles.tiles.resize(num_tiles);
    focus.frames.resize(num_frames);
    focus.tiles.resize(num_tiles);
    burst.tile_at = cv::Mat(1, static_cast<int>(num_tiles), CV_32SC1);
    for (std::size_t t = 0; t < num_tiles; ++t) {
      profiles.tiles[t].col = static_cast<int>(t);
      burst.tile_at.at<int>(0, static_cast<int>(t)) = static_cast<int>(t);
    }
    for (std::size_t k = 0; k < num_frames; ++k) {
      burst.order.push_back(k);
      burst.q_px.push_back(0.0);
      if (k == 0) continue;
      burst.pairs.push_back({.first = k - 1, .second = k});
      burst.fields.emplace_back(num_tiles);
    }
  }
  Row(const Row&) = delete;  // what is looked at refers to the rest
  void see(std::size_t pair, std::size_t tile, double shift_px) {
    const double before = shift_px * shift_px;
    burst.fields[pair][tile] = {.known = true,
                                .shift = {shift_px, 0.0},
                                .information = {100.0, 0.0, 100.0},
                                .before = before,
                                .after = 0.01 * before};
  }
  Profiles profiles{};
  FocalPositions focus{};
  TileFields burst{.profiles = profiles, .focus = focus};
};

TEST(Trembling, ATileThatNoneOfItsStepsShowsIsLeftOut) {
  constexpr std::size_t kFrames = 16, kBegin = 8, kTiles = 6, kEarly = 5;
  Row row(kTiles, kFrames);
  for (std::size_t p = 0; p + 1 < kFrames; ++p) {
    const double to_and_fro = p % 2 == 0 ? 2.0 : -2.0;
    for (std::size_t t = 0; t < kEarly; ++t) row.see(p, t, p < kBegin ? 0.0 : to_and_fro);
    if (p < kBegin) row.see(p, kEarly, to_and_fro);  // not seen from then on
  }
  const std::vector<Found> parts = find_trembling(row.burst, {.blur_limit_px = 2.0});
  ASSERT_EQ(parts.size(), 1U);
  EXPECT_THAT(parts[0].tiles, UnorderedElementsAre(0, 1, 2, 3, 4));
  ASSERT_EQ(parts[0].information.size(), parts[0].tiles.size());
  for (const Information& information : parts[0].information) EXPECT_GT(information.xx, 0.0);
}

}  // namespace
}  // namespace ringsweep
