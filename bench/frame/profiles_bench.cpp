// How long the sharpness of tiles takes, on one core. Arg: working megapixels; 5 is a field frame
// of 20 megapixels at the usual working scale.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>

#include "ringsweep/profiles.h"

namespace {

using namespace ringsweep;

// A plane wave: what every filter does to it is known in closed form.
constexpr double kMean = 0.4, kAmplitude = 0.2;
constexpr double kCyclesPerPx = 0.08;  // within all three bands
constexpr double kDirectionRad = 0.5;  // along no axis

cv::Mat plane_wave(cv::Size size) {
  constexpr double kTurn = 2.0 * std::numbers::pi * kCyclesPerPx;
  const double kx = kTurn * std::cos(kDirectionRad), ky = kTurn * std::sin(kDirectionRad);
  cv::Mat wave(size, CV_32FC1);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      wave.at<float>(y, x) = static_cast<float>(kMean + kAmplitude * std::cos(kx * x + ky * y));
    }
  }
  return wave;
}

TileGrid grid_for(const benchmark::State& state) {
  TileGrid grid;
  const double pixels = static_cast<double>(state.range(0)) * 1e6;
  const int rows = static_cast<int>(std::lround(std::sqrt(pixels / 1.5) / 16.0)) * 16;
  grid.size = {rows / 2 * 3, rows};
  return grid;
}

/// Mean over the tiles that the edges of the picture do not reach.
double inner_mean(const cv::Mat& tiles) {
  constexpr int kRim = 4;
  return cv::mean(tiles(cv::Rect(kRim, kRim, tiles.cols - 2 * kRim, tiles.rows - 2 * kRim)))[0];
}

// Sampled kernels stand for continuous ones, and tiles hold no whole number of waves.
constexpr double kRelative = 0.03;

void BM_MeasureOnGrid(benchmark::State& state) {
  const TileGrid grid = grid_for(state);
  LinearFrame frame;
  frame.luminance = plane_wave(grid.size);
  frame.clipped = cv::Mat::zeros(grid.size, CV_8UC1);
  frame.full_size = grid.size;
  constexpr double kScale = 1.02, kAngle = 0.003, kGain = 1.1;
  const double c = kScale * std::cos(kAngle), s = kScale * std::sin(kAngle);
  const double x = grid.size.width / 2.0, y = grid.size.height / 2.0;
  const cv::Matx33d grid_from_frame(c, -s, x - c * x + s * y + 0.7,  //
                                    s, c, y - s * x - c * y - 1.2,   //
                                    0, 0, 1);
  GridFrame measured;
  for (auto _ : state) {
    measured = measure_on_grid(frame, grid_from_frame, kGain, grid);
    benchmark::DoNotOptimize(measured);
  }
  // Mean square of a wave's central differences after a Gaussian: A^2 / 2 (sin^2 wx + sin^2 wy)
  // exp(-(w sigma)^2), its picture being larger by the scale and lighter by the gain.
  const double w = 2.0 * std::numbers::pi * kCyclesPerPx / kScale;
  const double direction = kDirectionRad + kAngle;
  const double differences = std::pow(std::sin(w * std::cos(direction)), 2) +
                             std::pow(std::sin(w * std::sin(direction)), 2);
  const double expected = 0.5 * std::pow(kGain * kAmplitude, 2) * differences *
                          std::exp(-std::pow(w * kBands[0].sigma_px, 2));
  const double ratio = inner_mean(measured.tiles.energy[0]) / expected;
  state.counters["energy_ratio"] = ratio;
  if (!(std::abs(ratio - 1.0) < kRelative)) state.SkipWithError("energy off by over 3 %");
  if (!(std::abs(inner_mean(measured.tiles.level) / (kGain * kMean) - 1.0) < kRelative))
    state.SkipWithError("light off by over 3 %");
  state.SetItemsProcessed(state.iterations() * grid.size.area());  // px / s
}

void BM_MeasureBlurCurves(benchmark::State& state) {
  const TileGrid grid = grid_for(state);
  const cv::Mat mosaic = plane_wave(grid.size);
  BlurCurves curves;
  for (auto _ : state) {
    curves = measure_blur_curves(mosaic, grid);
    benchmark::DoNotOptimize(curves);
  }
  // A disc leaves of a wave's energy (2 J1(x) / x)^2, x = pi d f: Goodman, Introduction to Fourier
  // Optics, transform of the circle function (from memory). Near the first zero nothing is left to
  // compare.
  constexpr double kFarthestPx = 6.0;
  double worst = 0.0;
  for (std::size_t d = 0; d < curves.diameter_px.size(); ++d) {
    const double argument = std::numbers::pi * curves.diameter_px[d] * kCyclesPerPx;
    if (curves.diameter_px[d] > kFarthestPx || argument == 0.0) continue;
    const double expected = std::pow(2.0 * std::cyl_bessel_j(1.0, argument) / argument, 2);
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const double got = inner_mean(curves.energy[d][j]) / inner_mean(curves.energy[0][j]);
      worst = std::max(worst, std::abs(got / expected - 1.0));
    }
  }
  state.counters["worst_relative"] = worst;
  if (!(worst < kRelative)) state.SkipWithError("blur curve off by over 3 %");
  state.SetItemsProcessed(state.iterations() * grid.size.area());
}

}  // namespace

BENCHMARK(BM_MeasureOnGrid)->Arg(1)->Arg(5)->Arg(20)->Unit(benchmark::kMillisecond);
BENCHMARK(BM_MeasureBlurCurves)->Arg(1)->Arg(5)->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
