// How long the joint fit takes, on one core. Args: frames, tiles; {60, 2000} is one field burst,
// {300, 4000} a long one. All tiles may join the fit.
#include <benchmark/benchmark.h>

#include <cstddef>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "synthetic/made_burst.h"

namespace {

using namespace ringsweep;

void BM_FitFocalPositions(benchmark::State& state) {
  // A hand that turns unevenly, 2 % of scatter and 0.5 % of noise.
  const synthetic::MadeBurst made = synthetic::make_burst(
      synthetic::hand_steps(static_cast<std::size_t>(state.range(0)), 0.6, 2.2, 7),
      {.tiles = static_cast<std::size_t>(state.range(1)),
       .seed = 7,
       .scatter = 0.02,
       .noise = 0.005});
  const std::vector<bool> light_ok(made.q_px.size(), true);
  FitOptions options;
  options.max_tiles = made.profiles.tiles.size();
  FocalPositions fit;
  for (auto _ : state) {
    fit = fit_focal_positions(made.profiles, light_ok, made.log_scale, options);
    benchmark::DoNotOptimize(fit);
  }
  const synthetic::Agreement agreement = synthetic::compare_frames(fit, made);
  state.counters["rms_px"] = agreement.rms_px;
  state.counters["LM_iterations"] = fit.iterations;
  if (agreement.count != made.q_px.size() || !(agreement.rms_px < 0.3))
    state.SkipWithError("focal positions off by more than 0.3 px rms");
  state.SetItemsProcessed(state.iterations() * state.range(0) * state.range(1));  // frame-tiles / s
}

}  // namespace

BENCHMARK(BM_FitFocalPositions)
    ->Args({15, 400})
    ->Args({28, 2000})
    ->Args({60, 2000})
    ->Args({60, 4000})
    ->Args({300, 4000})
    ->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
