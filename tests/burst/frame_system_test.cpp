// The way down of single tiles, the frames at their true places.
#include "burst/frame_system.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "synthetic/made_burst.h"

namespace ringsweep {
namespace {

using synthetic::even_steps;
using synthetic::MadeBurst;
using synthetic::make_burst;

/// How many of every tenth tile, put `off_px` beside its place, do not come back to within 2 px of
/// it, the frames at their true places.
int lost_tiles(const MadeBurst& burst, FrameSystem::Reach reach, double off_px) {
  constexpr std::size_t kEvery = 10;
  const FitOptions options;
  const ForEach for_each = for_each_in_order;
  const std::size_t n = burst.q_px.size(), m = burst.tile_px.size();
  const FitInput input(burst.profiles, std::vector<bool>(n, true), burst.log_scale, options,
                       for_each);
  FitState state;
  state.q = Eigen::Map<const Eigen::VectorXd>(burst.q_px.data(), static_cast<Eigen::Index>(n));
  state.gain = state.shake_px2 = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(n));
  state.breathing = fit_breathing(state.q, input.scale, input.use, options.breathing_sd_px);
  std::vector<std::size_t> tiles(m);
  std::iota(tiles.begin(), tiles.end(), std::size_t{0});
  for (std::size_t t = 0; t < m; ++t)
    state.tiles.push_back({.u = burst.tile_px[t] + (t % kEvery == 0 ? off_px : 0.0),
                           .amplitude = {1.0, 1.0, 1.0},
                           .placed = true});
  for (int round = 0; round < 6; ++round)
    FrameSystem(input, state, tiles, reach).descend(state, 12);
  int lost = 0;
  for (std::size_t t = 0; t < m; t += kEvery)
    if (std::abs(state.tiles[t].u - burst.tile_px[t]) > 2.0) ++lost;
  return lost;
}

// At steps of 13 px a tile shows in the frame next to its own no more than that it is far out of
// focus there. That alone brings it back.
TEST(FrameSystem, TheNextFramesHoldATileWhereStepsAreLong) {
  const MadeBurst burst = make_burst(
      even_steps(12, 13.0),
      {.tiles = 300, .disc_on_disc = FitOptions{}.disc_on_disc, .scatter = 0.05, .noise = 0.003});
  EXPECT_EQ(lost_tiles(burst, FrameSystem::Reach::to_next, 8.0), 0);
  EXPECT_GT(lost_tiles(burst, FrameSystem::Reach::near, 8.0), 0) << "of 30";
}

// Where steps are short they say nothing new.
TEST(FrameSystem, TheNextFramesAreAmongTheNearOnesWhereStepsAreShort) {
  const MadeBurst burst = make_burst(even_steps(12, 2.0), {.tiles = 300, .scatter = 0.05});
  for (const FrameSystem::Reach reach : {FrameSystem::Reach::near, FrameSystem::Reach::to_next})
    EXPECT_EQ(lost_tiles(burst, reach, 1.0), 0);
}

}  // namespace
}  // namespace ringsweep
