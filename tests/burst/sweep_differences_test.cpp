// What differs between sweeps. Thresholds are ours; made values differ by a little more and a
// little less than they.
#include "ringsweep/sweep_differences.h"

#include <gtest/gtest.h>

#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

/// There from 0 to 9 px and back, the picture larger by 0.4 % a px; `second` changes the way back.
std::vector<SweepDifference> compare(const FrameView& second) {
  const FocalPositions focus =
      frames_at({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0});
  const std::vector<SweepRange> sweeps{{.first = 0, .last = 9, .rising = true},
                                       {.first = 10, .last = 19, .rising = false}};
  std::vector<FrameView> views;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    FrameView view = k < 10 ? FrameView{.light_ev = 0.1} : second;
    view.log_scale += 0.004 * *focus.frames[k].q_px;
    views.push_back(view);
  }
  return compare_sweeps(focus, sweeps, views);
}

TEST(SweepDifferences, NoneWhereNothingIsVisible) {
  const auto found = compare({.log_scale = 0.0099,
                              .rotation_deg = 0.99,
                              .shift_x = 0.02,
                              .shift_y = 0.02,
                              .light_ev = -0.39});
  ASSERT_EQ(found.size(), 2U);
  EXPECT_FALSE(found[0].any());
  EXPECT_FALSE(found[1].any());
}

TEST(SweepDifferences, EachIsFoundAndMeasured) {
  // Rounding only: all frames of a sweep differ by the same.
  EXPECT_NEAR(compare({.light_ev = -0.41})[1].light_ev, -0.51, 1e-12);
  EXPECT_NEAR(compare({.log_scale = 0.0101, .light_ev = 0.1})[1].size, 0.01015, 1e-5);
  EXPECT_NEAR(compare({.rotation_deg = -1.01, .light_ev = 0.1})[1].rotation_deg, -1.01, 1e-12);
  EXPECT_NEAR(compare({.shift_x = 0.03, .shift_y = 0.04, .light_ev = 0.1})[1].shift, 0.05, 1e-12);
}

TEST(SweepDifferences, OneSweepOrNoneHasNone) {
  const FocalPositions focus = frames_at({0, 1, 2});
  const std::vector<SweepRange> one{{.first = 0, .last = 2, .rising = true}};
  EXPECT_FALSE(compare_sweeps(focus, one, std::vector<FrameView>(3)).at(0).any());
  EXPECT_TRUE(compare_sweeps(focus, {}, {}).empty());
}

}  // namespace
}  // namespace ringsweep
