// The thin lens against published and exactly derived values.
#include "ringsweep/thin_lens.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>

namespace ringsweep {
namespace {

// Gauss' equation, f = 100 mm at 1:2, 1:1 and 2:1: u = f (1 + 1/m), v = f (1 + m), exact.
// The room is rounding of 1 / (1/f - 1/u).
TEST(ThinLens, ImageDistanceFollowsTheGaussianLensEquation) {
  struct Case {
    double u_mm, v_mm;
  };
  for (const Case c : {Case{300.0, 150.0}, Case{200.0, 200.0}, Case{150.0, 300.0}})
    EXPECT_NEAR(image_distance_mm(100.0, c.u_mm), c.v_mm, 1e-10) << "u = " << c.u_mm;
}

// b = f^2 |x - u| / (N x (u - f)), the blur circle on the sensor of a point at x when u is sharp
// (the form printed in the open source of an image library, calc_bokeh_size). Values to 5 digits:
// the room is half of the last one.
TEST(ThinLens, BlurCircleIsThatOfThePublishedObjectSideForm) {
  struct Case {
    double f, f_number, m, off_mm, blur_mm;
  };
  for (const Case c : {Case{100, 8, 1, 1, 0.06219}, Case{60, 11, 0.5, 2, 0.02997},
                       Case{100, 5.6, 2, 0.1, 0.02379}}) {
    const double u = c.f * (1.0 + 1.0 / c.m);
    const ThinLens lens{.pupil_mm = c.f / c.f_number, .pitch_mm = 0.005};
    const double px =
        blur_diameter_px(lens, image_distance_mm(c.f, u + c.off_mm), image_distance_mm(c.f, u));
    EXPECT_NEAR(px * lens.pitch_mm, c.blur_mm, 5e-6) << "f " << c.f << ", m " << c.m;
  }
}

// Near and far limits of the same exact form: at a / (1 + e) in front and a / (1 - e) behind,
// a = N c (1 + m) / m^2, e = N c / (f m), the blur is c. Limits printed to 5 digits; a mm of object
// is f m / (N u) mm of blur, so half of the last digit is at most 3.2e-7 mm here.
TEST(ThinLens, BlurReachesTheCircleAtThePublishedLimitsOfDepth) {
  struct Case {
    double f, f_number, circle_mm, m, near_mm, far_mm;
  };
  for (const Case c :
       {Case{100, 8, .03, 1, .47885, .48115}, Case{100, 16, .03, .5, 2.85261, 2.90792},
        Case{60, 11, .02, 1, .43839, .44162}, Case{100, 5.6, .02, 2, .08395, .08405}}) {
    const double u = c.f * (1.0 + 1.0 / c.m);
    const ThinLens lens{.pupil_mm = c.f / c.f_number, .pitch_mm = 1.0};
    const double digit_mm = 0.5e-5 * c.f * c.m / (c.f_number * u) * 1.05;
    const double v = image_distance_mm(c.f, u);
    EXPECT_NEAR(blur_diameter_px(lens, image_distance_mm(c.f, u - c.near_mm), v), c.circle_mm,
                digit_mm);
    EXPECT_NEAR(blur_diameter_px(lens, image_distance_mm(c.f, u + c.far_mm), v), c.circle_mm,
                digit_mm);
  }
}

// Total depth 2 N c (1 + m / P) / m^2; the exact total of the rows above differs by e^2 < 2e-4.
TEST(ThinLens, DepthOfFieldIsTheSumOfTheExactLimits) {
  EXPECT_NEAR(depth_of_field_mm(8, .03, 1), .96001, 2e-4 * .96);
  EXPECT_NEAR(depth_of_field_mm(16, .03, .5), 5.76053, 2e-4 * 5.76);
  EXPECT_NEAR(depth_of_field_mm(11, .02, 1), .88001, 2e-4 * .88);
  EXPECT_NEAR(depth_of_field_mm(5.6, .02, 2), .16800, 2e-4 * .168);
}

// Pupil form: J. Conrad, Depth of Field in Depth, 2006 (from memory). Printed to 4 decimals.
TEST(ThinLens, AsymmetricPupilChangesTheDepth) {
  struct Case {
    double pupil_ratio, depth_mm;
  };
  for (const Case c :
       {Case{.5, 1.440}, Case{.7, 1.1657}, Case{1, .960}, Case{1.4, .8229}, Case{2, .720}})
    EXPECT_NEAR(depth_of_field_mm(8, .03, 1, c.pupil_ratio), c.depth_mm, 5e-5);
}

// Bellows table, macrobellows.com/dof_table.php; its circle, not printed, is 0.050 mm. The table
// has two decimals: the room is half of the last, and what the fraction 8/9 or the like needs:
// 0.006.
TEST(ThinLens, DepthOfFieldAgreesWithAPrintedCloseUpTable) {
  struct Cell {
    double m, f_number, depth_mm;
  };
  constexpr std::array kTable{Cell{.5, 8, 4.80}, Cell{.5, 16, 9.60}, Cell{1, 8, 1.60},
                              Cell{1, 16, 3.20}, Cell{1.5, 8, .89},  Cell{2, 8, .60},
                              Cell{3, 16, .71},  Cell{5, 32, .77},   Cell{6, 16, .31}};
  for (const Cell& c : kTable)
    EXPECT_NEAR(depth_of_field_mm(c.f_number, 0.050, c.m), c.depth_mm, 0.006)
        << "m " << c.m << ", f/" << c.f_number;
}

// Depths of a 1 to 5x macro lens as its reviews print them (the-digital-picture.com, MP-E 65 page):
// 2.240, 0.048 and 0.269 mm; circle, not printed, 0.035 mm; f/2.8 is the exact stop 2 sqrt 2.
TEST(ThinLens, DepthOfFieldAgreesWithALensMakersNumbers) {
  EXPECT_NEAR(depth_of_field_mm(16, .035, 1), 2.240, 6e-4);
  EXPECT_NEAR(depth_of_field_mm(2.0 * std::sqrt(2.0), .035, 5), 0.048, 6e-4);
  EXPECT_NEAR(depth_of_field_mm(16, .035, 5), 0.269, 6e-4);
}

// L = f (2 + m + 1/m): 450, 400, 450 mm for f = 100 mm; dL/dv = 1 - 1/m^2, v = f (1 + m).
TEST(ThinLens, TurningTheRingAtOneToOneHardlyMovesThePlaneInFocus) {
  EXPECT_NEAR(sensor_to_plane_mm(100, 0.5), 450.0, 1e-10);
  EXPECT_NEAR(sensor_to_plane_mm(100, 1.0), 400.0, 1e-10);
  EXPECT_NEAR(sensor_to_plane_mm(100, 2.0), 450.0, 1e-10);
  for (const double m : {0.25, 0.5, 1.0, 2.0}) {
    constexpr double kStep = 1e-4;  // of m; truncation is kStep^2 / m^4 = 2.6e-6 at most
    const double per_v = (sensor_to_plane_mm(100, m + kStep) - sensor_to_plane_mm(100, m - kStep)) /
                         (2.0 * kStep * 100.0);
    EXPECT_NEAR(per_v, 1.0 - 1.0 / (m * m), 4e-6) << "m " << m;
  }
}

// |q_k - q_t| is the blur circle of frame k seen at the middle scale: an identity, so only
// rounding.
TEST(ThinLens, FocalPositionsDifferByTheBlurBroughtToTheMiddleScale) {
  constexpr ThinLens kLens{.pupil_mm = 9.6, .pitch_mm = 0.0226};
  constexpr double kMiddle = 136.0;
  for (const double v_frame : {130.0, 136.0, 145.0})
    for (const double v_point : {131.0, 137.0, 144.0}) {
      const double own = blur_diameter_px(kLens, v_point, v_frame);
      const double at_middle = own * kMiddle / v_frame;
      EXPECT_NEAR(std::abs(focal_position_px(kLens, kMiddle, v_frame) -
                           focal_position_px(kLens, kMiddle, v_point)),
                  at_middle, 1e-10);
    }
}

// 2 lambda N_w / p: 0.00055 mm, f/16 working, 4 um pixels: 4.4 px. A quarter wave of defocus is
// +-2 lambda N^2 of focus (Rayleigh's criterion; Smith, Modern Optical Engineering, from memory),
// whose cone is 2 lambda N across.
TEST(ThinLens, QuarterWaveBlurIsTheConeAtTheRayleighFocus) {
  constexpr double kWave = 0.00055, kWorking = 16.0, kPitch = 0.004;
  const double focus_mm = 2.0 * kWave * kWorking * kWorking;
  EXPECT_NEAR(quarter_wave_blur_px(kWave, kWorking, kPitch), focus_mm / kWorking / kPitch, 1e-12);
}

}  // namespace
}  // namespace ringsweep
