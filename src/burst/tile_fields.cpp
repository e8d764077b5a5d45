#include "burst/tile_fields.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

#include "numerics/cauchy.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr double kMedianOfTwo = 1.386;  // of chi squared with two degrees of freedom: 2 ln 2

/// Shift, scale, rotation, and what the viewpoint moves: along the axis, sideways.
constexpr int kSmooth = 7;

using SmoothVector = Eigen::Matrix<double, kSmooth, 1>;
using SmoothMatrix = Eigen::Matrix<double, kSmooth, kSmooth>;

void smooth_rows(const cv::Vec2d& at, double depth, SmoothVector& x, SmoothVector& y) {
  x << 1.0, 0.0, at[0], -at[1], depth * at[0], depth, 0.0;
  y << 0.0, 1.0, at[1], at[0], depth * at[1], 0.0, depth;
}

/// Takes off what is smooth over the picture.
/// @return what the viewpoint moves sideways, px from the depth at -1 to that at 1
cv::Vec2d take_smooth_off(Field& field, std::span<const cv::Vec2d> at,
                          std::span<const double> depth) {
  constexpr int kPasses = 6;
  constexpr std::size_t kEnough = 1000;  // tiles for seven unknowns
  std::vector<std::size_t> known;
  for (std::size_t t = 0; t < field.size(); ++t)
    if (field[t].known) known.push_back(t);
  const std::size_t every = 1 + known.size() / (kEnough + 1);
  SmoothVector model = SmoothVector::Zero();
  SmoothVector rx, ry;
  for (int pass = 0; pass < kPasses; ++pass) {
    std::vector<double> forms;
    for (std::size_t i = 0; i < known.size(); i += every) {
      const std::size_t t = known[i];
      smooth_rows(at[t], depth[t], rx, ry);
      const cv::Vec2d r = field[t].shift - cv::Vec2d(rx.dot(model), ry.dot(model));
      forms.push_back(field[t].information.form(r));
    }
    const double scale = std::max(1e-12, quantile(forms, 0.5) / kMedianOfTwo);
    SmoothMatrix a = SmoothMatrix::Zero();
    SmoothVector b = SmoothVector::Zero();
    for (std::size_t i = 0; i < known.size(); i += every) {
      const std::size_t t = known[i];
      // Twice as steep as Cauchy's: a part that moves is far off, and must not pull.
      const double cauchy = cauchy_weight(std::sqrt(forms[i / every] / scale));
      smooth_rows(at[t], depth[t], rx, ry);
      const Information w = field[t].information.times_factor(cauchy * cauchy);
      const SmoothVector wx = w.xx * rx + w.xy * ry, wy = w.xy * rx + w.yy * ry;
      a.noalias() += rx * wx.transpose() + ry * wy.transpose();
      b.noalias() += wx * field[t].shift[0] + wy * field[t].shift[1];
    }
    // A term that nobody needs stays 0.
    for (int i = 0; i < kSmooth; ++i) a(i, i) += 1e-6 + (i < 2 ? 1e-6 : 1e-3) * a(0, 0);
    model = a.ldlt().solve(b);
  }
  for (std::size_t t = 0; t < field.size(); ++t) {
    if (!field[t].known) continue;
    smooth_rows(at[t], depth[t], rx, ry);
    field[t].shift -= cv::Vec2d(rx.dot(model), ry.dot(model));
  }
  return {2.0 * model(5), 2.0 * model(6)};
}

/// Full-size px per px that is compared: tiles are 8 of these wide.
double px_compared(const Profiles& profiles) {
  return profiles.full_px_per_px * std::max(1, profiles.grid.tile_px / 8);
}

/// Neighbours in time, frames farther apart against drift, and of each other sweep the frame that
/// focuses nearest.
std::vector<FramePair> choose_pairs(const TileFields& burst) {
  const std::size_t n = burst.num_frames();
  std::vector<FramePair> pairs;
  for (const std::size_t apart : {1, 2, 4, 8})
    for (std::size_t i = 0; i + apart < n; ++i) pairs.push_back({i, i + apart});
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t s = burst.sweep[i] + 1; s <= burst.sweep.back(); ++s) {
      std::optional<std::size_t> nearest;
      for (std::size_t j = i + 1; j < n; ++j)
        if (burst.sweep[j] == s && (!nearest || std::abs(burst.q_px[j] - burst.q_px[i]) <
                                                    std::abs(burst.q_px[*nearest] - burst.q_px[i])))
          nearest = j;
      if (nearest && std::ranges::none_of(pairs, [&](const FramePair& p) {
            return p.first == i && p.second == *nearest;
          }))
        pairs.push_back({i, *nearest});
    }
  }
  return pairs;
}

/// What tiles did between the frames of each pair, less what is smooth.
void compare(TileFields& burst, const ForEach& for_each) {
  // That no scatter shows: resampling, the texture's own blur, at each level in its own px.
  constexpr double kFloorPx = 0.05;
  const Profiles& profiles = burst.profiles;
  std::vector<double> all_q;
  for (const TilePosition& t : burst.focus.tiles) all_q.push_back(t.q_px);
  const double middle_q = quantile(all_q, 0.5);
  const double spread_q = std::max(1.0, 0.5 * (quantile(all_q, 0.9) - quantile(all_q, 0.1)));
  std::vector<cv::Vec2d> at;
  std::vector<double> depth;
  for (std::size_t t = 0; t < burst.num_tiles(); ++t) {
    const TileProfile& p = profiles.tiles[t];
    burst.tiles.push_back({.row = p.row, .col = p.col, .q_px = burst.focus.tiles[t].q_px});
    at.push_back({(2.0 * p.col - profiles.grid.cols()) / profiles.grid.cols(),
                  (2.0 * p.row - profiles.grid.rows()) / profiles.grid.cols()});
    depth.push_back((burst.focus.tiles[t].q_px - middle_q) / spread_q);
  }
  const auto shifts = measure_shifts(burst.frames, burst.q_px, burst.tiles, burst.pairs,
                                     profiles.grid, profiles.full_px_per_px, for_each);
  burst.fields.resize(burst.pairs.size());
  burst.parallax_px.resize(burst.pairs.size());
  for_each(burst.pairs.size(), [&](std::size_t p) {
    Field& field = burst.fields[p];
    field.resize(burst.num_tiles());
    if (burst.lit[burst.pairs[p].first] != burst.lit[burst.pairs[p].second]) return;
    for (std::size_t t = 0; t < burst.num_tiles(); ++t) {
      const TileShift& s = shifts[p][t];
      if (s.level < 0) continue;
      const double floor_px = kFloorPx * burst.px * (1 << s.level);
      const Information raw{.xx = s.information[0], .xy = s.information[1], .yy = s.information[2]};
      field[t] = {.known = raw.xx + raw.yy > 0.0,
                  .level = s.level,
                  .shift = {s.shift_px[0], s.shift_px[1]},
                  .information = raw.with(1.0, floor_px * floor_px),
                  .before = s.before,
                  .after = s.after};
    }
    burst.parallax_px[p] = take_smooth_off(field, at, depth);
  });
}

/// Scatter between neighbours in time as it is on each level, not as each window's own rest says.
void widen_by_level(TileFields& burst) {
  constexpr double kLeast = 0.1;
  std::array<std::vector<double>, kShiftLevels> forms;
  for (std::size_t p = 0; p < num_neighbours(burst); ++p)
    for (std::size_t t = 0; t < burst.num_tiles(); ++t)
      if (const Seen& s = burst.fields[p][t]; s.known)
        forms[static_cast<std::size_t>(s.level)].push_back(form_of(burst, p, t));
  std::array<double, kShiftLevels> factor{};
  for (std::size_t j = 0; j < kShiftLevels; ++j)
    factor[j] =
        forms[j].empty() ? 1.0 : std::max(kLeast, quantile_in_place(forms[j], 0.5) / kMedianOfTwo);
  for (Field& field : burst.fields)
    for (Seen& s : field)
      if (s.known)
        s.information = s.information.with(factor[static_cast<std::size_t>(s.level)], 0.0);
}

}  // namespace

std::size_t num_neighbours(const TileFields& burst) { return burst.num_frames() - 1; }

double form_of(const TileFields& burst, std::size_t p, std::size_t t) {
  const Seen& s = burst.fields[p][t];
  return s.information.form(s.shift);
}

double bound_of(const TileFields& burst, double false_alarm) {
  return 2.0 * std::log(static_cast<double>(burst.num_tiles()) *
                        static_cast<double>(burst.num_frames()) / false_alarm);
}

void widen_by_tile(TileFields& burst) {
  constexpr double kShare = 0.6, kThere = 1.833;  // of chi squared with two degrees of freedom
  for (std::size_t t = 0; t < burst.num_tiles(); ++t) {
    std::vector<double> forms;
    for (std::size_t p = 0; p < num_neighbours(burst); ++p)
      if (burst.fields[p][t].known) forms.push_back(form_of(burst, p, t));
    const double own = std::max(1.0, quantile_in_place(forms, kShare) / kThere);
    for (Field& field : burst.fields)
      if (field[t].known) field[t].information = field[t].information.with(own, 0.0);
  }
}

TileFields measure_fields(const Profiles& profiles, const FocalPositions& focus,
                          std::span<const SweepRange> sweeps,
                          std::span<const std::size_t> lit_alike, const ReadPackedPicture& read,
                          const ForEach& for_each) {
  TileFields burst{.profiles = profiles, .focus = focus};
  burst.px = px_compared(profiles);
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    if (!focus.frames[k].usable || !focus.frames[k].q_px) continue;
    burst.order.push_back(k);
    burst.q_px.push_back(*focus.frames[k].q_px);
    burst.sweep.push_back(sweep_of(sweeps, k));
    burst.lit.push_back(lit_alike.empty() ? 0 : lit_alike[burst.sweep.back()]);
  }
  // The light changed near the turn of the ring, before it or after it: the frames there may be of
  // either light.
  std::size_t none = sweeps.size();
  for (std::size_t i = 0; i + 1 < burst.lit.size(); ++i)
    if (burst.lit[i] != burst.lit[i + 1] &&
        std::max(burst.lit[i], burst.lit[i + 1]) < sweeps.size())
      burst.lit[i] = none++, burst.lit[i + 1] = none++, ++i;
  const std::size_t n = burst.num_frames();
  burst.tile_at = cv::Mat(profiles.grid.rows(), profiles.grid.cols(), CV_32SC1, cv::Scalar(-1));
  for (std::size_t t = 0; t < burst.num_tiles(); ++t)
    burst.tile_at.at<int>(profiles.tiles[t].row, profiles.tiles[t].col) = static_cast<int>(t);
  burst.pairs = choose_pairs(burst);
  burst.straddling.resize(n);
  for (std::size_t p = 0; p < burst.pairs.size(); ++p)
    for (std::size_t c = burst.pairs[p].first + 1; c <= burst.pairs[p].second; ++c)
      burst.straddling[c].push_back(p);
  burst.frames.resize(n);
  for_each(n, [&](std::size_t i) {
    burst.frames[i] = prepare_for_shifts(read(burst.order[i]), profiles.grid);
  });
  compare(burst, for_each);
  widen_by_level(burst);
  return burst;
}

}  // namespace ringsweep
