// What goes to and fro, from shifts of tiles that are known.
#include "burst/trembling.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstddef>
#include <vector>

#include "tile_row.h"

namespace ringsweep {
namespace {

using testing::UnorderedElementsAre;

TEST(Trembling, ATileThatNoneOfItsStepsShowsIsLeftOut) {
  constexpr std::size_t kFrames = 16, kBegin = 8, kTiles = 6, kEarly = 5;
  TileRow row(kTiles, kFrames);
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
