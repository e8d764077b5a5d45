// The px scale of a burst that a lens with diffraction took, and how it is told from the pictures.
// The pictures are blurred in another way than the product does it: the wave in the pupil,
// transformed to the wave in the picture (J. W. Goodman, Introduction to Fourier Optics, ch. 6).
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>
#include <vector>

#include "burst/lens_blur.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr int kSize = 384;

/// Picture of a point, laid out for a cyclic convolution: |transform of the pupil|^2, its spectrum.
/// The pupil's rim is at 1 / (2 lambda N) cycles a px; lambda N must be 2 px or more, or the raster
/// does not hold the finest detail that gets through.
cv::Mat spectrum_of_point(double diameter_px, double lambda_n_px) {
  cv::Mat pupil(kSize, kSize, CV_64FC2);
  const double waves = diameter_px / lambda_n_px / 8.0;
  for (int y = 0; y < kSize; ++y)
    for (int x = 0; x < kSize; ++x) {
      const double fx = (x < kSize / 2 ? x : x - kSize) / static_cast<double>(kSize);
      const double fy = (y < kSize / 2 ? y : y - kSize) / static_cast<double>(kSize);
      const double r2 = (fx * fx + fy * fy) * 4.0 * lambda_n_px * lambda_n_px;
      const double phase = 2.0 * kPi * waves * r2;
      pupil.at<cv::Vec2d>(y, x) =
          r2 <= 1.0 ? cv::Vec2d(std::cos(phase), std::sin(phase)) : cv::Vec2d(0.0, 0.0);
    }
  cv::dft(pupil, pupil, cv::DFT_INVERSE);
  std::array<cv::Mat, 2> parts;
  cv::split(pupil, parts.data());
  const cv::Mat power = parts[0].mul(parts[0]) + parts[1].mul(parts[1]);
  cv::Mat point;
  cv::dft(power / cv::sum(power)[0], point, cv::DFT_COMPLEX_OUTPUT);
  return point;
}

/// Spectrum of a disc of that diameter, laid out likewise.
cv::Mat spectrum_of_disc(double diameter_px) {
  cv::Mat disc(kSize, kSize, CV_64FC2);
  for (int y = 0; y < kSize; ++y)
    for (int x = 0; x < kSize; ++x) {
      const double f = std::hypot(std::min(x, kSize - x), std::min(y, kSize - y)) / kSize;
      const double a = kPi * diameter_px * f;
      disc.at<cv::Vec2d>(y, x) = {a < 1e-9 ? 1.0 : 2.0 * std::cyl_bessel_j(1.0, a) / a, 0.0};
    }
  return disc;
}

/// The scene through the lens in white light: three colours, weights of luminance (BT.709). An
/// f-number of 0: no diffraction.
cv::Mat taken(const cv::Mat& scene, double diameter_px, double f_number_per_um) {
  cv::Mat spectrum, sum = cv::Mat::zeros(scene.size(), CV_64FC1);
  scene.convertTo(spectrum, CV_64F);
  cv::dft(spectrum, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (const auto& [wavelength_um, weight] :
       {std::pair{0.60, 0.2126}, {0.55, 0.7152}, {0.47, 0.0722}}) {
    const cv::Mat point = f_number_per_um > 0.0
                              ? spectrum_of_point(diameter_px, wavelength_um * f_number_per_um)
                              : spectrum_of_disc(diameter_px);
    cv::Mat product;
    cv::mulSpectrums(spectrum, point, product, 0);
    cv::dft(product, product, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
    sum += weight * product;
  }
  cv::Mat picture;
  sum.convertTo(picture, CV_32F);
  return picture;
}

/// Leaves of all sizes upon each other: edges, and a spectrum as pictures of things have it.
cv::Mat leaves() {
  cv::RNG random(5);
  cv::Mat scene(kSize, kSize, CV_32FC1, cv::Scalar(0.5));
  for (int i = 0; i < 6000; ++i) {
    constexpr int kSixteenths = 4;  // bits of a px, so that edges do not lie on the raster
    const double radius_px = 1.5 / std::sqrt(random.uniform(0.003, 1.0));
    const cv::Point middle(random.uniform(0, kSize << kSixteenths),
                           random.uniform(0, kSize << kSixteenths));
    cv::circle(scene, middle, cvRound(radius_px * (1 << kSixteenths)), random.uniform(0.1, 0.9),
               cv::FILLED, cv::LINE_8, kSixteenths);
  }
  cv::GaussianBlur(scene, scene, {}, 0.5);  // a pixel's own width
  return scene;
}

struct Seen {
  Profiles profiles{};
  FocalPositions fit{};
  double scale = 0.0;  ///< slope of fitted against true positions, without its sign; 1 is right
};

/// @param said  the lens that the analysis is told; 0: none
Seen look(double f_number_per_um, double said) {
  // Strips of the picture, one depth each; frames 1.1 px apart, through all of them and beyond.
  constexpr int kStrips = 6, kFrames = 15, kStripPx = kSize / kStrips;
  const cv::Mat scene = leaves();
  const TileGrid grid{.size = scene.size(), .tile_px = 8};
  std::map<int, cv::Mat> blurred;  // many strips have the same blur
  Mosaic mosaic = empty_mosaic(grid);
  std::vector<TileMeasures> measures;
  std::vector<double> true_px;
  for (int k = 0; k < kFrames; ++k) {
    true_px.push_back(1.1 * (k - kFrames / 2));
    LinearFrame frame{.luminance = cv::Mat(scene.size(), CV_32FC1),
                      .clipped = cv::Mat::zeros(scene.size(), CV_8UC1),
                      .full_size = scene.size(),
                      .full_px_per_px = 1.0};
    for (int s = 0; s < kStrips; ++s) {
      const int away = std::abs(k - kFrames / 2 - 2 * s + 5);
      cv::Mat& whole = blurred[away];
      if (whole.empty()) whole = taken(scene, 1.1 * away, f_number_per_um);
      const cv::Rect strip(s * kStripPx, 0, kStripPx, kSize);
      whole(strip).copyTo(frame.luminance(strip));
    }
    const GridFrame on_grid = measure_on_grid(frame, cv::Matx33d::eye(), 1.0, grid);
    merge_into(mosaic, on_grid, static_cast<std::size_t>(k));
    measures.push_back(on_grid.tiles);
  }
  const BlurCurves curves =
      measure_blur_curves(mosaic.luminance, grid, for_each_in_order, {.f_number_per_um = said});
  Seen seen{.profiles = collect_profiles(measures, curves, grid, 1.0)};
  seen.fit = fit_focal_positions(seen.profiles, std::vector<bool>(kFrames, true),
                                 std::vector<double>(kFrames));
  double xy = 0.0, xx = 0.0;
  for (std::size_t k = 0; k < kFrames; ++k) {
    xy += true_px[k] * seen.fit.frames[k].q_px.value_or(0.0);  // both have a mean of 0
    xx += true_px[k] * true_px[k];
  }
  seen.scale = std::abs(xy / xx);
  return seen;
}

constexpr double kPerUm = 5.0;  // quarter-wave blur 2 * 0.55 * 5 = 5.5 px

TEST(WaveScale, IsFoundWithTheLensKnown) {
  // 5 %: what bursts without diffraction err by too (FitOptions::model_scale_sd).
  EXPECT_NEAR(look(kPerUm, kPerUm).scale, 1.0, 0.05);
}

TEST(WaveScale, IsTooSmallWithoutTheLensAndTheIntervalHoldsIt) {
  const Seen seen = look(kPerUm, 0.0);
  EXPECT_LT(seen.scale, 0.9);  // DESIGN section 3: discs find 0.9 of the truth at most
  const auto blur = lens_blur(find_lens_blur_signs(seen.profiles, seen.fit), 1.0, 0.0);
  ASSERT_TRUE(blur);
  EXPECT_GT(blur->short_by, 0.0);
  EXPECT_LT(std::abs(seen.scale - 1.0), 1.96 * scale_sd_with(*blur, seen.fit.scale_sd));
}

TEST(WaveScale, WithoutDiffractionNothingIsWidened) {
  const Seen seen = look(0.0, 0.0);
  EXPECT_NEAR(seen.scale, 1.0, 0.05);
  const auto blur = lens_blur(find_lens_blur_signs(seen.profiles, seen.fit), 1.0, 0.0);
  ASSERT_TRUE(blur);
  EXPECT_EQ(scale_sd_with(*blur, 0.05), 0.05);
}

TEST(LensBlur, NeedsBothSigns) {
  const auto short_by = [](double bands_apart, double fall_ratio) {
    return lens_blur({.bands_apart = bands_apart, .fall_ratio = fall_ratio, .tiles = 500}, 1.0, 0.0)
        .value()
        .short_by;
  };
  EXPECT_EQ(short_by(0.2, 2.4), 0.0);
  EXPECT_EQ(short_by(-0.1, 1.8), 0.0);
  EXPECT_EQ(short_by(0.03, 2.15), 0.0);
  EXPECT_GT(short_by(0.2, 1.9), 0.2);
}

TEST(LensBlur, IsNoLessThanTheFNumberInTheFilesSays) {
  const LensBlurSigns sharp{.bands_apart = 0.0, .fall_ratio = 2.4, .tiles = 500};
  EXPECT_EQ(lens_blur(sharp, 1.0, 1.0)->short_by, 0.0);
  EXPECT_NEAR(lens_blur(sharp, 1.0, 4.0)->quarter_wave_px, 4.0, 1e-12);
  // Worked on at half its size, half as many px.
  EXPECT_EQ(lens_blur(sharp, 2.0, 2.0)->short_by, 0.0);
  EXPECT_NEAR(lens_blur(sharp, 2.0, 4.0)->quarter_wave_px, 4.0, 1e-12);
}

TEST(LensBlur, CannotBeToldFromFewTiles) {
  const LensBlurSigns few{.bands_apart = 0.2, .fall_ratio = 1.8, .tiles = 12};
  EXPECT_FALSE(lens_blur(few, 1.0, 0.0));
  EXPECT_GT(lens_blur(few, 1.0, 4.0).value().short_by, 0.0);
}

TEST(ScaleSd, GrowsWithWhatIsLackingToTheMostThatIsTrusted) {
  EXPECT_EQ(scale_sd_with({}, 0.05), 0.05);
  EXPECT_GT(scale_sd_with(kLensBlurNotTold, 0.05), 0.1);
  // 1.25 times 0.2 within 1.96 sd, and the rest: sqrt(0.05^2 + (0.25 / 1.96)^2).
  EXPECT_NEAR(scale_sd_with({.short_by = 0.2}, 0.05), 0.137, 5e-4);
  EXPECT_EQ(scale_sd_with({.short_by = 0.5}, 0.05), FitOptions{}.trusted_scale_sd);
  EXPECT_EQ(scale_sd_with({.short_by = 0.5}, 0.3), 0.3);
}

}  // namespace
}  // namespace ringsweep
