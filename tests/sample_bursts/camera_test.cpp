// Layered blur, breathing and the pixel grid.
#include "maker/camera.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "maker/disc.h"
#include "maker/shaders.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

constexpr int kSide = 320;

SceneFrame small_frame() {
  SceneFrame frame;
  frame.width_px = kSide;
  frame.height_px = kSide;
  frame.raster_per_px = 1.0;
  frame.margin = 0.0;
  return frame;
}

/// A surface given point by point: focal position and brightness, or nothing there.
struct Point {
  float q_px;
  float light;
};
void add_surface(Scene& scene, const std::function<std::optional<Point>(int, int)>& at) {
  for (int y = 0; y < scene.height; ++y) {
    for (int x = 0; x < scene.width; ++x) {
      const auto point = at(x, y);
      if (!point) continue;
      Fragment f;
      f.x = static_cast<std::uint16_t>(x);
      f.y = static_cast<std::uint16_t>(y);
      f.q_px = point->q_px;
      f.rgb = cv::Vec3f::all(point->light);
      f.alpha = 1.0F;
      f.subject = true;
      const int tile = y / Scene::kTile * scene.tiles_across + x / Scene::kTile;
      scene.tiles[static_cast<std::size_t>(tile)].push_back(f);
    }
  }
}

Veil wall(const Scene& scene, float light) {
  Veil veil;
  veil.q_px = -60.0F;
  veil.rgba = cv::Mat(scene.height, scene.width, CV_32FC4, cv::Scalar(light, light, light, 1.0));
  return veil;
}

float texture(int x, int y) {
  return 0.5F +
         0.3F * std::sin(static_cast<float>(x) * 0.9F) * std::cos(static_cast<float>(y) * 0.7F);
}

double mean_of(const cv::Mat& picture, const cv::Rect& box) { return cv::mean(picture(box))[0]; }

class SlantedPlane : public testing::TestWithParam<double> {};

TEST_P(SlantedPlane, StaysClosedAndKeepsItsBrightnessWhereverTheFocus) {
  const SceneFrame frame = small_frame();
  for (const float behind : {0.0F, 2.0F}) {  // a black and a white wall would show through seams
    Scene scene = empty_scene(frame);
    // 0.08 px of blur per pixel, q from -12.8 to 12.8, the slope of the meadow's beetle and stem.
    add_surface(scene, [](int x, int y) {
      return Point{0.08F * static_cast<float>(x - kSide / 2) + 0.013F, texture(x, y)};
    });
    scene.background = wall(scene, behind);
    finish(frame, scene);
    const cv::Mat picture = blurred(scene, GetParam());
    // Inside the plane, farther than any disc's radius from its edges.
    for (int x = 30; x + 20 <= kSide - 30; x += 20) {
      const double mean = mean_of(picture, {x, 30, 20, kSide - 60});
      double truth = 0.0;
      for (int y = 30; y < kSide - 30; ++y)
        for (int i = x; i < x + 20; ++i) truth += texture(i, y);
      truth /= 20.0 * (kSide - 60);
      // 1 % is asked for; light that a wall twice as bright sends through would be 4 times as much.
      EXPECT_NEAR(mean, truth, 0.01 * 0.5) << "column " << x << ", wall " << behind;
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Focus, SlantedPlane, testing::Values(-20.0, -9.3, 0.0, 5.1, 16.0));

/// Mean squared gradient.
double detail(const cv::Mat& picture, const cv::Rect& box) {
  double sum = 0.0;
  for (int y = box.y; y < box.y + box.height; ++y) {
    for (int x = box.x; x < box.x + box.width; ++x) {
      const float here = picture.at<float>(y, x);
      sum += std::pow(picture.at<float>(y, x + 1) - here, 2.0) +
             std::pow(picture.at<float>(y + 1, x) - here, 2.0);
    }
  }
  return sum / box.area();
}

/// Light of a surface, every point of which throws its own disc, and nothing else: no slices.
cv::Mat sum_of_discs(const cv::Mat& light, const std::function<double(int)>& radius_at) {
  cv::Mat sum(light.size(), CV_32FC1, cv::Scalar(0)), weight = sum.clone();
  for (int x = 0; x < light.cols; ++x) {
    const cv::Mat kernel = disc_kernel(radius_at(x));
    const int reach = kernel.rows / 2;
    if (x < reach || x + reach >= light.cols) continue;
    for (int y = reach; y + reach < light.rows; ++y) {
      const cv::Rect box(x - reach, y - reach, kernel.cols, kernel.rows);
      sum(box) += kernel * light.at<float>(y, x);
      weight(box) += kernel;
    }
  }
  return sum / cv::max(weight, 1e-6F);
}

TEST(Layers, ASlantedSurfaceIsAsSoftAsTheSumOfItsDiscs) {
  const SceneFrame frame = small_frame();
  for (const double slope : {0.05, 0.1, 0.25}) {  // px of blur per px
    Scene scene = empty_scene(frame);
    cv::Mat light(scene.height, scene.width, CV_32FC1);
    cv::RNG random(5);
    random.fill(light, cv::RNG::UNIFORM, 0.0, 1.0);
    cv::GaussianBlur(light, light, {0, 0}, 1.2);
    const auto q = [&](int x) { return slope * (x - scene.width / 2) + 0.013; };
    add_surface(scene, [&](int x, int y) {
      return Point{static_cast<float>(q(x)), light.at<float>(y, x)};
    });
    finish(frame, scene);
    cv::Mat picture;
    cv::extractChannel(blurred(scene, 0.0), picture, 1);
    const cv::Mat truth = sum_of_discs(light, [&](int x) { return std::abs(q(x)) / 2.0; });
    for (const double blur_px : {-12.0, -8.0, -5.0, -3.0, 3.0, 5.0, 8.0, 12.0}) {
      const int x = scene.width / 2 + static_cast<int>(blur_px / slope);
      if (x < 40 || x > scene.width - 40) continue;
      // Columns enough to see whole slices, few enough for one blur.
      const cv::Rect box(x - 10, 20, 20, scene.height - 40);
      // Slices blur their nearer and farther halves alike: a quarter of a px, of 3 px of blur, is
      // 6 % of the energy. Slices that cover each other make it 10 to 100 % too much from 5 px on.
      EXPECT_NEAR(detail(picture, box) / detail(truth, box), 1.0, 0.08)
          << "slope " << slope << ", blur " << blur_px;
    }
  }
}

TEST(Layers, ARoundSurfaceHasNoSeams) {
  SceneFrame frame = small_frame();
  frame.q_per_px = 0.07;
  Object ball;
  ball.solids.push_back(Ellipsoid{{0, 0, 0}, cv::Matx33f::eye(), {400.0F, 330.0F, 420.0F}});
  ball.shader = [](const Hit&, float) { return cv::Vec3f::all(1.0F); };
  Scene scene = empty_scene(frame);
  add_objects({ball}, frame, scene);
  finish(frame, scene);  // nothing behind: a seam would be dark
  for (const double focus : {-6.0, 0.0, 4.0, 9.4, 15.0}) {
    const cv::Mat picture = blurred(scene, focus);
    for (int y = 0; y < kSide; y += 3) {
      for (int x = 0; x < kSide; x += 3) {
        const double u = (x + 0.5 - kSide / 2.0) / 0.32, v = (y + 0.5 - kSide / 2.0) / 0.32;
        // Half axes less 9 px: the largest radius (15 - -3) / 2 of the rim's disc.
        if (std::hypot(u / (400.0 - 28.0), v / (330.0 - 28.0)) > 1.0) continue;
        ASSERT_NEAR(picture.at<cv::Vec3f>(y, x)[0], 1.0F, 0.01F)
            << "focus " << focus << ", at " << x << ", " << y;
      }
    }
  }
}

constexpr int kEdge = 160;  // the near half covers x < kEdge

Scene edge_scene(float near_q, float near_light, float far_q, float far_light) {
  const SceneFrame frame = small_frame();
  Scene scene = empty_scene(frame);
  add_surface(scene, [&](int, int) { return Point{far_q, far_light}; });
  add_surface(scene, [&](int x, int) -> std::optional<Point> {
    if (x >= kEdge) return std::nullopt;
    return Point{near_q, near_light};
  });
  finish(frame, scene);
  return scene;
}

TEST(Layers, ABlurredFarPartDoesNotSpreadOverASharpNearEdge) {
  // Near surface at 0.25, the middle of its slice, in focus; the far one 16 px out of focus.
  const Scene scene = edge_scene(0.25F, 0.0F, -15.75F, 1.0F);
  const cv::Mat picture = blurred(scene, 0.25);
  for (int x = 20; x < kEdge; ++x) EXPECT_LT(picture.at<cv::Vec3f>(160, x)[0], 1e-5F) << x;
  for (int x = kEdge; x < 300; ++x) EXPECT_NEAR(picture.at<cv::Vec3f>(160, x)[0], 1.0F, 1e-3F) << x;
}

TEST(Layers, ABlurredNearPartSpreadsOverWhatLiesBehind) {
  // Beyond 14 px of blur slices are 2 px thick and cut at even positions: 17 is the middle of one.
  const double radius = (17.0 - 0.25) / 2.0;
  const Scene scene = edge_scene(17.0F, 0.0F, 0.25F, 1.0F);
  const cv::Mat picture = blurred(scene, 0.25);
  for (int x = kEdge - 12; x <= kEdge + 12; ++x) {
    // Share of a disc beyond a straight edge at distance s: (acos t - t sqrt(1 - t^2)) / pi, t = s
    // / R.
    const double t = std::clamp((x + 0.5 - kEdge) / radius, -1.0, 1.0);
    const double covered = (std::acos(t) - t * std::sqrt(1.0 - t * t)) / std::numbers::pi;
    // Pixels integrate the edge: at most 1/24 of the profile's curvature, 0.002 at this radius; the
    // kernel's own raster gives the rest.
    EXPECT_NEAR(picture.at<cv::Vec3f>(160, x)[0], 1.0 - covered, 0.01) << x;
  }
}

/// A drop of 10 px on the ground, its glint of 4 px between middle and rim; sum of the light.
double light_of_drop(float glint, float height_u, double focus) {
  constexpr float kPx = 1000.0F / kSide, kRadius = 10.0F * kPx;  // u
  SceneFrame frame = small_frame();
  frame.q_per_px = 0.07;
  Object ball;
  ball.solids.push_back(
      Ellipsoid{{0, 0, height_u}, cv::Matx33f::eye(), {kRadius, kRadius, kRadius}});
  ball.shader = [glint](const Hit& hit, float) {
    const cv::Vec3f middle(0.6F * kRadius, 0.0F, hit.position[2]);
    return cv::Vec3f::all(cv::norm(hit.position - middle) < 2.0 * kPx ? glint : 0.1F);
  };
  Scene scene = empty_scene(frame);
  add_surface(scene, [](int, int) { return Point{0.0F, 0.3F}; });
  add_objects({ball}, frame, scene);
  finish(frame, scene);
  return cv::sum(blurred(scene, focus))[0];
}

TEST(Layers, AGlintKeepsItsLightWhereverTheFocus) {
  // Rays from the pupil's edge move 1/2 px aside on 1 px of blur, the ball falls back by 0.07 * 4/3
  // px of blur a px at the far side of its glint: no part of it hides the glint from any ray. What
  // is sharp counts as truth.
  for (const float height_u : {0.0F, 18.0F}) {
    const auto light = [height_u](double focus) {
      return light_of_drop(8.0F, height_u, focus) - light_of_drop(0.1F, height_u, focus);
    };
    const double sharp = light(0.6);
    // Where two slices meet in a straight edge, discs of radii R and R + dR add up to 1 within
    // 2 t sqrt(1 - t^2) / pi * dR / R <= dR / (pi R), t R being the distance to the edge; what is
    // too much is taken from the farther one. From 6 px on, slices half a px apart: 0.027.
    for (double away = 6.1; away < 22.0; away += 1.4)
      for (const double focus : {-away, away})
        EXPECT_NEAR(light(focus) / sharp, 1.0, 0.027) << "focus " << focus << " at " << height_u;
  }
}

TEST(Layers, ASmallGlintIsAsBrightWhereverItFallsOnTheRaster) {
  // A viewpoint that moves shifts the raster under the drop from frame to frame.
  SceneFrame frame = small_frame();
  frame.raster_per_px = 2.0;
  const auto light = [&](float glint, float shift_px) {
    constexpr float kPx = 1000.0F / kSide, kRadius = 3.0F * kPx;  // u
    Object ball;
    ball.solids.push_back(Ellipsoid{{shift_px * kPx, 0.6F * shift_px * kPx, 0},
                                    cv::Matx33f::eye(),
                                    {kRadius, kRadius, kRadius}});
    ball.shader = dew(light_from(0.0F, Lights::point), 1, glint);
    Scene scene = empty_scene(frame);
    add_objects({ball}, frame, scene);
    double sum = 0.0;
    for (const auto& tile : scene.tiles)
      for (const Fragment& f : tile) sum += static_cast<double>(f.rgb[0] * f.alpha);
    return sum;
  };
  std::vector<double> brightness;
  for (int i = 0; i < 10; ++i) {
    const float shift_px = 0.05F * static_cast<float>(i);
    brightness.push_back(light(8.0F, shift_px) - light(0.0F, shift_px));
  }
  const auto [least, most] = std::ranges::minmax(brightness);
  // 36 samples a raster pixel, some five of them within the glint: the grid errs by about a
  // perimeter's share of one, a tenth.
  EXPECT_LT(most / least, 1.1) << least << " to " << most;
}

TEST(Camera, APointBecomesADiscOfTheThinLensDiameter) {
  // f = 100 mm, N = 8, 1:1, thin lens. A point 1 mm behind the plane in focus at u = 200 mm is a
  // disc of 0.06219 mm: (f / N) m |x - u| / x.
  constexpr double kFocal = 100.0, kPupil = 12.5, kBookMm = 0.06219;
  const double pitch = kBookMm / 12.0;  // 12 px of blur
  const ThinLens lens{kPupil, pitch};
  const double v_frame = image_distance_mm(kFocal, 200.0);
  const double v_point = image_distance_mm(kFocal, 201.0);
  EXPECT_NEAR(blur_diameter_px(lens, v_point, v_frame) * pitch, kBookMm, 1e-5);

  const double v_ref = 195.0;  // any scale; the frame is larger by v_frame / v_ref
  const double q_point = focal_position_px(lens, v_ref, v_point);
  const double q_frame = focal_position_px(lens, v_ref, v_frame);
  SceneFrame frame = small_frame();
  frame.raster_per_px = 2.0;
  Scene scene = empty_scene(frame);
  // Slices are cut at fixed positions: move the whole so that the point sits in the middle of one.
  const double shift = std::floor(q_point) + 0.5 - q_point;
  add_surface(scene, [&](int x, int y) -> std::optional<Point> {
    if (x / 2 != scene.width / 4 || y / 2 != scene.height / 4) return std::nullopt;
    return Point{static_cast<float>(q_point + shift), 1.0F};
  });
  finish(frame, scene);
  const cv::Mat picture =
      on_sensor(blurred(scene, q_frame + shift), 2.0, {.scale = v_frame / v_ref}, {kSide, kSide});
  double sum = 0.0, x1 = 0.0, x2 = 0.0;
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const double light = picture.at<cv::Vec3f>(y, x)[0];
      sum += light;
      x1 += light * x;
      x2 += light * x * x;
    }
  }
  // The spot itself and the pixel have a variance of s^2 / 12 each, s = 1.03 and 1 px;
  // interpolation of the raster half a pixel fine adds about (1/2)^2 / 6.
  const double scale = v_frame / v_ref;
  const double own = scale * scale / 12.0 + 1.0 / 12.0 + scale * scale / 24.0;
  const double variance = x2 / sum - (x1 / sum) * (x1 / sum) - own;
  EXPECT_NEAR(4.0 * std::sqrt(variance), 12.0, 0.01 * 12.0);  // variance R^2 / 4 = d^2 / 16
}

TEST(Camera, ScaleAndShiftPutThingsWhereTheTruthSays) {
  const SceneFrame frame = small_frame();
  Scene scene = empty_scene(frame);
  constexpr int kAtX = 250,
                kAtY = 90;  // a square of 2 x 2 raster pixels around their common corner
  add_surface(scene, [](int x, int y) -> std::optional<Point> {
    if (x < kAtX - 1 || x > kAtX || y < kAtY - 1 || y > kAtY) return std::nullopt;
    return Point{0.25F, 1.0F};
  });
  finish(frame, scene);
  const Placement placement{1.07, 1.5, 0.6, -0.8};
  const cv::Mat picture = on_sensor(blurred(scene, 0.25), 1.0, placement, {kSide, kSide});
  double sum = 0.0, x1 = 0.0, y1 = 0.0;
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) {
      const double light = picture.at<cv::Vec3f>(y, x)[0];
      sum += light;
      x1 += light * x;
      y1 += light * y;
    }
  }
  const cv::Vec4d m = frame_from_scene(placement, {kSide, kSide});
  const double X = kAtX - kSide / 2.0, Y = kAtY - kSide / 2.0;
  // A spot of 2 px sampled by whole pixels: its centroid is right to a few hundredths.
  EXPECT_NEAR(x1 / sum, m[0] * X - m[1] * Y + m[2], 0.05);
  EXPECT_NEAR(y1 / sum, m[1] * X + m[0] * Y + m[3], 0.05);
}

}  // namespace
}  // namespace ringsweep::maker
