#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <string>
#include <vector>

#include "report/depth_colours.h"
#include "report/wording.h"
#include "ringsweep/report.h"
#include "ringsweep/subject.h"

namespace ringsweep {
namespace {

constexpr int kLongSidePx = 1200;  // fits a laptop's screen beside a window of files
constexpr int kMostCellPx = 48;
constexpr int kLegendPx = 64;
const cv::Scalar kGrey(119, 119, 119);  // L* = 50 in sRGB
const cv::Scalar kPaper(24, 24, 24);

struct Range {
  double low = 0.0;
  double high = 0.0;
};

bool known(const DepthMap& depth, int row, int col) {
  if (!std::isfinite(depth.q_px.at<float>(row, col))) return false;
  // What the subject leaves out as too poor to count is not shown as a depth either.
  constexpr double kLeastWeight = SubjectOptions{}.min_weight;
  return depth.weight.empty() || depth.weight.at<float>(row, col) >= kLeastWeight;
}

/// The subject's extent, or where none was found that of all tiles but the outermost 2 %.
std::optional<Range> colour_range(const BurstAnalysis& burst) {
  if (burst.coverage.has_subject) {
    return Range{burst.coverage.subject_low_px, burst.coverage.subject_high_px};
  }
  std::vector<float> values;
  for (int row = 0; row < burst.depth.q_px.rows; ++row) {
    for (int col = 0; col < burst.depth.q_px.cols; ++col) {
      if (known(burst.depth, row, col)) values.push_back(burst.depth.q_px.at<float>(row, col));
    }
  }
  if (values.empty()) return std::nullopt;
  std::ranges::sort(values);
  const std::size_t off = values.size() / 50;
  return Range{values[off], values[values.size() - 1 - off]};
}

/// 0..1 along the range; the middle where the range has no length.
double place(double q_px, const Range& range) {
  if (!(range.high > range.low)) return 0.5;
  return std::clamp((q_px - range.low) / (range.high - range.low), 0.0, 1.0);
}

cv::Vec3b colour_at(const std::array<cv::Vec3b, kDepthColours>& colours, double t) {
  return colours[static_cast<std::size_t>(std::lround(t * (kDepthColours - 1)))];
}

bool is_ascii(const std::string& text) {
  return std::ranges::all_of(text, [](char c) { return c >= 0x20 && c < 0x7F; });
}

/// The bar of colours with a tick where each usable frame focuses, named where there is room.
void draw_legend(cv::Mat legend, const BurstAnalysis& burst, const Range& range,
                 const std::array<cv::Vec3b, kDepthColours>& colours) {
  constexpr int kMargin = 12;
  constexpr int kBarTop = 8;
  constexpr int kBarBottom = 28;
  constexpr int kTextBase = 52;
  constexpr double kTextSize = 0.42;
  const int width = legend.cols - 2 * kMargin;
  if (width < 2) return;
  for (int x = 0; x < width; ++x) {
    cv::line(legend, {kMargin + x, kBarTop}, {kMargin + x, kBarBottom},
             cv::Scalar(colour_at(colours, x / (width - 1.0))));
  }
  struct Tick {
    int x;
    std::string label;
  };
  std::vector<Tick> ticks;
  const std::vector<std::string> labels = wording::frame_labels(burst);
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    if (!frame.usable || !frame.focus_px) continue;
    if (*frame.focus_px < range.low || *frame.focus_px > range.high) continue;
    ticks.push_back(
        {kMargin + static_cast<int>(std::lround(place(*frame.focus_px, range) * (width - 1))),
         labels[k]});
  }
  std::ranges::sort(ticks, {}, &Tick::x);
  int free_from = 0;
  for (const Tick& tick : ticks) {
    cv::line(legend, {tick.x, kBarTop - 4}, {tick.x, kBarBottom + 6}, cv::Scalar::all(255));
    if (!is_ascii(tick.label)) continue;
    int base = 0;
    const cv::Size size =
        cv::getTextSize(tick.label, cv::FONT_HERSHEY_SIMPLEX, kTextSize, 1, &base);
    const int left = std::clamp(tick.x - size.width / 2, 0, std::max(0, legend.cols - size.width));
    if (left < free_from || size.width > legend.cols) continue;
    cv::putText(legend, tick.label, {left, kTextBase}, cv::FONT_HERSHEY_SIMPLEX, kTextSize,
                cv::Scalar::all(230), 1, cv::LINE_AA);
    free_from = left + size.width + 8;
  }
}

/// What is no subject is drawn small: grey is left around it.
void shrink_others(cv::Mat& picture, const cv::Mat& roles, int cell) {
  const int edge = std::max(1, cell / 4);
  for (int row = 0; row < roles.rows; ++row) {
    for (int col = 0; col < roles.cols; ++col) {
      const auto role = static_cast<TileRole>(roles.at<std::uint8_t>(row, col));
      if (role == TileRole::subject) continue;
      const cv::Rect whole(col * cell, row * cell, cell, cell);
      cv::rectangle(picture, whole, kGrey, role == TileRole::stray ? cv::FILLED : edge);
    }
  }
}

}  // namespace

cv::Mat depth_picture(const BurstAnalysis& burst) {
  const DepthMap& depth = burst.depth;
  if (depth.q_px.empty()) return {};
  const std::array<cv::Vec3b, kDepthColours> colours = depth_colours();
  const std::optional<Range> range = colour_range(burst);

  cv::Mat tiles(depth.q_px.size(), CV_8UC3, kGrey);
  for (int row = 0; row < tiles.rows; ++row) {
    for (int col = 0; col < tiles.cols; ++col) {
      if (!range || !known(depth, row, col)) continue;
      tiles.at<cv::Vec3b>(row, col) =
          colour_at(colours, place(depth.q_px.at<float>(row, col), *range));
    }
  }

  const cv::Mat turned = upright(tiles, burst.orientation);
  const int cell = std::clamp(kLongSidePx / std::max(turned.rows, turned.cols), 1, kMostCellPx);
  cv::Mat picture(turned.rows * cell + kLegendPx, turned.cols * cell, CV_8UC3, kPaper);
  // Nearest neighbour: a smooth picture would show depths that nobody measured.
  cv::resize(turned, picture.rowRange(0, turned.rows * cell),
             cv::Size(turned.cols * cell, turned.rows * cell), 0.0, 0.0, cv::INTER_NEAREST);
  if (!depth.role.empty()) {
    cv::Mat tiled = picture.rowRange(0, turned.rows * cell);
    shrink_others(tiled, upright(depth.role, burst.orientation), cell);
  }
  if (range)
    draw_legend(picture.rowRange(turned.rows * cell, picture.rows), burst, *range, colours);
  return picture;
}

}  // namespace ringsweep
