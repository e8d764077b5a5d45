// A lens that moves on a body that stays: Gauss's formula, similar triangles and a pinhole.
#include "maker/viewpoint.h"

#include <gtest/gtest.h>

#include <cmath>

#include "maker/stage.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

constexpr double kSame = 1e-9;  // the same formula, in double

Optics body_fixed(double magnification) {
  Optics optics;
  optics.focusing = Focusing::body_fixed;
  optics.v_ref_mm = optics.focal_length_mm * (1.0 + magnification);
  return optics;
}

TEST(Viewpoint, StaysWithALensThatStays) {
  Optics optics;
  for (const double q : {-20.0, 0.0, 15.0}) {
    const double v = image_distance_at(optics, q);
    EXPECT_NEAR(focused_q_px(optics, v), q, kSame);
    EXPECT_NEAR(focal_position_px({optics.pupil_mm, optics.pitch_mm}, optics.v_ref_mm, v), q,
                kSame);
    EXPECT_EQ(lens_forward_mm(optics, v), 0.0);
    EXPECT_EQ(blur_per_q(optics, q), 1.0);
    EXPECT_NEAR(picture_scale(optics, v), v / optics.v_ref_mm, kSame);
  }
}

TEST(Viewpoint, TheSensorSeesThePlaneAtTheSumOfBothDistances) {
  // f (2 + m + 1/m) from the sensor: the sum of f (1 + m) and f (1 + 1/m), Gauss.
  for (const double m_ref : {0.5, 1.4}) {
    const Optics optics = body_fixed(m_ref);
    for (const double m : {m_ref * 0.97, m_ref, m_ref * 1.04}) {
      const double v = optics.focal_length_mm * (1.0 + m);
      const double from_sensor = distance_mm(optics, focused_q_px(optics, v)) + optics.v_ref_mm;
      EXPECT_NEAR(from_sensor, sensor_to_plane_mm(optics.focal_length_mm, m), kSame) << m;
    }
  }
}

TEST(Viewpoint, ThePlaneMovesByOneMinusOneOverMSquaredPerMm) {
  // By this much away from the sensor for every mm of extension: towards the lens below life size
  // (the lens comes more than the plane does), away from it beyond, and not at all at life size.
  constexpr double kSmall = 1e-4;  // mm; what is left of the difference's own error is 1e-8
  for (const double m : {0.4, 0.7, 1.0, 1.5}) {
    const Optics optics = body_fixed(m);
    const auto plane = [&](double v) { return distance_mm(optics, focused_q_px(optics, v)); };
    const double per_mm =
        (plane(optics.v_ref_mm + kSmall) - plane(optics.v_ref_mm - kSmall)) / (2.0 * kSmall);
    EXPECT_NEAR(per_mm, 1.0 - 1.0 / (m * m), 1e-6) << m;
    // And by (1 - m^2) of what the same extension does with the lens fixed.
    Optics lens_fixed = optics;
    lens_fixed.focusing = Focusing::lens_fixed;
    const double v = optics.v_ref_mm + kSmall;
    EXPECT_NEAR(focused_q_px(optics, v) / focused_q_px(lens_fixed, v), 1.0 - m * m, 1e-4) << m;
  }
}

TEST(Viewpoint, TheRingIsFoundForAPlaneOnEitherSideOfLifeSize) {
  for (const double m : {0.5, 1.4}) {
    const Optics optics = body_fixed(m);
    for (const double q : {-8.0, 0.0, 8.0}) {
      EXPECT_NEAR(focused_q_px(optics, image_distance_at(optics, q)), q, 1e-8) << m;
    }
  }
  EXPECT_LT(image_distance_at(body_fixed(1.4), 1.0), body_fixed(1.4).v_ref_mm)
      << "beyond life size a longer extension focuses farther away";
  EXPECT_THROW((void)image_distance_at(body_fixed(0.9), 50.0), std::invalid_argument)
      << "no plane is nearer to the sensor than four focal lengths";
}

TEST(Viewpoint, SpaceIsWhatAPinholeSeesFromNearer) {
  // A point of the real world, X mm beside the axis and U mm from the lens, before and after the
  // lens has come 3 mm nearer.
  const Optics optics = body_fixed(0.6);
  constexpr double kQPerU = 0.04, kNearer = 3.0;
  const Approach nearer = approach(optics, kNearer, kQPerU);
  const auto seen = [&](double x_mm, double distance) {
    const double q = (1.0 / distance - 1.0 / distance_mm(optics, 0.0)) * optics.pupil_mm *
                     optics.v_ref_mm / optics.pitch_mm;
    return cv::Vec3d(x_mm / distance * optics.v_ref_mm, 0.0, q / kQPerU);
  };
  for (const double x_mm : {0.0, 2.0}) {
    for (const double distance : {154.0, 160.0, 169.0}) {
      const cv::Vec3d before = seen(x_mm, distance), after = seen(x_mm, distance - kNearer);
      const cv::Vec3f made = nearer(cv::Vec3f(before));
      EXPECT_NEAR(made[0], after[0], 1e-6);  // one float
      EXPECT_NEAR(made[2], after[2], 1e-3);  // one float, of up to 1000 u
      // The Jacobian, against differences: half a u each way, of a map that is straight to 1e-4.
      const cv::Matx33f j = nearer.near(cv::Vec3f(before));
      const cv::Vec3f step(0.5F, 0.0F, 0.5F);
      const cv::Vec3f moved = nearer(cv::Vec3f(before) + step) - nearer(cv::Vec3f(before) - step);
      const cv::Vec3f linear = j * (step * 2.0F);
      EXPECT_NEAR(moved[0], linear[0], 1e-3);
      EXPECT_NEAR(moved[2], linear[2], 1e-3);
    }
  }
}

TEST(Viewpoint, BlurCirclesAreThoseOfSimilarTriangles) {
  // The blur of a point against its own and the focused plane as seen from v_ref: s_a s_b |q_a -
  // q_b| in a frame brought to scale 1, and near the focus blur_per_q of it, brought to depth 0's
  // scale.
  const Optics optics = body_fixed(0.6);
  const ThinLens lens{optics.pupil_mm, optics.pitch_mm};
  for (const double q : {-6.0, 3.0, 7.0}) {
    const double v = image_distance_at(optics, q), forward = lens_forward_mm(optics, v);
    const double distance = distance_mm(optics, q + 0.01);
    const double v_point = image_distance_mm(optics.focal_length_mm, distance - forward);
    const double blur = blur_diameter_px(lens, v_point, v) / picture_scale(optics, v);
    // A hundredth of a px away from the focus: the rest is of the second order.
    EXPECT_NEAR(blur / 0.01, blur_per_q(optics, q), 2e-4) << q;
  }
}

TEST(Viewpoint, DropsStandWhereAPinholeSeesThem) {
  // Frames of one sweep; drops near the edge of the picture show parallax.
  Recipe recipe;
  recipe.scene = SceneKind::varied;
  recipe.seed = 3;
  recipe.width_px = 320;
  recipe.height_px = 240;
  recipe.optics = body_fixed(0.6);
  recipe.optics.pitch_mm = 0.0544;
  recipe.optics.pupil_mm = 9.0;
  recipe.depth_scale = 3.0;
  recipe.sweeps[0] = {
      .from_px = 9.0, .to_px = -9.0, .smallest_step_px = 4.0, .largest_step_px = 4.0};
  const std::vector<FramePlan> plans = plan_frames(recipe);
  Stage stage(recipe);
  double most = 0.0;
  for (const std::size_t k : {std::size_t{0}, plans.size() - 1}) {
    const Scene& scene = stage.scene(k);
    SceneFrame frame{.width_px = recipe.width_px,
                     .height_px = recipe.height_px,
                     .raster_per_px = recipe.raster_per_px};
    std::vector<cv::Vec3d> sums(stage.cast().drops.size());
    for (const Seen& s : seen_in(frame, scene)) {
      if (s.drop == 0) continue;
      sums[s.drop - 1U] += cv::Vec3d((s.x + 0.5 - scene.width / 2.0) / scene.raster_per_px,
                                     (s.y + 0.5 - scene.height / 2.0) / scene.raster_per_px, 1.0);
    }
    for (std::size_t d = 0; d < sums.size(); ++d) {
      const Drop& drop = stage.cast().drops[d];
      const SeenDrop& seen = stage.sight().drops[d];
      if (seen.visible < 0.98 || seen.radius_px < 3.0) continue;
      const double centre_q =
          drop.centre[2] * q_per_px(recipe) * recipe.width_px / static_cast<double>(kSceneWidth);
      const double distance = distance_mm(recipe.optics, centre_q);
      const double s = distance / (distance - lens_forward_mm(recipe.optics, plans[k].v_mm));
      // Half a raster pixel: the edge of what counts as seen.
      EXPECT_NEAR(sums[d][0] / sums[d][2], s * seen.x_px, 0.25) << k << " " << d;
      EXPECT_NEAR(sums[d][1] / sums[d][2], s * seen.y_px, 0.25) << k << " " << d;
      most =
          std::max(most, std::abs(s - plans[k].scale / sensor_scale(recipe.optics, plans[k].v_mm)) *
                             std::hypot(seen.x_px, seen.y_px));
    }
  }
  EXPECT_GT(most, 0.3) << "no parallax to see";
}

}  // namespace
}  // namespace ringsweep::maker
