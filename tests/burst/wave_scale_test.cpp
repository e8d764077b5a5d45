// The px scale of a burst that a lens with diffraction took. The pictures are blurred in another
// way than the product does it: the wave in the pupil, transformed to the wave in the picture (J.
// W. Goodman, Introduction to Fourier Optics, ch. 6).
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "frame/textured.h"
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

/// The scene through the lens in white light: three colours, weights of luminance (BT.709).
cv::Mat taken(const cv::Mat& scene, double diameter_px, double f_number_per_um) {
  cv::Mat spectrum, sum = cv::Mat::zeros(scene.size(), CV_64FC1);
  scene.convertTo(spectrum, CV_64F);
  cv::dft(spectrum, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (const auto& [wavelength_um, weight] :
       {std::pair{0.60, 0.2126}, {0.55, 0.7152}, {0.47, 0.0722}}) {
    cv::Mat product;
    cv::mulSpectrums(spectrum, spectrum_of_point(diameter_px, wavelength_um * f_number_per_um),
                     product, 0);
    cv::dft(product, product, cv::DFT_INVERSE | cv::DFT_REAL_OUTPUT | cv::DFT_SCALE);
    sum += weight * product;
  }
  cv::Mat picture;
  sum.convertTo(picture, CV_32F);
  return picture;
}

/// Slope of fitted against true positions, without its sign; 1 is right.
double scale_found(double f_number_per_um, double f_number_per_um_said) {
  // Strips of the picture, one depth each; frames 1.1 px apart, through all of them and beyond.
  constexpr int kStrips = 6, kFrames = 15, kStripPx = kSize / kStrips;
  const cv::Mat scene = textured({kSize, kSize}, 21, 0.8);
  const TileGrid grid{.size = scene.size(), .tile_px = 16};
  std::map<double, cv::Mat> blurred;  // many strips have the same blur
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
      const double d = std::abs(1.1 * (k - kFrames / 2 - 2 * s + 5));
      cv::Mat& whole = blurred[std::round(d * 100.0)];
      if (whole.empty()) whole = taken(scene, d, f_number_per_um);
      const cv::Rect strip(s * kStripPx, 0, kStripPx, kSize);
      whole(strip).copyTo(frame.luminance(strip));
    }
    const GridFrame on_grid = measure_on_grid(frame, cv::Matx33d::eye(), 1.0, grid);
    merge_into(mosaic, on_grid, static_cast<std::size_t>(k));
    measures.push_back(on_grid.tiles);
  }
  const BlurCurves curves =
      measure_blur_curves(mosaic.luminance, grid, for_each_in_order, f_number_per_um_said);
  const Profiles profiles = collect_profiles(measures, curves, grid, 1.0);
  const FocalPositions fit =
      fit_focal_positions(profiles, std::vector<bool>(kFrames, true), std::vector<double>(kFrames));
  double xy = 0.0, xx = 0.0;
  for (std::size_t k = 0; k < kFrames; ++k) {
    xy += true_px[k] * fit.frames[k].q_px.value_or(0.0);  // both have a mean of 0
    xx += true_px[k] * true_px[k];
  }
  return std::abs(xy / xx);
}

TEST(WaveScale, IsFoundWithTheLensKnownAndWrongWithout) {
  // Quarter-wave blur 2 * 0.55 * 5 = 5.5 px.
  constexpr double kPerUm = 5.0;
  // 4 %: what bursts without diffraction err by too (FitOptions::model_scale_sd says 5).
  EXPECT_NEAR(scale_found(kPerUm, kPerUm), 1.0, 0.04);
  // DESIGN section 3: discs find 0.75 to 0.9 of the truth.
  EXPECT_LT(scale_found(kPerUm, 0.0), 0.9);
}

}  // namespace
}  // namespace ringsweep
