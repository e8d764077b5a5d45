// What a list of frames is made of, from the analysis of a burst.
#include "app/stack_input.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

namespace ringsweep::app {
namespace {

using ::testing::Each;
using ::testing::ElementsAre;

/// Three sweeps of two frames each, all of them usable.
BurstAnalysis three_sweeps() {
  BurstAnalysis burst;
  burst.frames.resize(6);
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    burst.frames[k].usable = true;
    burst.frames[k].focus_px = static_cast<double>(k);
  }
  burst.sweeps.resize(3);
  for (std::size_t s = 0; s < 3; ++s)
    burst.sweeps[s].first = 2 * s, burst.sweeps[s].last = 2 * s + 1;
  return burst;
}

std::vector<WhyLeftOut> faults(const BurstAnalysis& burst) {
  std::vector<WhyLeftOut> result;
  for (const StackFrame& frame : stack_frames(burst)) result.push_back(frame.fault);
  return result;
}

TEST(StackFrames, OfASweepThatIsNotNeededAndLooksOtherwiseStayOut) {
  constexpr WhyLeftOut in = WhyLeftOut::in_the_list, out = WhyLeftOut::other_sweep;
  BurstAnalysis burst = three_sweeps();
  burst.sweeps[2].difference.blur = 0.4;
  EXPECT_THAT(faults(burst), Each(in)) << "none is complete: all that there is";
  burst.complete_sweeps = {0, 1};
  EXPECT_THAT(faults(burst), ElementsAre(in, in, in, in, out, out));
  // Against the first one; it looks otherwise than the third one as well.
  burst.complete_sweeps = {2};
  EXPECT_THAT(faults(burst), ElementsAre(out, out, out, out, in, in));
  burst.sweeps[2].difference = {};
  EXPECT_THAT(faults(burst), Each(in)) << "more of the same does no harm";
}

TEST(StackFrames, OwnFaultsAreNamedFirst) {
  BurstAnalysis burst = three_sweeps();
  burst.sweeps[2].difference.light_from_elsewhere = true;
  burst.complete_sweeps = {0};
  burst.frames[5].usable = false;
  burst.frames[5].flags = {FrameFlag::dark};
  EXPECT_EQ(faults(burst).back(), WhyLeftOut::dark);
}

}  // namespace
}  // namespace ringsweep::app
