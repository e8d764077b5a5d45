// The drawing of the subject's depth on the terminal.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <sstream>
#include <string>

#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using ::testing::HasSubstr;

std::string bar_of(const std::string& drawing) {
  const std::size_t from = drawing.find('[') + 1;
  return drawing.substr(from, drawing.find(']') - from);
}

TEST(CoverageDrawing, ACompleteBurstIsOneUnbrokenLine) {
  const std::string drawing = coverage_drawing(made::complete_burst());
  EXPECT_EQ(drawing, "  began [" + std::string(56, '=') + "] stopped\n");
}

// The subject goes from 4 to 67 px, 63 px on 56 columns; frames 9 and 10 at 27 and 34 px show all
// but 29.4 to 31.6 px: columns 22.6 to 24.5, rounded 23 to 24 and so two of them, from 23 on.
TEST(CoverageDrawing, AGapIsWhereItIsWithItsFrames) {
  BurstAnalysis burst = made::gapped_burst();
  burst.frames[10].focus_px = 34.0;
  const std::string drawing = coverage_drawing(burst);
  const std::string bar = bar_of(drawing);
  EXPECT_EQ(bar.find('.'), 23U);
  EXPECT_LE(std::ranges::count(bar, '.'), 2);
  EXPECT_THAT(drawing, HasSubstr("1310 | 1311"));
  EXPECT_THAT(drawing, HasSubstr(". nothing sharp"));
  burst.coverage.gaps[0].soft = true;
  EXPECT_THAT(coverage_drawing(burst), HasSubstr("- a little soft"));
}

TEST(CoverageDrawing, NearIsOnTheLeftWhereItIsKnown) {
  BurstAnalysis burst = made::gapped_burst();
  burst.frames[10].focus_px = 34.0;
  burst.near_side = {.from = NearSideSource::user, .probability = 1.0};
  const std::string drawing = coverage_drawing(burst);
  EXPECT_THAT(drawing, HasSubstr("  near ["));
  EXPECT_THAT(drawing, HasSubstr("] far\n"));
  EXPECT_THAT(drawing, HasSubstr("1311 | 1310"));  // positions grow towards near
}

TEST(CoverageDrawing, AnOpenEndIsAtItsEnd) {
  BurstAnalysis burst = made::complete_burst();
  burst.coverage.subject_high_px = 90.0;  // the last frame is at 72 px
  burst.coverage.ends[1].open = true;
  const std::string drawing = coverage_drawing(burst);
  EXPECT_EQ(bar_of(drawing).back(), '.');
  EXPECT_EQ(bar_of(drawing).front(), '=');
  EXPECT_THAT(drawing, HasSubstr("1231"));
}

TEST(CoverageDrawing, StaysInside80ColumnsAndThreeLines) {
  BurstAnalysis burst = made::gapped_burst();
  burst.coverage.gaps.clear();
  for (std::size_t k = 1; k < burst.frames.size(); ++k)
    burst.coverage.gaps.push_back({.lower = k - 1, .upper = k, .soft = k % 2 == 0});
  burst.coverage.ends[0].open = burst.coverage.ends[1].open = true;
  std::istringstream lines(coverage_drawing(burst));
  int count = 0;
  for (std::string line; std::getline(lines, line); ++count) EXPECT_LE(line.size(), 80U) << line;
  EXPECT_EQ(count, 3);
}

TEST(CoverageDrawing, NothingIsDrawnWhereDepthIsNotKnown) {
  BurstAnalysis burst = made::complete_burst();
  burst.coverage.has_subject = false;
  EXPECT_EQ(coverage_drawing(burst), "");
  EXPECT_EQ(coverage_drawing(BurstAnalysis{}), "");
}

}  // namespace
}  // namespace ringsweep
