// How long `check` takes from the paths to the report as JSON, and how much memory at most.
//
// A small burst is made for it, by a process of its own so that its memory is not counted here. For
// the target, 28 frames of 20 megapixels in under 10 s on 2 cores and 1.5 GiB:
//   burst-maker --big FOLDER && RINGSWEEP_BIG_BURST=FOLDER whole_job_bench
#include <benchmark/benchmark.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <exception>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <span>
#include <string>
#include <system_error>
#include <vector>

#include "maker/burst.h"
#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "ringsweep/report.h"
#include "score.h"

namespace {

namespace fs = std::filesystem;
using nlohmann::json;

/// The scene of the samples at a third of their size: a third of the blur, so far fewer frames.
ringsweep::maker::Recipe small_recipe() {
  ringsweep::maker::Recipe recipe;
  recipe.name = "small";
  recipe.seed = 7;
  recipe.hand_seed = 3;
  recipe.width_px = 432;
  recipe.height_px = 324;
  recipe.optics.pitch_mm *= 1280.0 / 432.0;
  recipe.sweeps[0].from_px = 6.6;
  recipe.sweeps[0].to_px = -6.4;
  return recipe;
}

/// The burst to be timed; a small one is removed at the end.
class BurstFolder {
 public:
  BurstFolder() {
    const char* big = std::getenv("RINGSWEEP_BIG_BURST");
    if (big != nullptr && *big != '\0') {
      path_ = big;
      return;
    }
    path_ = fs::temp_directory_path() / ("ringsweep-bench-" + std::to_string(getpid()));
    ours_ = true;
    const pid_t maker = fork();  // before the first thread is started
    if (maker == 0) {
      try {
        _exit(ringsweep::maker::write_burst(small_recipe(), path_) ? 0 : 1);
      } catch (const std::exception&) {
        _exit(1);
      }
    }
    if (maker > 0) waitpid(maker, nullptr, 0);
  }
  BurstFolder(const BurstFolder&) = delete;
  BurstFolder& operator=(const BurstFolder&) = delete;
  ~BurstFolder() {
    std::error_code ignored;
    if (ours_) fs::remove_all(path_, ignored);
  }
  [[nodiscard]] const fs::path& path() const { return path_; }

 private:
  fs::path path_;
  bool ours_ = false;
};

double peak_mib() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<double>(usage.ru_maxrss) / 1024.0;  // KiB on Linux: getrusage(2)
}

void BM_WholeJob(benchmark::State& state) {
  static const BurstFolder folder;
  std::ifstream file(folder.path() / "truth.json");
  const json truth = json::parse(file, nullptr, /*allow_exceptions=*/false);
  if (truth.is_discarded()) {
    state.SkipWithError("the burst has no truth.json");
    return;
  }
  const ringsweep::ReadFrame read = [](const ringsweep::FrameRef& frame, int reduction) {
    return ringsweep::decode(frame, {.reduction = reduction});
  };
  json report;
  std::size_t frames = 0;
  for (auto _ : state) {
    std::vector<ringsweep::BurstAnalysis> bursts;
    frames = 0;
    for (const auto& burst : ringsweep::find_bursts(std::span(&folder.path(), 1)).bursts) {
      frames += burst.frames.size();
      for (auto& one : ringsweep::analyse(burst, read)) bursts.push_back(std::move(one));
    }
    report = ringsweep::report_json(bursts);
    benchmark::DoNotOptimize(report);
  }
  state.counters["frames"] = static_cast<double>(frames);
  state.counters["frames/s"] = benchmark::Counter(static_cast<double>(frames),
                                                  benchmark::Counter::kIsIterationInvariantRate);
  state.counters["peak_MiB"] = peak_mib();
  // Fast and wrong is no result. A quarter of the blur limit of 2 px cannot change a verdict that
  // is no close call; scale errors are the accuracy program's to judge.
  const json said = ringsweep::accuracy::merged(report);
  if (said.is_null()) {
    state.SkipWithError("no burst was found");
    return;
  }
  const auto score = ringsweep::accuracy::score_burst(said, truth);
  constexpr double kShapePx = 0.5;
  if (!score.verdict_right) state.SkipWithError("the verdict is wrong");
  if (score.used.found < score.used.due) state.SkipWithError("a frame has no position");
  if (!score.shape_px || *score.shape_px > kShapePx)
    state.SkipWithError("focal positions off by more than 0.5 px rms");
}

}  // namespace

BENCHMARK(BM_WholeJob)->UseRealTime()->MeasureProcessCPUTime()->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
