// The plan against printed tables. Sources beside each value.
#include "ringsweep/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

using ::testing::HasSubstr;

// A 52.5 mm tube takes a 105 mm lens from 1:2 to 1:1, a 27.5 mm ring a 55 mm lens (a lens maker's
// manuals): half a magnification each, exact. 165 mm of bellows and a lens of about 82 mm that
// reaches 1:2 by itself: about 2.5 (page 23 of one of these manuals); 123 mm more take it from 1:2
// to 2:1. One decimal is printed: the room is half of it.
TEST(MagnificationOf, IsExtensionOverFocalLength) {
  EXPECT_DOUBLE_EQ(magnification_of(52.5, 105.0), 0.5);
  EXPECT_DOUBLE_EQ(magnification_of(27.5, 55.0), 0.5);
  EXPECT_NEAR(magnification_of(165.0, 82.0) + 0.5, 2.5, 0.05);
  EXPECT_DOUBLE_EQ(magnification_of(123.0, 82.0) + 0.5, 2.0);
}

// 2 log2(1 + m): 0.644, 1.170, 2.000 and 3.170 stops, by arithmetic, three decimals. A 12 inch lens
// at 18 inches: factor 2.25; an 8 inch picture of a 12 inch original: 2.8 (US Army course SS0512),
// one or two decimals: half of the last.
TEST(ExtensionLoss, AgreesWithACoursesFactors) {
  EXPECT_NEAR(extension_loss_ev(0.25), 0.644, 5e-4);
  EXPECT_NEAR(extension_loss_ev(0.5), 1.170, 5e-4);
  EXPECT_NEAR(extension_loss_ev(1.0), 2.000, 5e-4);
  EXPECT_NEAR(extension_loss_ev(2.0), 3.170, 5e-4);
  EXPECT_NEAR(std::exp2(extension_loss_ev(magnification_of(18.0 - 12.0, 12.0))), 2.25, 5e-3);
  EXPECT_NEAR(std::exp2(extension_loss_ev(8.0 / 12.0)), 2.8, 0.05);
}

// s = D (1 - o), n = ceil((Z - D) / s) + 1, values by arithmetic.
TEST(FramesToCover, FollowStepAndDepth) {
  struct Case {
    double depth_mm, overlap, subject_mm, step_mm;
    std::size_t frames;
  };
  for (const Case c : {Case{.96, .3, 5, .672, 8}, Case{.96, .5, 5, .48, 10},
                       Case{.36, .2, 3, .288, 11}, Case{.5, 0, 5, .5, 10}}) {
    EXPECT_NEAR(step_mm(c.depth_mm, c.overlap), c.step_mm, 1e-12);
    EXPECT_EQ(frames_to_cover(c.subject_mm, c.depth_mm, step_mm(c.depth_mm, c.overlap)), c.frames);
  }
  EXPECT_EQ(frames_to_cover(0.3, 0.5, 0.4), 1U);
}

// An optics maker's table of Airy discs at 520 nm ("Limitations on resolution and contrast: the
// Airy disk"), um with two decimals: the room is 0.01 um, since f/1.4 is printed as 1.78 and is
// 1.776. At 550 nm and the working f-number, by arithmetic: 21.47, 42.94, 44.29 um.
TEST(AiryDiameter, AgreesWithAPrintedTable) {
  struct Cell {
    double f_number, um;
  };
  constexpr std::array kTable{Cell{1.4, 1.78}, Cell{2, 2.54},  Cell{2.8, 3.55}, Cell{4, 5.08},
                              Cell{5.6, 7.11}, Cell{8, 10.15}, Cell{11, 13.96}, Cell{16, 20.30}};
  for (const Cell& c : kTable)
    EXPECT_NEAR(1000.0 * airy_diameter_mm(0.00052, c.f_number), c.um, 0.01) << c.f_number;
  EXPECT_NEAR(1000.0 * airy_diameter_mm(0.00055, working_f_number(8, 1)), 21.47, 0.005);
  EXPECT_NEAR(1000.0 * airy_diameter_mm(0.00055, working_f_number(16, 1)), 42.94, 0.005);
  EXPECT_NEAR(1000.0 * airy_diameter_mm(0.00055, working_f_number(11, 2)), 44.29, 0.005);
}

// lambda / NA^2. 4x, NA 0.10: 55.0 um, 10x, 0.25: 8.80 um at 550 nm (the wave term of
// microscopyu.com's formula). With NA = m / (2 N (1 + m)): 0.5632, 2.2528, 0.3168, 1.2672 mm by
// arithmetic. Room: half of the last digit.
TEST(WaveDepth, IsTheMicroscopesWaveTerm) {
  EXPECT_NEAR(1000.0 * wave_depth_mm(0.00055, 4.0 / (2.0 * 0.10), 4.0), 55.0, 0.05);
  EXPECT_NEAR(1000.0 * wave_depth_mm(0.00055, 10.0 / (2.0 * 0.25), 10.0), 8.80, 0.005);
  EXPECT_NEAR(wave_depth_mm(0.00055, working_f_number(8, 1), 1), 0.5632, 5e-5);
  EXPECT_NEAR(wave_depth_mm(0.00055, working_f_number(16, 1), 1), 2.2528, 5e-5);
  EXPECT_NEAR(wave_depth_mm(0.00055, working_f_number(8, 2), 2), 0.3168, 5e-5);
  EXPECT_NEAR(wave_depth_mm(0.00055, working_f_number(8, .5), .5), 1.2672, 5e-5);
}

// m / (1 + m) sqrt(D / (4.88 lambda)), 550 nm: marked 13.65, 6.82, 14.39, 9.10 by arithmetic.
TEST(LeastBlur, IsWhereDefocusAndDiffractionAreEqual) {
  struct Case {
    double m, depth_mm, marked;
  };
  for (const Case c :
       {Case{1, 2, 13.65}, Case{1, .5, 6.82}, Case{.5, 5, 14.39}, Case{2, .5, 9.10}}) {
    const double working = least_blur_working_f_number(c.depth_mm, c.m);
    EXPECT_NEAR(working / (1.0 + c.m), c.marked, 0.0051) << "m " << c.m;
    // The least: 1 % of f-number to either side is worse by 0.01^2 of it, give or take 0.01^3.
    const double least = total_blur_mm(c.depth_mm, c.m, working);
    for (const double factor : {0.99, 1.01})
      EXPECT_NEAR(total_blur_mm(c.depth_mm, c.m, factor * working) / least, 1.0001, 2e-6);
    // sqrt 2 of the Airy disc: both parts are equal.
    EXPECT_NEAR(least, std::sqrt(2.0) * airy_diameter_mm(kPlanWavelengthMm, working), 1e-12);
  }
}

// Hansma's table of the best f-number for a focus spread of 1 to 5 mm on the film side, the last
// digit tenths of a stop: 16.6, 22.6, 32.2, 32.6, 32.9 (from memory). The room is a tenth: he
// rounds, and has 375 where 1 / (4.88 x 0.55 um) is 372.6, 0.005 stop.
TEST(LeastBlur, AgreesWithTheViewCameraTable) {
  struct Row {
    double spread_mm;
    int stops;  // full stop, as 2 log2 of the exact f-number
    double tenths;
  };
  for (const Row r : {Row{1, 8, .6}, Row{2, 9, .6}, Row{3, 10, .2}, Row{4, 10, .6}, Row{5, 10, .9}})
    EXPECT_NEAR(2.0 * std::log2(least_blur_working_f_number(r.spread_mm, 1.0)), r.stops + r.tenths,
                0.1)
        << r.spread_mm << " mm";
}

// The case m = 1, f/8, circle 0.03 mm of the depth tables (0.960 mm), with 30 % overlap: 8 frames,
// 0.672 mm apart (by arithmetic, as above), and one before and after.
PlanInput life_size() {
  return {.magnification = 1.0,
          .f_number = 8.0,
          .f_number_is_marked = true,
          .focus_by = FocusBy::body,
          .degrees_per_mm = 5.0,
          .pitch_mm = 0.006,
          .blur_limit_px = 5.0,
          .subject_mm = 5.0,
          .overlap = 0.3,
          .frames_per_s = 6.0};
}

TEST(MakePlan, PutsTheTablesTogether) {
  const Plan plan = make_plan(life_size());
  constexpr double kRounding = 1e-9;
  EXPECT_NEAR(plan.working_f_number, 16.0, kRounding);
  EXPECT_NEAR(plan.marked_f_number, 8.0, kRounding);
  EXPECT_NEAR(plan.depth_of_field_mm, 0.960, kRounding);
  EXPECT_NEAR(plan.step.subject_mm.value(), 0.672, kRounding);
  EXPECT_NEAR(plan.step.extension_mm.value(), 0.672, kRounding);  // m = 1, the sensor moves
  EXPECT_NEAR(plan.step.turn_deg.value(), 3.36, kRounding);
  EXPECT_EQ(plan.subject_frames, 8U);
  EXPECT_EQ(plan.frames, 10U);
  EXPECT_NEAR(plan.sweep.subject_mm.value(), 9 * 0.672, kRounding);
  EXPECT_NEAR(plan.sweep_s.value(), 1.5, kRounding);
  EXPECT_NEAR(plan.turn_deg_per_s.value(), 6 * 3.36, kRounding);
  EXPECT_FALSE(plan.flash_sets_the_rate);
  EXPECT_EQ(plan.parts, 1U);
  // 2 x 0.55 um x 16 / 6 um = 2.933 px; 5 px at f/27.27.
  EXPECT_NEAR(plan.quarter_wave_px, 2.93333, 1e-5);
  EXPECT_FALSE(plan.diffraction_leads);
  EXPECT_NEAR(plan.sharpest_working_f_number, 27.2727, 1e-4);
  EXPECT_NEAR(plan.sharpest_marked_f_number, 13.6364, 1e-4);
  EXPECT_NEAR(plan.wave_depth_mm, 0.5632, 5e-5);
}

TEST(MakePlan, MarkedAndWorkingNumbersAreOneLens) {
  PlanInput input = life_size();
  input.pupil_ratio = 0.5;  // f/8 at life size works as f/24, by N (1 + m / P)
  const Plan marked = make_plan(input);
  EXPECT_NEAR(marked.working_f_number, 24.0, 1e-9);
  EXPECT_NEAR(marked.depth_of_field_mm, 1.440, 1e-9);  // Conrad's pupil form, from memory
  input.f_number = 24.0;
  input.f_number_is_marked = false;
  const Plan working = make_plan(input);
  EXPECT_NEAR(working.marked_f_number, 8.0, 1e-9);
  EXPECT_NEAR(working.depth_of_field_mm, marked.depth_of_field_mm, 1e-9);
}

TEST(MakePlan, TheFlashHoldsTheRateDown) {
  PlanInput input = life_size();
  input.flash_wait_s = 0.25;
  input.flashes = 4;
  const Plan plan = make_plan(input);
  EXPECT_TRUE(plan.flash_sets_the_rate);
  EXPECT_DOUBLE_EQ(plan.frames_per_s.value(), 4.0);
  EXPECT_DOUBLE_EQ(plan.sweep_s.value(), 9 / 4.0);
  EXPECT_EQ(plan.parts, 3U);  // 10 frames, 4 in a row
  // Recycling at a part of the power is that part of the time at full power (common practice):
  // 2.5 s, 1/32: 12.8 a second.
  input.frames_per_s.reset();
  input.flash_wait_s = 2.5 / 32.0;
  EXPECT_NEAR(make_plan(input).frames_per_s.value(), 12.8, 1e-9);
  input.frames_per_s = 12.0;
  EXPECT_FALSE(make_plan(input).flash_sets_the_rate);
}

TEST(MakePlan, NearLifeSizeTheRingGetsNoAngle) {
  PlanInput input = life_size();
  input.focus_by = FocusBy::lens;
  const Plan plan = make_plan(input);
  EXPECT_TRUE(plan.step.hardly_moves);
  EXPECT_FALSE(plan.step.turn_deg || plan.turn_deg_per_s || plan.sweep.extension_mm);
  EXPECT_EQ(plan.subject_frames, 8U);
}

TEST(MakePlan, TheBestFNumberIsBetterAtTheSameStep) {
  const Plan plan = make_plan(life_size());
  EXPECT_LT(plan.best_total_blur_px, plan.total_blur_px);
  PlanInput input = life_size();
  input.f_number_is_marked = false;
  input.f_number = plan.best_working_f_number;
  // The step is that of the limit, which another f-number changes: keep it by the overlap.
  input.overlap = 1.0 - 0.7 * plan.working_f_number / plan.best_working_f_number;
  const Plan best = make_plan(input);
  EXPECT_NEAR(best.step.subject_mm.value(), plan.step.subject_mm.value(), 1e-9);
  EXPECT_NEAR(best.total_blur_px, plan.best_total_blur_px, 1e-9);
}

TEST(WhyNot, NamesWhatIsNoNumberForAPlan) {
  EXPECT_EQ(why_not(life_size()), "");
  const auto with = [](auto change) {
    PlanInput input = life_size();
    change(input);
    EXPECT_THROW((void)make_plan(input), std::invalid_argument);
    return why_not(input);
  };
  constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();
  EXPECT_THAT(with([](PlanInput& i) { i.magnification = 0.0; }), HasSubstr("magnification"));
  EXPECT_THAT(with([](PlanInput& i) { i.f_number = kNaN; }), HasSubstr("f-number"));
  EXPECT_THAT(with([](PlanInput& i) { i.pitch_mm = 4.4; }), HasSubstr("pitch"));
  EXPECT_THAT(with([](PlanInput& i) { i.subject_mm = -1.0; }), HasSubstr("subject"));
  EXPECT_THAT(with([](PlanInput& i) { i.overlap = 1.0; }), HasSubstr("overlap"));
  EXPECT_THAT(with([](PlanInput& i) { i.flashes = 0; }), HasSubstr("flash"));
  EXPECT_THAT(with([](PlanInput& i) { i.flash_wait_s = 0.0; }), HasSubstr("flash"));
}

}  // namespace
}  // namespace ringsweep
