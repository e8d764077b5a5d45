// ringsweep-floor: what a whole `check` costs over the least it could cost, the decoding of its
// pictures to grey at full size by OpenCV's codec; of raw files, the half-size mosaic.
//
//   ringsweep-floor [--threads N] FOLDER...
//
// One line a folder, for a table. Nothing is judged.

#include <fmt/format.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace {

namespace fs = std::filesystem;

struct Cost {
  double cpu_s = 0.0;
  double wall_s = 0.0;
  double peak_mb = 0.0;
};

double seconds(const timeval& t) {
  return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
}

double cpu_of(const rusage& usage) { return seconds(usage.ru_utime) + seconds(usage.ru_stime); }

double wall_since(std::chrono::steady_clock::time_point begin) {
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
}

/// Only decodes; the sum keeps the compiler from leaving it out.
Cost decode_all(const std::vector<ringsweep::FrameRef>& frames, int threads, double& mpx) {
  rusage before{}, after{};
  std::vector<double> size(frames.size());
  getrusage(RUSAGE_SELF, &before);
  const auto begin = std::chrono::steady_clock::now();
  tbb::task_arena arena(threads > 0 ? threads : tbb::task_arena::automatic);
  arena.execute([&] {
    tbb::parallel_for(std::size_t{0}, frames.size(), [&](std::size_t k) {
      if (frames[k].is_raw) {
        const auto picture = ringsweep::decode(frames[k], {.reduction = 2});
        size[k] = picture ? 4.0 * static_cast<double>(picture->luminance.total()) : 0.0;
      } else {
        const cv::Mat grey =
            cv::imread(frames[k].path, cv::IMREAD_GRAYSCALE | cv::IMREAD_IGNORE_ORIENTATION);
        size[k] = static_cast<double>(grey.total());
      }
    });
  });
  Cost cost{.cpu_s = 0.0, .wall_s = wall_since(begin), .peak_mb = 0.0};
  getrusage(RUSAGE_SELF, &after);
  cost.cpu_s = cpu_of(after) - cpu_of(before);
  for (const double one : size) mpx = std::max(mpx, 1e-6 * one);
  return cost;
}

/// The program itself, its report and all, with nothing kept from before.
Cost check(const fs::path& folder, int threads) {
  const fs::path out = fs::temp_directory_path() / fmt::format("ringsweep-floor-{}", getpid());
  const std::string count = std::to_string(threads);
  const auto begin = std::chrono::steady_clock::now();
  std::fflush(stdout);  // else the child prints it, too
  const pid_t child = fork();
  if (child == 0) {
    if (std::freopen("/dev/null", "w", stdout) == nullptr) _exit(126);
    execl(RINGSWEEP_EXECUTABLE, RINGSWEEP_EXECUTABLE, "check", folder.c_str(), "--all",
          "--no-cache", "--threads", count.c_str(), "--out", out.c_str(), nullptr);
    _exit(127);
  }
  int status = 0;
  rusage usage{};
  wait4(child, &status, 0, &usage);
  std::error_code ignored;
  fs::remove_all(out, ignored);
  return {.cpu_s = cpu_of(usage),
          .wall_s = wall_since(begin),
          .peak_mb = 1024e-6 * static_cast<double>(usage.ru_maxrss)};
}

}  // namespace

int main(int argc, char** argv) {
  int threads = 0;
  std::vector<fs::path> folders;
  for (int i = 1; i < argc; ++i) {
    if (std::string_view(argv[i]) == "--threads" && i + 1 < argc)
      threads = std::atoi(argv[++i]);
    else
      folders.emplace_back(argv[i]);
  }
  if (folders.empty()) {
    fmt::print(stderr, "ringsweep-floor [--threads N] FOLDER...\n");
    return 2;
  }
  cv::setNumThreads(1);  // the threads are ours to share out
  fmt::print("{:24} {:>6} {:>5} {:>9} {:>9} {:>9} {:>9} {:>6} {:>6} {:>8}\n", "burst", "frames",
             "Mpx", "floor cpu", "wall", "check cpu", "wall", "cpu x", "wall x", "peak MB");
  for (const fs::path& folder : folders) {
    const Cost whole = check(folder, threads);  // first: reads the files into the disk's cache
    std::vector<ringsweep::FrameRef> frames;
    for (const ringsweep::Burst& burst : ringsweep::find_bursts(std::vector{folder}).bursts)
      frames.insert(frames.end(), burst.frames.begin(), burst.frames.end());
    double mpx = 0.0;
    const Cost floor = decode_all(frames, threads, mpx);
    fmt::print("{:24} {:6} {:5.1f} {:9.2f} {:9.2f} {:9.2f} {:9.2f} {:6.1f} {:6.1f} {:8.0f}\n",
               folder.filename().string(), frames.size(), mpx, floor.cpu_s, floor.wall_s,
               whole.cpu_s, whole.wall_s, whole.cpu_s / floor.cpu_s, whole.wall_s / floor.wall_s,
               whole.peak_mb);
  }
  return 0;
}
