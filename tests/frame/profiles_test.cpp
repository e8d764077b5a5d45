// The disc's transfer function, 2 J1(x) / x with x = pi d f (the Airy integral; pillbox of any
// optics textbook), and blur curves against a picture that is blurred by it in another way.
#include "ringsweep/profiles.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <opencv2/core.hpp>

#include "numerics/quantile.h"
#include "textured.h"

namespace ringsweep {
namespace {

double jinc(double x) { return x < 1e-6 ? 1.0 : 2.0 * std::cyl_bessel_j(1.0, x) / x; }

double second_moment(const cv::Mat& kernel) {
  double sum = 0.0;
  for (int y = 0; y < kernel.rows; ++y)
    for (int x = 0; x < kernel.cols; ++x)
      sum += kernel.at<float>(y, x) * std::pow(x - kernel.cols / 2, 2);
  return sum;
}

/// Transfer at `f` cycles a px in the direction of angle `a`; the kernel is symmetric.
double transfer(const cv::Mat& kernel, double f, double a) {
  double sum = 0.0;
  for (int y = 0; y < kernel.rows; ++y)
    for (int x = 0; x < kernel.cols; ++x)
      sum += kernel.at<float>(y, x) *
             std::cos(2.0 * CV_PI * f *
                      ((x - kernel.cols / 2) * std::cos(a) + (y - kernel.rows / 2) * std::sin(a)));
  return sum;
}

class DiscKernel : public ::testing::TestWithParam<double> {};

TEST_P(DiscKernel, SumsToOne) {
  const cv::Mat kernel = disc_kernel(GetParam());
  EXPECT_EQ(kernel.rows, kernel.cols);
  EXPECT_EQ(kernel.rows % 2, 1);
  EXPECT_NEAR(cv::sum(kernel)[0], 1.0, 1e-5);  // floats, some hundreds of them
}

// Variance of a uniform disc per axis: R^2 / 4. The interpolating kernel, sampled, has a first
// moment of up to 0.012 px; integrated over a disc that is at most 0.0036 px^2 (at d = 1, 6 % of
// it), from its formula alone in a calculation apart. Chords: see below.
TEST_P(DiscKernel, SecondMomentIsASixteenthOfTheSquaredDiameter) {
  const double d = GetParam(), chords = std::pow(8.0 * d + 16.0, -1.5);
  EXPECT_NEAR(second_moment(disc_kernel(d)), d * d / 16.0, 0.0036 + d * d / 16.0 * chords);
}

// The interpolating kernel (sinc, Lanczos window of 5 lobes) is the part that is not exact: by its
// formula, integrated numerically, it passes 1.0095 / 0.9994 at 0.35 cycles a px and less off below
// (0.951 at 0.4, which is why the test ends at 0.35). The disc is summed over 8 d + 16 chords;
// midpoints err by the power -3/2 of their number where the chord ends as a square root.
TEST_P(DiscKernel, TransferFunctionIsThatOfAUniformDisc) {
  const double d = GetParam();
  const cv::Mat kernel = disc_kernel(d);
  const double chords = std::pow(8.0 * d + 16.0, -1.5);
  for (const double f : {0.02, 0.05, 0.10, 0.20, 0.30, 0.35})
    for (const double a : {0.0, 0.4, CV_PI / 4.0}) {
      const double expected = jinc(CV_PI * d * f);
      EXPECT_NEAR(transfer(kernel, f, a), expected, 0.0102 * std::abs(expected) + chords)
          << "d " << d << ", f " << f << ", angle " << a;
    }
}

INSTANTIATE_TEST_SUITE_P(Diameters, DiscKernel, ::testing::Values(0.7, 1.0, 2.0, 3.5, 5.0, 9.0));

TEST(DiscKernel, NoBlurIsOnePixel) {
  const cv::Mat kernel = disc_kernel(0.0);
  ASSERT_EQ(kernel.total(), 1U);
  EXPECT_EQ(kernel.at<float>(0, 0), 1.0F);
}

// Values of 2 J1(x) / x at d = 5 px as calculated elsewhere, to 5 digits.
TEST(DiscKernel, AgreesWithTabulatedTransferOfFivePixels) {
  const cv::Mat kernel = disc_kernel(5.0);
  EXPECT_NEAR(transfer(kernel, 0.05, 0.0), 0.92485, 0.004);
  EXPECT_NEAR(transfer(kernel, 0.10, 0.0), 0.72170, 0.004);
  EXPECT_NEAR(transfer(kernel, 0.20, 0.0), 0.18119, 0.004);
}

/// Blurred in the frequency domain: shares no code with disc_kernel.
cv::Mat blurred(const cv::Mat& picture, double d) {
  cv::Mat spectrum;
  cv::dft(picture, spectrum, cv::DFT_COMPLEX_OUTPUT);
  for (int y = 0; y < picture.rows; ++y)
    for (int x = 0; x < picture.cols; ++x) {
      const double fy = (y <= picture.rows / 2 ? y : y - picture.rows) / double(picture.rows);
      const double fx = (x <= picture.cols / 2 ? x : x - picture.cols) / double(picture.cols);
      spectrum.at<cv::Vec2f>(y, x) *= static_cast<float>(jinc(CV_PI * d * std::hypot(fx, fy)));
    }
  cv::Mat back;
  cv::idft(spectrum, back, cv::DFT_SCALE | cv::DFT_REAL_OUTPUT);
  return back;
}

/// Texture with a flat strip at the left: the noise floor is read off a frame's dullest tiles.
cv::Mat textured_with_flat_strip(unsigned seed) {
  cv::Mat picture = textured({256, 256}, seed);
  picture(cv::Rect(0, 0, 64, 256)) = 0.4;
  return picture;
}

LinearFrame frame_of(const cv::Mat& luminance) {
  return {.luminance = luminance,
          .clipped = cv::Mat::zeros(luminance.size(), CV_8UC1),
          .full_size = luminance.size(),
          .full_px_per_px = 1.0};
}

TEST(BlurCurves, AgreeWithAPictureBlurredInAnotherWay) {
  const cv::Mat sharp = textured({256, 256}, 11);
  const TileGrid grid{.size = sharp.size()};
  const BlurCurves curves = measure_blur_curves(sharp, grid);
  for (std::size_t i = 0; i < curves.diameter_px.size(); ++i) {
    const double d = curves.diameter_px[i];
    if (d > 8.0) continue;
    const GridFrame frame =
        measure_on_grid(frame_of(blurred(sharp, d)), cv::Matx33d::eye(), 1.0, grid);
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (int r = 4; r < grid.rows() - 4; ++r)
        for (int c = 4; c < grid.cols() - 4; ++c) {
          const double top = curves.energy[0][j].at<float>(r, c);
          // Energy is the square of the transfer: twice the kernel's own error, 0.006 where
          // these bands see anything (below 0.3 cycles a px). From 4 px on half the picture is
          // measured, in whose px a tile ends a little elsewhere: up to 0.005 more, in one tile of
          // the finest band.
          EXPECT_NEAR(curves.energy[i][j].at<float>(r, c) / top,
                      frame.tiles.energy[j].at<float>(r, c) / top, d < 4.0 ? 0.012 : 0.017)
              << "d " << d << ", band " << j << ", tile " << r << " " << c;
        }
  }
}

// A camera that shows the light to the power of 1.6: blur adds up in what it shows to the power of
// 0.625, and nowhere else.
TEST(BlurCurves, BlurAddsUpInTheLightsOwnPower) {
  constexpr double kShown = 1.6;
  // Dark and light patches, as scales and hairs are; flat texture hardly shows the difference.
  cv::Mat light;
  cv::threshold(textured({256, 256}, 13), light, 0.4, 0.8, cv::THRESH_BINARY);
  cv::GaussianBlur(light + 0.1, light, {}, 1.2);
  const auto shown = [&](const cv::Mat& picture) {
    cv::Mat out;
    cv::pow(cv::max(picture, 0.0), kShown, out);
    return out;
  };
  const TileGrid grid{.size = light.size()};
  // How far the curve is from what a picture shows that was blurred as light is: log, median.
  const auto misses_by = [&](double exponent) {
    const BlurCurves curves =
        measure_blur_curves(shown(light), grid, for_each_in_order, {.light_exponent = exponent});
    std::vector<double> differences;
    for (std::size_t i = 0; i < curves.diameter_px.size(); ++i) {
      const double d = curves.diameter_px[i];
      if (d < 2.0 || d > 6.0) continue;
      const GridFrame frame =
          measure_on_grid(frame_of(shown(blurred(light, d))), cv::Matx33d::eye(), 1.0, grid);
      for (int r = 4; r < grid.rows() - 4; ++r)
        for (int c = 4; c < grid.cols() - 4; ++c)
          differences.push_back(std::abs(std::log(curves.energy[i][0].at<float>(r, c) /
                                                  frame.tiles.energy[0].at<float>(r, c))));
    }
    return quantile(differences, 0.5);
  };
  // Energy is the square of the transfer, and the kernel errs by up to 0.006.
  EXPECT_LT(misses_by(1.0 / kShown), 0.006);
  EXPECT_GT(misses_by(1.0), 4.0 * misses_by(1.0 / kShown));
  EXPECT_GT(misses_by(0.5), 2.0 * misses_by(1.0 / kShown));
}

TEST(Profiles, MoreBlurIsLessEnergyAndThePeakIsTheSharpFrame) {
  const cv::Mat sharp = textured_with_flat_strip(12);
  const TileGrid grid{.size = sharp.size()};
  const std::array discs{6.0, 3.0, 0.0, 3.0, 6.0};
  std::vector<TileMeasures> measures;
  for (const double d : discs)
    measures.push_back(
        measure_on_grid(frame_of(blurred(sharp, d)), cv::Matx33d::eye(), 1.0, grid).tiles);
  const Profiles profiles = collect_profiles(measures, measure_blur_curves(sharp, grid), grid, 1.0);
  ASSERT_GT(profiles.tiles.size(), 20U);
  for (const TileProfile& tile : profiles.tiles) {
    // In coarse bands, and beside the flat strip, blur also brings in light from the neighbours.
    if (tile.col < 6) continue;
    EXPECT_EQ(tile.peak_frame, 2U);
    EXPECT_LT(tile.energy[0][0], tile.energy[0][1]);
    EXPECT_LT(tile.energy[0][1], tile.energy[0][2]);
    EXPECT_LT(tile.energy[0][4], tile.energy[0][3]);
  }
}

// A wall: no tile of the sharp frame is dull, and only the blurred frames show what noise there is.
TEST(Profiles, ASharpFrameWithoutAFlatPlaceIsStillTexture) {
  const cv::Mat sharp = textured({256, 256}, 12);
  const TileGrid grid{.size = sharp.size()};
  std::vector<TileMeasures> measures;
  for (const double d : {16.0, 8.0, 0.0, 8.0, 16.0})
    measures.push_back(
        measure_on_grid(frame_of(blurred(sharp, d)), cv::Matx33d::eye(), 1.0, grid).tiles);
  const Profiles profiles = collect_profiles(measures, measure_blur_curves(sharp, grid), grid, 1.0);
  // The texture's largest blobs outlast a disc of 16 px, so many tiles stay below the floor; as
  // many as a fit needs (20) are not.
  EXPECT_GE(profiles.tiles.size(), 20U);
}

TEST(Profiles, NoiseAloneIsNoTexture) {
  const TileGrid grid{.size = {256, 256}};
  cv::RNG random(5);
  std::vector<TileMeasures> measures;
  cv::Mat first;
  for (int k = 0; k < 5; ++k) {
    cv::Mat noise(grid.size, CV_32FC1);
    random.fill(noise, cv::RNG::NORMAL, 0.4, 0.02);
    if (k == 0) first = noise;
    measures.push_back(measure_on_grid(frame_of(noise), cv::Matx33d::eye(), 1.0, grid).tiles);
  }
  EXPECT_TRUE(
      collect_profiles(measures, measure_blur_curves(first, grid), grid, 1.0).tiles.empty());
}

TEST(Profiles, ClippedTilesAreLeftOut) {
  const cv::Mat sharp = textured_with_flat_strip(13);
  const TileGrid grid{.size = sharp.size()};
  std::vector<TileMeasures> measures;
  for (const double d : {4.0, 2.0, 0.0, 2.0, 4.0}) {
    LinearFrame frame = frame_of(blurred(sharp, d));
    if (d == 0.0) frame.clipped(cv::Rect(0, 0, 256, 128)) = 255;
    measures.push_back(measure_on_grid(frame, cv::Matx33d::eye(), 1.0, grid).tiles);
  }
  const Profiles profiles = collect_profiles(measures, measure_blur_curves(sharp, grid), grid, 1.0);
  ASSERT_FALSE(profiles.tiles.empty());
  for (const TileProfile& tile : profiles.tiles) EXPECT_GE(tile.row, grid.rows() / 2);
}

// Measuring goes in strips of 256 rows: away from its border what a picture shows must not hang on
// where in it the strips end, nor on whether its size is even.
TEST(Profiles, StripsDoNotShow) {
  constexpr int kTile = 16, kDown = 10;
  const cv::Mat whole = textured({401, 901}, 15);
  const cv::Mat part = whole(cv::Rect(0, kDown * kTile, 400, 35 * kTile));
  const auto measured = [](const cv::Mat& picture) {
    return measure_on_grid(frame_of(picture), cv::Matx33d::eye(), 1.0,
                           {.size = picture.size(), .tile_px = kTile});
  };
  const GridFrame a = measured(whole), b = measured(part);
  const auto expect_same = [](const cv::Mat& from_whole, const cv::Mat& from_part, int down,
                              int margin) {
    const cv::Rect inner(margin, margin, from_part.cols - 2 * margin, from_part.rows - 2 * margin);
    EXPECT_EQ(cv::norm(from_whole(inner + cv::Point(0, down)), from_part(inner), cv::NORM_INF),
              0.0);
  };
  // The widest filter reaches 16 px, of sharpness 7 px of the half more.
  for (std::size_t j = 0; j < kNumBands; ++j)
    expect_same(a.tiles.energy[j], b.tiles.energy[j], kDown, 1);
  ASSERT_EQ(a.sharpness.size(), cv::Size(201, 451));
  expect_same(a.sharpness, b.sharpness, kDown * kTile / 2, 16);
}

TEST(Mosaic, HoldsTheSharpestFrameWhateverTheOrderOfMerging) {
  const cv::Mat sharp = textured({128, 128}, 14);
  const TileGrid grid{.size = sharp.size()};
  const GridFrame a = measure_on_grid(frame_of(sharp), cv::Matx33d::eye(), 1.0, grid);
  const GridFrame b = measure_on_grid(frame_of(blurred(sharp, 5.0)), cv::Matx33d::eye(), 1.0, grid);
  Mosaic one = empty_mosaic(grid), other = empty_mosaic(grid);
  merge_into(one, a, 0), merge_into(one, b, 1), merge_into(one, a, 2);
  merge_into(other, a, 2), merge_into(other, b, 1), merge_into(other, a, 0);
  EXPECT_EQ(cv::norm(one.luminance, other.luminance, cv::NORM_INF), 0.0);
  EXPECT_EQ(cv::norm(one.frame, other.frame, cv::NORM_INF), 0.0);
  // A local contrast is not everywhere less after blur; nearly everywhere is what can be asked.
  EXPECT_GT(cv::countNonZero(one.frame == 0), 64 * 64 * 9 / 10);
}

}  // namespace
}  // namespace ringsweep
