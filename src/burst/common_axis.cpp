#include "burst/common_axis.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "burst/fit_state.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr std::size_t kFewest = 20;

struct Line {
  double ratio = 0.0, offset = 0.0;
  double middle = 0.0, spread = 0.0;  // mean of b, sum of squares about it
};

Line least_squares(std::span<const TwoPositions> tiles, const std::vector<bool>& in) {
  double n = 0.0, a = 0.0, b = 0.0;
  for (std::size_t i = 0; i < tiles.size(); ++i)
    if (in[i]) n += 1.0, a += tiles[i].a_px, b += tiles[i].b_px;
  a /= n, b /= n;
  double bb = 0.0, ab = 0.0;
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    if (!in[i]) continue;
    bb += (tiles[i].b_px - b) * (tiles[i].b_px - b);
    ab += (tiles[i].b_px - b) * (tiles[i].a_px - a);
  }
  if (!(bb > 0.0)) return {};
  return {.ratio = ab / bb, .offset = a - ab / bb * b, .middle = b, .spread = bb};
}

/// Median of the slopes between tiles far apart in the list: a start that outliers do not draw.
Line start_of(std::span<const TwoPositions> tiles) {
  std::vector<double> slopes;
  constexpr std::size_t kSteps = 7;
  for (std::size_t s = 1; s <= kSteps; ++s) {
    const std::size_t apart = std::max<std::size_t>(1, s * tiles.size() / (kSteps + 1));
    for (std::size_t i = 0; i + apart < tiles.size(); ++i) {
      const double db = tiles[i + apart].b_px - tiles[i].b_px;
      if (std::abs(db) > 1.0) slopes.push_back((tiles[i + apart].a_px - tiles[i].a_px) / db);
    }
  }
  if (slopes.empty()) return {};
  const double ratio = quantile(slopes, 0.5);
  std::vector<double> offsets;
  for (const TwoPositions& t : tiles) offsets.push_back(t.a_px - ratio * t.b_px);
  return {.ratio = ratio, .offset = quantile(offsets, 0.5), .spread = 1.0};
}

}  // namespace

double CommonAxis::sd_px(double b_px, double scale_sd) const {
  constexpr double kApart = kPartRows * kPartCols;  // tiles of one part of the picture err together
  const auto on = static_cast<double>(tiles);
  const double together = std::sqrt(on / std::min(on, kApart));
  return std::hypot(together * scatter_px / std::sqrt(on),
                    (b_px - middle_px) * std::hypot(together * ratio_sd, ratio * scale_sd));
}

std::optional<CommonAxis> common_axis(std::span<const TwoPositions> tiles) {
  if (tiles.size() < kFewest) return std::nullopt;
  Line line = start_of(tiles);
  if (!(line.spread > 0.0)) return std::nullopt;
  std::vector<bool> in(tiles.size(), true), before;
  double sigma = 0.0;
  constexpr int kMostRounds = 30;
  for (int round = 0; round < kMostRounds && in != before; ++round) {
    before = in;
    std::vector<double> off;
    for (const TwoPositions& t : tiles)
      off.push_back(std::abs(t.a_px - line.offset - line.ratio * t.b_px));
    // 1.4826: sigma over the median deviation of a normal distribution.
    sigma = std::max(1e-6, 1.4826 * quantile(off, 0.5));
    for (std::size_t i = 0; i < tiles.size(); ++i) in[i] = off[i] <= 2.5 * sigma;
    line = least_squares(tiles, in);
    if (!(line.spread > 0.0)) return std::nullopt;
  }
  const auto on = static_cast<std::size_t>(std::ranges::count(in, true));
  if (on < kFewest || 2 * on < tiles.size()) return std::nullopt;
  // Unless the line explains most of what the tiles differ by, there is none.
  const double spread_px = std::sqrt(line.spread / static_cast<double>(on));
  if (std::abs(line.ratio) * spread_px < 2.0 * sigma) return std::nullopt;
  return CommonAxis{.ratio = line.ratio,
                    .ratio_sd = sigma / std::sqrt(line.spread),
                    .offset_px = line.offset,
                    .middle_px = line.middle,
                    .scatter_px = sigma,
                    .tiles = on};
}

}  // namespace ringsweep
