// Blur kernels of all pupils, as numbers and on a rendered point. The moments follow by
// integration.
#include "maker/pupil.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <stdexcept>

#include "maker/camera.h"
#include "maker/disc.h"

namespace ringsweep::maker {
namespace {

struct Spot {
  double sum = 0.0, xx = 0.0, yy = 0.0;
};

/// Of a kernel or picture, around its middle.
Spot spot_of(const cv::Mat& picture) {
  Spot spot;
  const double cx = (picture.cols - 1) / 2.0, cy = (picture.rows - 1) / 2.0;
  for (int y = 0; y < picture.rows; ++y) {
    for (int x = 0; x < picture.cols; ++x) {
      const double light = picture.at<float>(y, x);
      spot.sum += light;
      spot.xx += light * (x - cx) * (x - cx);
      spot.yy += light * (y - cy) * (y - cy);
    }
  }
  spot.xx /= spot.sum;
  spot.yy /= spot.sum;
  return spot;
}

/// Variance along an axis of a pupil of radius 1 with intensity 1 + s (2 r^2 - 1): the disc's
/// R^2 / 4 becomes R^2 (1 / 4 + s / 12), for any shape 1 + s / 3 times its own.
double variance_of(const Pupil& pupil, double radius, double s) {
  const double shape = pupil.shape == PupilShape::hexagonal ? kHexagonVariance : 0.25;
  return shape * radius * radius * (1.0 + s / 3.0);
}

TEST(BlurOf, KeepsTheLightAndTheVarianceOfItsProfile) {
  for (const PupilShape shape : {PupilShape::round, PupilShape::hexagonal}) {
    for (const double s : {-1.0, -0.4, 0.0, 0.3, 1.0}) {
      for (const double defocus : {-30.0, -9.0, -2.5, -0.6, 0.6, 2.5, 9.0, 30.0}) {
        const Pupil pupil{.shape = shape, .spherical = s};
        const cv::Mat kernel = sum_kernel(shape, blur_of(pupil, defocus, 1.0));
        const Spot spot = spot_of(kernel);
        // Farther than the focus, at smaller positions, the rim is brighter for s > 0.
        const double here = defocus < 0.0 ? s : -s;
        const double expected = variance_of(pupil, std::abs(defocus) / 2.0, here);
        EXPECT_NEAR(spot.sum, 1.0, 1e-4);
        // The 1 % of a disc (disc_test.cpp): a twentieth of what a focal position is wanted to.
        EXPECT_NEAR(0.5 * (spot.xx + spot.yy), expected, 0.01 * expected)
            << s << ", " << defocus << (shape == PupilShape::round ? ", round" : ", hexagonal");
      }
    }
  }
}

TEST(BlurOf, SphericalAberrationBrightensTheRimBeyondTheFocusOnly) {
  const Pupil pupil{.spherical = 0.5};
  const double uniform = 1.0 / (std::numbers::pi * 30.0 * 30.0);
  const auto share = [&](double defocus, int x) {
    const cv::Mat kernel = sum_kernel(PupilShape::round, blur_of(pupil, defocus, 1.0));
    return kernel.at<float>(kernel.rows / 2, kernel.cols / 2 + x) / uniform;
  };
  // 1 + s (2 r^2 - 1) in six rings of equal area: r^2 = 1/12 is the middle of the first, 11/12 of
  // the last, where the slope is steeper by 36/35. 1 %: the drawn disc is smaller by 1/3 px^2.
  const double first = 0.5 * 36.0 / 35.0 * (1.0 / 6.0 - 1.0);
  EXPECT_NEAR(share(-60.0, 0), 1.0 + first, 0.01);
  EXPECT_NEAR(share(-60.0, 28), 1.0 - first, 0.01);
  EXPECT_NEAR(share(60.0, 0), 1.0 - first, 0.01);
  EXPECT_NEAR(share(60.0, 28), 1.0 + first, 0.01);
}

TEST(PupilOf, NamesTheWavelengthsInPixels) {
  Optics optics;
  optics.diffraction = true;
  optics.pitch_mm = 0.005;
  optics.v_ref_mm = 120.0;
  optics.pupil_mm = 5.0;
  // lambda N / p = 0.55 um * 24 / 5 um = 2.64 px; half the pupil doubles it.
  EXPECT_NEAR(pupil_of(optics, 1.0).lambda_n_px[1], 2.64, 1e-12);
  EXPECT_NEAR(pupil_of(optics, 0.5).lambda_n_px[1], 5.28, 1e-12);
  EXPECT_NEAR(pupil_of(optics, 1.0).lambda_n_px[0], 0.60 * 24.0 / 5.0, 1e-12);
  EXPECT_NEAR(pupil_of(optics, 1.0).lambda_n_px[2], 0.47 * 24.0 / 5.0, 1e-12);
  EXPECT_FALSE(pupil_of(Optics{}, 1.0).diffracts());

  optics.waves_um = {0.6, 0.5};
  EXPECT_THROW((void)pupil_of(optics, 1.0), std::invalid_argument);
  optics.waves_um = {};
  optics.pupil = PupilShape::hexagonal;
  EXPECT_THROW((void)pupil_of(optics, 1.0), std::invalid_argument);
  EXPECT_THROW((void)pupil_of(Optics{}, 0.0), std::invalid_argument);
}

constexpr int kSide = 401;  // odd: one pixel in the middle

/// A single bright raster pixel in the middle of its slice, blurred.
cv::Mat rendered_point(const Pupil& pupil, double defocus_px, int channel = 1) {
  SceneFrame frame;
  frame.width_px = kSide;
  frame.height_px = kSide;
  frame.raster_per_px = 1.0;
  frame.margin = 0.0;
  Scene scene = empty_scene(frame);
  Fragment f;
  f.x = static_cast<std::uint16_t>(scene.width / 2);
  f.y = static_cast<std::uint16_t>(scene.height / 2);
  f.q_px = 1.0F;  // the middle of slices of 2 px; those of 0.5 and 1 px are reached by the focus
  f.rgb = cv::Vec3f::all(1.0F);
  f.alpha = 1.0F;
  const double blur = std::abs(defocus_px) * pupil.factor;
  const double width = blur > 16.0 ? 2.0 : (blur > 7.5 ? 1.0 : 0.5);
  // Slices [0, 2), [1, 2) and [1, 1.5).
  const double middle = width == 2.0 ? 1.0 : 1.0 + width / 2.0;
  const int tile = f.y / Scene::kTile * scene.tiles_across + f.x / Scene::kTile;
  scene.tiles[static_cast<std::size_t>(tile)].push_back(f);
  finish(frame, scene);
  const cv::Mat picture = blurred(scene, middle - defocus_px, pupil);
  cv::Mat one;
  cv::extractChannel(picture, one, channel);
  const int half = std::min({f.x, f.y, static_cast<std::uint16_t>(one.cols - 1 - f.x),
                             static_cast<std::uint16_t>(one.rows - 1 - f.y)});
  return one(cv::Rect(f.x - half, f.y - half, 2 * half + 1, 2 * half + 1)).clone();
}

TEST(RenderedPoint, HasTheFluxAndVarianceOfEveryPupil) {
  for (const Pupil& pupil :
       {Pupil{}, Pupil{.shape = PupilShape::hexagonal}, Pupil{.spherical = 0.6},
        Pupil{.shape = PupilShape::hexagonal, .spherical = -0.5}, Pupil{.factor = 0.71}}) {
    // On the raster itself, and on one 2 and 4 times coarser.
    for (const double defocus : {-90.0, -50.0, -8.0, -3.0, 3.0, 8.0, 50.0, 90.0}) {
      const Spot spot = spot_of(rendered_point(pupil, defocus));
      EXPECT_NEAR(spot.sum, 1.0, 1e-3) << defocus;
      const double s = defocus < 0.0 ? pupil.spherical : -pupil.spherical;
      const double expected = variance_of(pupil, std::abs(defocus) / 2.0 * pupil.factor, s);
      // 1 % as for a disc; coarse rasters add what was left away of each ring to 0.3 %.
      EXPECT_NEAR(0.5 * (spot.xx + spot.yy), expected, 0.01 * expected)
          << defocus << ", spherical " << pupil.spherical << ", factor " << pupil.factor;
    }
  }
}

TEST(RenderedPoint, AHexagonIsWiderAlongItsCorners) {
  const cv::Mat point = rendered_point({.shape = PupilShape::hexagonal}, 25.0);
  const int n = point.rows / 2;
  // Circumradius 1.09964 * 12.5 = 13.75, half height 11.90.
  EXPECT_GT(point.at<float>(n, n + 13), 0.0F);
  EXPECT_EQ(point.at<float>(n + 13, n), 0.0F);
}

TEST(RenderedPoint, WithDiffractionHasTheEncircledEnergyOfItsColour) {
  // lambda N of 1.5, 4 and 11 raster px: on the raster itself, and on coarser ones.
  for (const double lambda_n : {1.5, 4.0, 6.0, 11.0}) {
    const Pupil pupil{.lambda_n_px = {1.1 * lambda_n, lambda_n, 0.85 * lambda_n}};
    for (const double defocus : {0.0, 6.0, 20.0}) {
      for (const int channel : {0, 1, 2}) {
        const double own = pupil.lambda_n_px[static_cast<std::size_t>(channel)];
        const cv::Mat point = rendered_point(pupil, defocus, channel);
        EXPECT_NEAR(spot_of(point).sum, 1.0, 2e-3) << lambda_n << ", " << defocus;
        const int n = point.rows / 2;
        for (const double more : {1.0, 2.0, 4.0}) {
          const double radius = defocus / 2.0 + more * own;
          if (radius < 4.0) continue;  // too few pixels to count in
          double inside = 0.0;
          for (int y = -n; y <= n; ++y) {
            for (int x = -n; x <= n; ++x) {
              // Pixels on the circle count by their place, within a px as a ramp.
              const double share = std::clamp(radius + 0.5 - std::hypot(x, y), 0.0, 1.0);
              inside += share * point.at<float>(y + n, x + n);
            }
          }
          const double book = encircled_energy({radius / own}, defocus / own / 8.0)[0];
          // 0.02 of the discs and 0.01 of the raster.
          EXPECT_NEAR(inside, book, 0.03) << lambda_n << ", " << defocus << ", " << radius;
        }
      }
    }
  }
}

TEST(RenderedPoint, ColoursDifferWithDiffractionOnly) {
  const Pupil pupil{.lambda_n_px = {4.4, 4.0, 3.4}};
  const cv::Mat red = rendered_point(pupil, 0.0, 0), blue = rendered_point(pupil, 0.0, 2);
  const int n = red.rows / 2;
  EXPECT_GT(blue.at<float>(n, n), 1.3F * red.at<float>(n, n));  // (4.4 / 3.4)^2 = 1.67
  EXPECT_EQ(cv::norm(rendered_point({}, 6.0, 0), rendered_point({}, 6.0, 2), cv::NORM_INF), 0.0);
}

}  // namespace
}  // namespace ringsweep::maker
