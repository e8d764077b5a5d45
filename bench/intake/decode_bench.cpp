// How long a frame takes from the file to linear light. Args: megapixels, reduction; {20, 2} is one
// field frame at the usual working scale. Target: at most 150 ms on one core.
#include <benchmark/benchmark.h>

#include <cmath>
#include <filesystem>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <system_error>
#include <vector>

#include "ringsweep/decode.h"

namespace {

namespace fs = std::filesystem;

/// A picture with fine detail everywhere, a little noise, 4:2:0 at quality 92: about 0.4 bytes a
/// pixel, what cameras write. Made once for each size, removed at the end.
class Pictures {
 public:
  Pictures() : folder_(fs::temp_directory_path() / ("ringsweep-bench-" + std::to_string(seed()))) {
    fs::create_directories(folder_);
  }
  Pictures(const Pictures&) = delete;
  Pictures& operator=(const Pictures&) = delete;
  ~Pictures() {
    std::error_code code;
    fs::remove_all(folder_, code);
  }

  ringsweep::FrameRef jpeg(int megapixels) {
    ringsweep::FrameRef frame;
    frame.file = std::to_string(megapixels) + ".jpg";
    frame.path = (folder_ / frame.file).string();
    if (fs::exists(frame.path)) return frame;
    const int rows = static_cast<int>(std::lround(std::sqrt(megapixels * 1e6 / 1.5) / 16.0)) * 16;
    const int cols = rows / 2 * 3;
    cv::Mat noise(rows, cols, CV_8UC3);
    cv::RNG rng(7);
    rng.fill(noise, cv::RNG::NORMAL, cv::Scalar::all(128), cv::Scalar(40, 70, 50));
    cv::Mat picture;
    cv::GaussianBlur(noise, picture, {}, 1.2);
    cv::imwrite(frame.path, picture, {cv::IMWRITE_JPEG_QUALITY, 92});
    return frame;
  }

 private:
  static unsigned seed() { return static_cast<unsigned>(cv::getTickCount()); }
  fs::path folder_;
};

void BM_DecodeJpeg(benchmark::State& state) {
  static Pictures pictures;
  const ringsweep::FrameRef frame = pictures.jpeg(static_cast<int>(state.range(0)));
  const ringsweep::DecodeOptions options{.reduction = static_cast<int>(state.range(1))};
  ringsweep::Result<ringsweep::LinearFrame> result;
  for (auto _ : state) {
    result = ringsweep::decode(frame, options);
    benchmark::DoNotOptimize(result);
  }
  // Fast and wrong is no result: grey 128 in all channels is 0.216 of linear light; the noise about
  // it (sd 12 of 255 after the blur) raises the mean by well under 0.02.
  if (!result || std::abs(cv::mean(result->luminance)[0] - 0.216) > 0.02)
    state.SkipWithError("the picture is not what was written");
  state.counters["file_MB"] = static_cast<double>(fs::file_size(frame.path)) * 1e-6;
}

}  // namespace

BENCHMARK(BM_DecodeJpeg)
    ->ArgNames({"megapixels", "reduction"})
    ->Args({1, 2})
    ->Args({20, 1})
    ->Args({20, 2})
    ->Args({20, 4})
    ->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
