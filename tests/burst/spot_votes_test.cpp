// What frames say of a spot, counted by hand.
#include "burst/spot_votes.h"

#include <gtest/gtest.h>

namespace ringsweep {
namespace {

// There in three frames, gone in three: all sharp.
const Votes kPlain{.gone = {-4.0, -4.0, -4.0, 5.0, 5.0, 5.0},
                   .weight = {1.0, 1.0, 1.0, 1.0, 1.0, 1.0},
                   .blur_px = {2.0, 1.0, 0.0, 1.0, 2.0, 3.0}};

TEST(SpotVotes, AreTheMeanTimesHowManyUpToFour) {
  EXPECT_DOUBLE_EQ(evidence(kPlain, 3, 6, 1.0), 15.0);
  EXPECT_DOUBLE_EQ(evidence(kPlain, 0, 3, -1.0), 12.0);
  Votes many = kPlain;
  for (int i = 0; i < 5; ++i) {
    many.gone.push_back(5.0);
    many.weight.push_back(1.0);
    many.blur_px.push_back(1.0);
  }
  EXPECT_DOUBLE_EQ(evidence(many, 3, 11, 1.0), 20.0);
}

TEST(SpotVotes, OneFrameAloneSaysNothing) {
  EXPECT_EQ(evidence(kPlain, 5, 6, 1.0), 0.0);
  Votes unsure = kPlain;
  unsure.weight[3] = unsure.weight[4] = 0.0;
  EXPECT_EQ(evidence(unsure, 3, 6, 1.0), 0.0);
}

TEST(SpotVotes, ASharpContradictionCountsAWideOneDoesNot) {
  Votes votes = kPlain;
  votes.gone[5] = -4.0;
  EXPECT_EQ(evidence(votes, 3, 6, 1.0), 0.0) << "a third contradicts";
  votes.blur_px[5] = 5.4;  // the second sharpest has 2 px: wide from 2 x 2 + 1.5 px on
  EXPECT_EQ(evidence(votes, 3, 6, 1.0), 0.0);
  votes.blur_px[5] = 5.6;
  EXPECT_DOUBLE_EQ(evidence(votes, 3, 6, 1.0), 10.0);
}

TEST(SpotVotes, PartWhereItWent) {
  const Boundaries sure = find_boundaries(kPlain);
  EXPECT_EQ(sure.best, 3U);
  EXPECT_EQ(sure.first, 3U);
  EXPECT_EQ(sure.last, 3U);
  Votes open = kPlain;
  open.weight[2] = open.weight[3] = 0.1;  // these hardly tell
  const Boundaries left = find_boundaries(open);
  EXPECT_EQ(left.first, 2U);
  EXPECT_EQ(left.last, 4U);
  Votes never = kPlain;
  never.weight.assign(6, 0.0);
  EXPECT_EQ(find_boundaries(never).best, 0U);
}

}  // namespace
}  // namespace ringsweep
