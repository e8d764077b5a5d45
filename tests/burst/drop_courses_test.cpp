// Which spots that went are told, and when: against courses made by hand.
#include "burst/drop_courses.h"

#include <gtest/gtest.h>

#include <vector>

namespace ringsweep {
namespace {

/// A round drop of 6 px that went between two frames, seen clearly.
SpotCourse gone(cv::Point at, std::size_t before, std::size_t after) {
  constexpr double kLogOdds = 14.0;
  return {
      .from = {.spot = {.at = at, .sigma_px = 1.5, .height = 0.12},
               .frame = before,
               .missing = after,
               .q_px = 2.0},
      .lost = true,
      .before = before,
      .after = after,
      .q_px = 2.0,
      .own_q_px = 2.0,
      .log_odds = kLogOdds,
      .alone_log_odds = kLogOdds,
      .at = cv::Point2d(at),
      .change = {.middle = {}, .radius_px = 6.0, .reach_px = 8.0, .height = 0.2, .usual = 0.005}};
}

/// As told: before and after of the one at a place.
void expect_when(const std::vector<SpotCourse>& told, cv::Point at, std::size_t before,
                 std::size_t after) {
  for (const SpotCourse& course : told)
    if (course.from.spot.at == at) {
      EXPECT_EQ(course.before, before) << at;
      EXPECT_EQ(course.after, after) << at;
      return;
    }
  ADD_FAILURE() << "not told: " << at;
}

TEST(DropCourses, DropsThatSurelyWentOneAfterTheOtherAreToldSo) {
  const auto told =
      told_of({gone({100, 80}, 8, 9), gone({200, 80}, 10, 11), gone({300, 80}, 12, 13)});
  ASSERT_EQ(told.size(), 3U);
  expect_when(told, {100, 80}, 8, 9);
  expect_when(told, {200, 80}, 10, 11);
  expect_when(told, {300, 80}, 12, 13);
}

TEST(DropCourses, OneThatLeavesMoreOpenWentWithTheOther) {
  const auto told = told_of({gone({100, 80}, 8, 9), gone({200, 80}, 6, 14)});
  ASSERT_EQ(told.size(), 2U);
  expect_when(told, {200, 80}, 8, 9);
}

TEST(DropCourses, ButItIsNotToldWithWhichOfTwo) {
  const auto told =
      told_of({gone({100, 80}, 8, 9), gone({200, 80}, 12, 13), gone({300, 80}, 4, 16)});
  ASSERT_EQ(told.size(), 3U);
  expect_when(told, {300, 80}, 4, 16);
}

TEST(DropCourses, OneThatLeavesFramesOpenMayErrByAFewMore) {
  const auto told = told_of({gone({100, 80}, 8, 9), gone({200, 80}, 10, 12)});
  ASSERT_EQ(told.size(), 2U);
  expect_when(told, {100, 80}, 8, 9);
  expect_when(told, {200, 80}, 8, 12);
}

}  // namespace
}  // namespace ringsweep
