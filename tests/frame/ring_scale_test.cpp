// Px of blur in mm and degrees, against published tables and against the exact thin lens.
#include "ringsweep/ring_scale.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <stdexcept>

#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

// Travel of a helicoid is linear in its angle (a lead of 100 mm a turn: 0.27778 mm a degree), and
// f = 100 mm: the plane moves, against the body, by 1 - 1/m^2 of that. Values by arithmetic from
// L = f (2 + m + 1/m), to four decimals; the room is half of the last.
TEST(PlaneShift, PerDegreeOfAHelicoid) {
  struct Case {
    double m, mm_per_deg;
  };
  for (const Case c : {Case{0.5, -0.8333}, Case{0.8, -0.1562}, Case{1.0, 0.0}, Case{1.5, 0.1543}})
    EXPECT_NEAR(plane_shift_per_extension(c.m, FocusBy::lens) * 100.0 / 360.0, c.mm_per_deg, 5.1e-5)
        << "m " << c.m;
  // -3 at 1:2, -15 at 1:4, 0.75 at 2:1: exact.
  EXPECT_DOUBLE_EQ(plane_shift_per_extension(0.5, FocusBy::lens), -3.0);
  EXPECT_DOUBLE_EQ(plane_shift_per_extension(0.25, FocusBy::lens), -15.0);
  EXPECT_DOUBLE_EQ(plane_shift_per_extension(2.0, FocusBy::lens), 0.75);
  EXPECT_DOUBLE_EQ(plane_shift_per_extension(0.5, FocusBy::body), -4.0);
}

// The allowed step, twice the blur limit, is the depth of field. Bellows table,
// macrobellows.com/dof_table.php; its circle, not printed, is 0.050 mm. Two decimals: the room is
// half of the last, and what fractions like 8/9 need: 0.006.
TEST(StepSize, AllowedStepIsTheDepthOfAPrintedCloseUpTable) {
  struct Cell {
    double m, f_number, depth_mm;
  };
  constexpr std::array kTable{Cell{.5, 8, 4.80}, Cell{.5, 16, 9.60}, Cell{1, 8, 1.60},
                              Cell{1, 16, 3.20}, Cell{1.5, 8, .89},  Cell{2, 8, .60},
                              Cell{3, 16, .71},  Cell{5, 32, .77},   Cell{6, 16, .31}};
  constexpr double kPitch = 0.004;
  for (const Cell& c : kTable)
    for (const FocusBy by : {FocusBy::lens, FocusBy::body, FocusBy::camera, FocusBy::not_said}) {
      const StepSize step =
          ring_step(2.0 * 0.050 / kPitch, {.working_f_number = working_f_number(c.f_number, c.m),
                                           .pitch_mm = kPitch,
                                           .magnification = c.m,
                                           .focus_by = by});
      EXPECT_NEAR(step.subject_mm.value(), c.depth_mm, 0.006) << "m " << c.m << " f/" << c.f_number;
    }
}

// The exact thin lens: f = 60 mm, pupil 6 mm, a point that is sharp at `m`; then the lens moves by
// `extension`, from half of it before to half of it behind. The blur circles at both ends, together
// the distance of the two frames' positions, must be what ring_step calls that extension. Their
// second-order terms cancel; of third order remains (extension / 60 mm)^2 of it, with a factor that
// grows as 1/|1 - m^2|: 1e-5 of it is ample.
TEST(StepSize, ExtensionIsThatOfTheExactThinLens) {
  constexpr double kFocal = 60.0, kPitch = 0.005, kExtension = 0.02;
  constexpr ThinLens kLens{.pupil_mm = 6.0, .pitch_mm = kPitch};
  for (const double m : {0.3, 0.5, 0.8, 1.25, 2.0, 3.0}) {
    const double v = kFocal * (1.0 + m), u = kFocal * (1.0 + 1.0 / m);
    RingScale scale{.working_f_number = v / 6.0, .pitch_mm = kPitch, .magnification = m};
    const auto blur = [&](double extension, bool lens_moves) {
      const double point = image_distance_mm(kFocal, lens_moves ? u - extension : u);
      return blur_diameter_px(kLens, point, v + extension);
    };
    for (const FocusBy by : {FocusBy::lens, FocusBy::body}) {
      scale.focus_by = by;
      const double px = blur(0.5 * kExtension, by == FocusBy::lens) +
                        blur(-0.5 * kExtension, by == FocusBy::lens);
      EXPECT_NEAR(ring_step(px, scale).extension_mm.value(), kExtension, 1e-5 * kExtension)
          << "m " << m;
    }
  }
}

// The ends of a sweep are as far apart as f (2 + m + 1/m) says, with m the geometric mean of both:
// an identity, so only rounding.
TEST(StepSize, TheGeometricMeanMagnificationIsExactForAWholeSweep) {
  constexpr double kFocal = 60.0, kFrom = 0.5, kTo = 0.7;
  const double planes =
      std::abs(sensor_to_plane_mm(kFocal, kTo) - sensor_to_plane_mm(kFocal, kFrom));
  const double extension = kFocal * (kTo - kFrom);
  EXPECT_NEAR(
      std::abs(plane_shift_per_extension(std::sqrt(kFrom * kTo), FocusBy::lens)) * extension,
      planes, 1e-10);
}

TEST(StepSize, DegreesFollowExtension) {
  // 4 px of 5 um at f/16 working: 0.32 mm of extension by hand; 10 degrees a mm.
  const RingScale scale{.working_f_number = 16.0,
                        .pitch_mm = 0.005,
                        .magnification = 2.0,
                        .degrees_per_mm = 10.0,
                        .focus_by = FocusBy::body};
  const StepSize step = ring_step(4.0, scale);
  EXPECT_NEAR(step.extension_mm.value(), 0.32, 1e-12);  // rounding, here and below
  EXPECT_NEAR(step.subject_mm.value(), 0.08, 1e-12);
  EXPECT_NEAR(step.turn_deg.value(), 3.2, 1e-12);
}

TEST(StepSize, NothingIsGuessed) {
  const RingScale all{.working_f_number = 16.0,
                      .pitch_mm = 0.005,
                      .magnification = 0.5,
                      .degrees_per_mm = 10.0,
                      .focus_by = FocusBy::lens};
  EXPECT_TRUE(ring_step(4.0, all).turn_deg);
  RingScale less = all;
  less.degrees_per_mm.reset();
  EXPECT_TRUE(ring_step(4.0, less).extension_mm);
  EXPECT_FALSE(ring_step(4.0, less).turn_deg);
  less = all;
  less.focus_by = FocusBy::not_said;
  EXPECT_FALSE(ring_step(4.0, less).extension_mm);
  EXPECT_TRUE(ring_step(4.0, less).subject_mm);
  less.focus_by = FocusBy::camera;
  EXPECT_FALSE(ring_step(4.0, less).extension_mm);
  less = all;
  less.magnification.reset();
  EXPECT_FALSE(ring_step(4.0, less).extension_mm);
  EXPECT_FALSE(ring_step(4.0, less).subject_mm);
  less.focus_by = FocusBy::body;  // the sensor's way needs no magnification
  EXPECT_TRUE(ring_step(4.0, less).extension_mm);
  for (auto RingScale::*number : {&RingScale::working_f_number, &RingScale::pitch_mm}) {
    less = all;
    (less.*number).reset();
    EXPECT_FALSE(ring_step(4.0, less).extension_mm || ring_step(4.0, less).subject_mm);
  }
}

TEST(StepSize, NearLifeSizeNoAngleIsTold) {
  RingScale scale{.working_f_number = 16.0,
                  .pitch_mm = 0.005,
                  .magnification = 1.05,
                  .degrees_per_mm = 10.0,
                  .focus_by = FocusBy::lens};
  const StepSize step = ring_step(4.0, scale);
  EXPECT_TRUE(step.hardly_moves);
  EXPECT_FALSE(step.extension_mm || step.turn_deg);
  EXPECT_TRUE(step.subject_mm);
  for (const double m : {0.91, 1.0, 1.09}) EXPECT_TRUE(ring_hardly_moves_plane(m, FocusBy::lens));
  for (const double m : {0.9, 1.1}) EXPECT_FALSE(ring_hardly_moves_plane(m, FocusBy::lens));
  scale.focus_by = FocusBy::body;
  EXPECT_FALSE(ring_step(4.0, scale).hardly_moves);
  EXPECT_TRUE(ring_step(4.0, scale).turn_deg);
}

TEST(StepSize, ACallersMistakesAreToldAsSuch) {
  EXPECT_THROW((void)ring_step(-1.0, {}), std::invalid_argument);
  EXPECT_THROW((void)ring_step(1.0, {.pitch_mm = 0.0}), std::invalid_argument);
  EXPECT_THROW((void)plane_shift_per_extension(0.5, FocusBy::camera), std::invalid_argument);
  EXPECT_THROW((void)plane_shift_per_extension(0.0, FocusBy::lens), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
