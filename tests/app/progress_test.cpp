// How far, and how long still.

#include "app/progress.h"

#include <gtest/gtest.h>

namespace ringsweep::app {
namespace {

TEST(Progress, SharesRiseFromNothingToAll) {
  EXPECT_EQ(share_done("looking", 0, 28), 0.0);
  double before = 0.0;
  for (const char* stage : {"looking", "measuring", "fitting", "looking for movement"}) {
    EXPECT_GE(share_done(stage, 0, 10), before) << stage;
    EXPECT_GT(share_done(stage, 10, 10), share_done(stage, 5, 10)) << stage;
    before = share_done(stage, 10, 10);
  }
  EXPECT_EQ(share_done("looking for drops", 1, 1), 1.0);
  EXPECT_EQ(share_done("looking", 0, 0), 0.0);
}

TEST(Progress, TimeLeftIsThatOfAnEvenPace) {
  EXPECT_EQ(time_left(0.02, 10.0), "");
  EXPECT_EQ(time_left(0.5, 1.0), "");
  EXPECT_EQ(time_left(1.0, 10.0), "");
  EXPECT_EQ(time_left(0.5, 8.0), ", a few seconds left");
  EXPECT_EQ(time_left(0.25, 8.0), ", about 25 s left");
  EXPECT_EQ(time_left(0.1, 20.0), ", about 3 min left");
}

}  // namespace
}  // namespace ringsweep::app
