// Arrivals: what is all there, and when a burst has come. Times are made up.

#include "app/arrivals.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

namespace ringsweep::app {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

std::vector<std::string> names(const std::vector<ReadyFile>& files) {
  std::vector<std::string> result;
  for (const ReadyFile& file : files)
    result.push_back(file.file.string() + (file.as_it_is ? " as it is" : ""));
  return result;
}

TEST(Arrivals, AFileIsReadyOnceItIsClosed) {
  Arrivals arrivals;
  arrivals.written("a", 0.0);
  arrivals.written("a", 1.0);
  EXPECT_THAT(arrivals.take_ready(1.5), IsEmpty());
  arrivals.closed("a", 2.0);
  EXPECT_THAT(names(arrivals.take_ready(2.0)), ElementsAre("a"));
  EXPECT_THAT(arrivals.take_ready(2.1), IsEmpty());
  arrivals.closed("a", 3.0);  // changed
  EXPECT_THAT(names(arrivals.take_ready(3.0)), ElementsAre("a"));
}

TEST(Arrivals, WhatIsHalfThereIsWaitedForAndThenTakenAsItIs) {
  Arrivals arrivals({.patience_s = 10.0});
  arrivals.closed("half", 0.0);
  EXPECT_THAT(names(arrivals.take_ready(0.0)), ElementsAre("half"));
  arrivals.not_whole("half");
  EXPECT_THAT(arrivals.take_ready(9.0), IsEmpty());
  EXPECT_FALSE(arrivals.take_pause(9.0));
  EXPECT_THAT(names(arrivals.take_ready(10.0)), ElementsAre("half as it is"));
  // The rest of it comes.
  arrivals.written("half", 20.0);
  arrivals.closed("half", 21.0);
  EXPECT_THAT(names(arrivals.take_ready(21.0)), ElementsAre("half"));
  // Nobody closes it.
  arrivals.written("open", 30.0);
  EXPECT_THAT(names(arrivals.take_ready(40.0)), ElementsAre("open as it is"));
}

TEST(Arrivals, APauseIsToldOnceAndOnlyAfterNews) {
  Arrivals arrivals({.quiet_s = 4.0});
  EXPECT_FALSE(arrivals.take_pause(100.0));
  arrivals.closed("a", 0.0);
  EXPECT_FALSE(arrivals.take_pause(50.0)) << "nobody has taken it";
  static_cast<void>(arrivals.take_ready(0.0));
  EXPECT_FALSE(arrivals.take_pause(3.9));
  EXPECT_TRUE(arrivals.take_pause(4.0));
  EXPECT_FALSE(arrivals.take_pause(5.0));
  arrivals.gone("a", 10.0);
  EXPECT_FALSE(arrivals.take_pause(12.0));
  EXPECT_TRUE(arrivals.take_pause(14.0));
}

TEST(Arrivals, WhereFilesComeSlowlyThePauseIsLonger) {
  Arrivals arrivals({.quiet_s = 4.0, .factor = 3.0, .most_quiet_s = 30.0});
  for (int i = 0; i < 6; ++i) {
    arrivals.closed(std::to_string(i), 5.0 * i);
    EXPECT_THAT(arrivals.take_ready(5.0 * i), ::testing::SizeIs(1));
    if (i > 1) {
      EXPECT_FALSE(arrivals.take_pause(5.0 * i + 4.5)) << i;
    }
  }
  EXPECT_FALSE(arrivals.take_pause(25.0 + 14.9));
  EXPECT_TRUE(arrivals.take_pause(25.0 + 15.0));
  // At most half a minute.
  for (int i = 0; i < 6; ++i) {
    arrivals.closed(std::to_string(i), 100.0 + 25.0 * i);
    static_cast<void>(arrivals.take_ready(100.0 + 25.0 * i));
  }
  EXPECT_TRUE(arrivals.take_pause(225.0 + 30.0));
}

}  // namespace
}  // namespace ringsweep::app
