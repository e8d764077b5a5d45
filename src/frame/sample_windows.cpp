#include "frame/sample_windows.h"

#include <algorithm>
#include <functional>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

// Ours, no source: develop bursts have the same scale by these windows as by the whole picture.
constexpr int kCorePx = 64;
constexpr int kMarginPx = 32;  // what the widest disc and the coarsest band reach over
constexpr std::size_t kMostWindows = 16;

int whole_tiles(int px, int tile_px) { return (px + tile_px - 1) / tile_px; }

struct Window {
  cv::Rect tiles;  // margins and all
  double texture = 0.0;
};

std::vector<Window> strongest(const Mosaic& mosaic, const TileGrid& grid, int core, int margin) {
  std::vector<Window> windows;
  const int side = core + 2 * margin;
  const int edge = grid.tile_px / 2;  // of a tile, in values of the sharpness
  for (int row = 0; row + side <= grid.rows(); row += core)
    for (int col = 0; col + side <= grid.cols(); col += core) {
      std::vector<double> texture;
      for (int r = 0; r < core; ++r)
        for (int c = 0; c < core; ++c)
          texture.push_back(cv::mean(mosaic.sharpness(
              cv::Rect((col + margin + c) * edge, (row + margin + r) * edge, edge, edge)))[0]);
      windows.push_back({cv::Rect(col, row, side, side), quantile_in_place(texture, 0.5)});
    }
  std::ranges::stable_sort(windows, std::greater<>{}, &Window::texture);
  windows.resize(std::min(windows.size(), kMostWindows));
  return windows;
}

}  // namespace

SampleWindows sample_windows(const Mosaic& mosaic, const std::vector<TileMeasures>& frames,
                             const TileGrid& grid) {
  const int core = whole_tiles(kCorePx, grid.tile_px),
            margin = whole_tiles(kMarginPx, grid.tile_px);
  const int side = core + 2 * margin;
  const std::vector<Window> windows = strongest(mosaic, grid, core, margin);
  if (windows.empty()) return {};
  // Side by side, each as it lies in the grid.
  const auto put = [&](const cv::Mat& from, int px_per_tile) {
    cv::Mat to = cv::Mat::zeros(side * px_per_tile,
                                side * px_per_tile * static_cast<int>(windows.size()), from.type());
    for (std::size_t i = 0; i < windows.size(); ++i) {
      const cv::Rect& tiles = windows[i].tiles;
      const cv::Rect source(tiles.x * px_per_tile, tiles.y * px_per_tile, side * px_per_tile,
                            side * px_per_tile);
      from(source).copyTo(
          to(cv::Rect(static_cast<int>(i) * source.width, 0, source.width, source.height)));
    }
    return to;
  };
  SampleWindows out{.mosaic = put(mosaic.luminance, grid.tile_px),
                    .grid = {.size = {}, .tile_px = grid.tile_px},
                    .frames = std::vector<TileMeasures>(frames.size())};
  out.grid.size = out.mosaic.size();
  cv::Mat cores = cv::Mat::zeros(out.grid.rows(), out.grid.cols(), CV_8UC1);
  for (std::size_t i = 0; i < windows.size(); ++i)
    cores(cv::Rect(static_cast<int>(i) * side + margin, margin, core, core)) = 255;
  for (std::size_t k = 0; k < frames.size(); ++k) {
    if (frames[k].level.empty()) continue;
    for (std::size_t j = 0; j < kNumBands; ++j)
      out.frames[k].energy[j] = put(frames[k].energy[j], 1);
    out.frames[k].level = put(frames[k].level, 1);
    out.frames[k].gain = frames[k].gain;
    out.frames[k].valid = put(frames[k].valid, 1) & cores;
    out.frames[k].clipped = put(frames[k].clipped, 1);
  }
  return out;
}

}  // namespace ringsweep
