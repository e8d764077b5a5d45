// How long the joint fit takes, on one core. Args: frames, tiles; {60, 2000} is one field burst.
#include <benchmark/benchmark.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <random>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"

namespace {

using namespace ringsweep;

struct MadeSweep {
  Profiles profiles;
  std::vector<double> q_px;       ///< of the frames: the truth
  std::vector<double> log_scale;  ///< breathing, exact
};

/// Profiles of a sweep by a hand that turns unevenly. Each tile's texture has a Gaussian spectrum,
/// so energy falls as exp(-s d^2): blurs then add in second moment exactly, as the fit assumes.
MadeSweep make_sweep(std::size_t frames, std::size_t tiles, unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> step(0.6, 2.2), unit(0.0, 1.0);
  std::normal_distribution<double> noise(0.0, 1.0);
  constexpr double kScalePerPx = 0.002;  // of breathing
  constexpr double kRelativeNoise = 0.02, kNoise = 0.005;

  MadeSweep made;
  double q = 0.0, middle = 0.0;
  for (std::size_t k = 0; k < frames; ++k, q += step(random)) made.q_px.push_back(q);
  middle = made.q_px.back() / 2.0;
  for (double& position : made.q_px) {
    position -= middle;
    made.log_scale.push_back(kScalePerPx * position);
  }

  Profiles& p = made.profiles;
  p.num_frames = frames;
  p.diameter_px = {0.0, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0};
  const auto across = static_cast<int>(std::ceil(std::sqrt(1.5 * static_cast<double>(tiles))));
  const auto down = static_cast<int>((tiles + static_cast<std::size_t>(across) - 1) /
                                     static_cast<std::size_t>(across));
  p.grid.size = {across * p.grid.tile_px, down * p.grid.tile_px};
  for (std::size_t t = 0; t < tiles; ++t) {
    TileProfile tile;
    tile.row = static_cast<int>(t) / across;
    tile.col = static_cast<int>(t) % across;
    const double u = made.q_px.front() + unit(random) * (made.q_px.back() - made.q_px.front());
    double nearest = std::numeric_limits<double>::infinity();
    for (std::size_t k = 0; k < frames; ++k) {
      const double d = std::abs(made.q_px[k] - u);
      if (d < nearest) nearest = d, tile.peak_frame = k;
    }
    tile.contrast = 20.0 + 200.0 * unit(random);
    const double texture = 0.7 + 0.6 * unit(random);
    constexpr std::array<double, kNumBands> kFall{0.12, 0.06, 0.03};  // per px^2, fine to coarse
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const double fall = kFall[j] * texture;
      tile.noise[j] = kNoise;
      for (const double d : p.diameter_px) {
        tile.log_curve[j].push_back(static_cast<float>(-fall * d * d));
      }
      for (const double position : made.q_px) {
        const double d = position - u;
        const double energy = std::exp(-fall * (d * d - nearest * nearest));
        tile.energy[j].push_back(static_cast<float>(std::max(
            0.0, energy * (1.0 + kRelativeNoise * noise(random)) + kNoise * noise(random))));
      }
    }
    p.tiles.push_back(tile);
  }
  return made;
}

/// Rms error of the frames' positions, px; shift and sign, which no picture tells, removed.
double rms_error_px(const FocalPositions& fit, const std::vector<double>& truth) {
  double best = std::numeric_limits<double>::infinity();
  for (const double sign : {1.0, -1.0}) {
    double sum = 0.0, squares = 0.0;
    for (std::size_t k = 0; k < truth.size(); ++k) {
      if (!fit.frames[k].q_px) return std::numeric_limits<double>::infinity();
      const double error = sign * *fit.frames[k].q_px - truth[k];
      sum += error, squares += error * error;
    }
    const auto n = static_cast<double>(truth.size());
    best = std::min(best, std::sqrt(std::max(0.0, squares / n - sum * sum / (n * n))));
  }
  return best;
}

void BM_FitFocalPositions(benchmark::State& state) {
  const MadeSweep made = make_sweep(static_cast<std::size_t>(state.range(0)),
                                    static_cast<std::size_t>(state.range(1)), 7);
  const std::vector<bool> light_ok(made.q_px.size(), true);
  FocalPositions fit;
  for (auto _ : state) {
    fit = fit_focal_positions(made.profiles, light_ok, made.log_scale);
    benchmark::DoNotOptimize(fit);
  }
  const double error = rms_error_px(fit, made.q_px);
  state.counters["rms_px"] = error;
  state.counters["LM_iterations"] = fit.iterations;
  if (!(error < 0.3)) state.SkipWithError("focal positions off by more than 0.3 px rms");
  state.SetItemsProcessed(state.iterations() * state.range(0) * state.range(1));  // frame-tiles / s
}

}  // namespace

BENCHMARK(BM_FitFocalPositions)
    ->Args({15, 400})
    ->Args({28, 2000})
    ->Args({60, 2000})
    ->Args({60, 4000})
    ->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
