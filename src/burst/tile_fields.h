#pragma once
/// Fields: what each tile did between the frames of each pair, less what is smooth over the
/// picture, with errors that hold for this burst.

#include <cmath>
#include <cstddef>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/for_each.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/profiles.h"
#include "ringsweep/sweeps.h"
#include "ringsweep/tile_shifts.h"

namespace ringsweep {

/// Symmetric 2 x 2.
struct Information {
  double xx = 0.0, xy = 0.0, yy = 0.0;
  void add(const Information& o) { xx += o.xx, xy += o.xy, yy += o.yy; }
  [[nodiscard]] Information times_factor(double f) const { return {f * xx, f * xy, f * yy}; }
  [[nodiscard]] cv::Vec2d times(const cv::Vec2d& v) const {
    return {xx * v[0] + xy * v[1], xy * v[0] + yy * v[1]};
  }
  [[nodiscard]] double form(const cv::Vec2d& v) const { return v.dot(times(v)); }
  /// Its inverse plus `variance`, inverted: an error more, the same in all directions.
  [[nodiscard]] Information with(double factor, double variance) const {
    // In its own axes: each eigenvalue w becomes 1 / (factor / w + variance).
    const double mean = 0.5 * (xx + yy), half = std::hypot(0.5 * (xx - yy), xy);
    const double large = mean + half, small = std::max(0.0, mean - half);
    const auto damped = [&](double w) { return w <= 0.0 ? 0.0 : w / (factor + variance * w); };
    const double a = damped(large), b = damped(small);
    if (half < 1e-12 * mean) return {a, 0.0, a};
    const double c = 0.5 * (xx - yy) / half, s = xy / half;  // cos and sin of twice the angle
    return {0.5 * (a + b) + 0.5 * (a - b) * c, 0.5 * (a - b) * s,
            0.5 * (a + b) - 0.5 * (a - b) * c};
  }
  [[nodiscard]] cv::Vec2d solve(const cv::Vec2d& v) const {
    const double ridge = 1e-6 * (xx + yy) + 1e-30;
    const double a = xx + ridge, b = yy + ridge, det = a * b - xy * xy;
    return {(b * v[0] - xy * v[1]) / det, (a * v[1] - xy * v[0]) / det};
  }
};

/// A tile between two frames, after the smooth field is gone.
struct Seen {
  bool known = false;
  int level = 0;
  cv::Vec2d shift{};
  Information information{};
  double before = 0.0, after = 0.0;
};

using Field = std::vector<Seen>;

/// A burst while it is looked at. Frames by their place in `order`.
struct TileFields {
  const Profiles& profiles;
  const FocalPositions& focus;
  std::vector<std::size_t> order{};  ///< usable frames, capture order
  std::vector<double> q_px{};        ///< of these
  std::vector<std::size_t> sweep{};  ///< of these, which sweep each belongs to
  std::vector<std::size_t> lit{};    ///< of these, which frames are lit alike: the same number
  std::vector<ShiftTile> tiles{};    ///< as shifts are measured of them
  std::vector<ShiftFrame> frames{};  ///< of these, prepared
  std::vector<FramePair> pairs{};
  std::vector<Field> fields{};  ///< of each pair: what no movement found so far explains
  /// Of each pair: how far what the viewpoint did moves the subject's front against its back (the
  /// 90 % against the 10 % of its depth), full-size px.
  std::vector<cv::Vec2d> parallax_px{};
  std::vector<std::vector<std::size_t>> straddling{};  ///< pairs with one frame on either side
  cv::Mat tile_at{};                                   ///< CV_32SC1, index of the tile, or -1
  double px = 1.0;                                     ///< full-size px per px that is compared
  [[nodiscard]] std::size_t num_frames() const { return order.size(); }
  [[nodiscard]] std::size_t num_tiles() const { return profiles.tiles.size(); }
};

/// Reads all usable frames once. At least two of them, and one tile. Between frames that are not
/// lit alike no tile is known.
/// @param lit_alike one a sweep, groups_lit_alike(); empty: all are
[[nodiscard]] TileFields measure_fields(const Profiles& profiles, const FocalPositions& focus,
                                        std::span<const SweepRange> sweeps,
                                        std::span<const std::size_t> lit_alike,
                                        const ReadPackedPicture& read, const ForEach& for_each);

/// Of a tile in a frame.
[[nodiscard]] inline double blur_px(const TileFields& burst, std::size_t frame, std::size_t tile) {
  return std::abs(burst.q_px[frame] - burst.focus.tiles[tile].q_px);
}

/// The first pairs of all are those of neighbours in time, where hardly anything moves.
[[nodiscard]] std::size_t num_neighbours(const TileFields& burst);

/// Chi squared, two degrees of freedom, of a tile's shift in a pair in which it is known.
[[nodiscard]] double form_of(const TileFields& burst, std::size_t pair, std::size_t tile);

/// Chi squared, two degrees of freedom, that no tile in no frame exceeds where nothing moves, but
/// with this probability (Bonferroni): it is beyond x with probability exp(-x / 2).
[[nodiscard]] double bound_of(const TileFields& burst, double false_alarm);

/// A tile that jitters between neighbours in time is no good witness anywhere.
void widen_by_tile(TileFields& burst);

constexpr int kReachTiles = 2;  // of a patch to its next tile: a window is three tiles wide
constexpr std::size_t kFewestTiles = 4;  // of a patch; windows overlap, so two would be one

template <class Body>
void for_neighbours(const TileFields& burst, std::size_t t, int reach, const Body& body) {
  const TileProfile& tile = burst.profiles.tiles[t];
  const cv::Rect grid({}, burst.tile_at.size());
  for (int i = -reach; i <= reach; ++i)
    for (int j = -reach; j <= reach; ++j) {
      const cv::Point at(tile.col + j, tile.row + i);
      if (!grid.contains(at) || burst.tile_at.at<int>(at) < 0) continue;
      body(static_cast<std::size_t>(burst.tile_at.at<int>(at)));
    }
}

/// The tiles that hang together with tile `t`; they are taken then.
/// @param joins (tile, neighbour): whether the neighbour goes with the tile
template <class Joins>
std::vector<std::size_t> connected_from(const TileFields& burst, std::size_t t,
                                        std::vector<bool>& taken, const Joins& joins) {
  std::vector<std::size_t> tiles, todo{t};
  taken[t] = true;
  while (!todo.empty()) {
    const std::size_t here = todo.back();
    todo.pop_back();
    tiles.push_back(here);
    for_neighbours(burst, here, kReachTiles, [&](std::size_t o) {
      if (taken[o] || !joins(here, o)) return;
      taken[o] = true;
      todo.push_back(o);
    });
  }
  return tiles;
}

}  // namespace ringsweep
