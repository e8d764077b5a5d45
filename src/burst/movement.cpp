#include "ringsweep/movement.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <numeric>
#include <optional>
#include <set>

#include "frame/tile_shifts.h"
#include "numerics/cauchy.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr double kMedianOfTwo = 1.386;  // of chi squared with two degrees of freedom: 2 ln 2

/// Symmetric 2 x 2.
struct Information {
  double xx = 0.0, xy = 0.0, yy = 0.0;
  void add(const Information& o) { xx += o.xx, xy += o.xy, yy += o.yy; }
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

/// Shift, scale, rotation, and what the viewpoint moves: along the axis, sideways.
constexpr int kSmooth = 7;
using SmoothVector = Eigen::Matrix<double, kSmooth, 1>;
using SmoothMatrix = Eigen::Matrix<double, kSmooth, kSmooth>;

void smooth_rows(const cv::Vec2d& at, double depth, SmoothVector& x, SmoothVector& y) {
  x << 1.0, 0.0, at[0], -at[1], depth * at[0], depth, 0.0;
  y << 0.0, 1.0, at[1], at[0], depth * at[1], 0.0, depth;
}

/// Takes off what is smooth over the picture.
void take_smooth_off(Field& field, std::span<const cv::Vec2d> at, std::span<const double> depth) {
  constexpr int kPasses = 8;
  SmoothVector model = SmoothVector::Zero();
  SmoothVector rx, ry;
  for (int pass = 0; pass < kPasses; ++pass) {
    SmoothMatrix a = SmoothMatrix::Zero();
    SmoothVector b = SmoothVector::Zero();
    std::vector<double> forms;
    std::vector<double> weights(field.size());
    for (std::size_t t = 0; t < field.size(); ++t) {
      if (!field[t].known) continue;
      smooth_rows(at[t], depth[t], rx, ry);
      const cv::Vec2d r = field[t].shift - cv::Vec2d(rx.dot(model), ry.dot(model));
      forms.push_back(weights[t] = field[t].information.form(r));
    }
    const double scale = std::max(1e-12, quantile_in_place(forms, 0.5) / kMedianOfTwo);
    for (std::size_t t = 0; t < field.size(); ++t) {
      if (!field[t].known) continue;
      const double w = pass == 0 ? 1.0 / (1.0 + weights[t] / scale)
                                 : cauchy_weight(std::sqrt(weights[t] / scale)) *
                                       cauchy_weight(std::sqrt(weights[t] / scale));
      smooth_rows(at[t], depth[t], rx, ry);
      const Information& i = field[t].information;
      const SmoothVector ix = i.xx * rx + i.xy * ry, iy = i.xy * rx + i.yy * ry;
      a.noalias() += w * (rx * ix.transpose() + ry * iy.transpose());
      b.noalias() += w * (ix * field[t].shift[0] + iy * field[t].shift[1]);
    }
    a.diagonal() *= 1.0 + 1e-6;
    a.diagonal().array() += 1e-6 + 1e-3 * a(0, 0);  // a term nobody needs stays 0
    a(0, 0) -= 1e-3 * a(0, 0) / (1 + 1e-3), a(1, 1) -= 1e-3 * a(1, 1) / (1 + 1e-3);
    model = a.ldlt().solve(b);
  }
  for (std::size_t t = 0; t < field.size(); ++t) {
    if (!field[t].known) continue;
    smooth_rows(at[t], depth[t], rx, ry);
    field[t].shift -= cv::Vec2d(rx.dot(model), ry.dot(model));
  }
}

/// A burst while it is looked at. Frames by their place in `order`.
struct Job {
  const Profiles& profiles;
  const FocalPositions& focus;
  std::vector<std::size_t> order{};  ///< usable frames, capture order
  std::vector<double> q_px{};        ///< of these
  std::vector<std::size_t> sweep{};  ///< of these, which sweep each belongs to
  std::vector<FramePair> pairs{};
  std::vector<Field> fields{};  ///< of each pair: what no movement found so far explains
  std::vector<std::vector<std::size_t>> straddling{};  ///< pairs with one frame on either side
  cv::Mat tile_at{};                                   ///< CV_32SC1, index of the tile, or -1
  double px = 1.0;                                     ///< full-size px per px that is compared
  [[nodiscard]] std::size_t num_frames() const { return order.size(); }
  [[nodiscard]] std::size_t num_tiles() const { return profiles.tiles.size(); }
};

/// Full-size px per px that is compared: tiles are 8 of these wide.
double px_compared(const Profiles& profiles) {
  return profiles.full_px_per_px * std::max(1, profiles.grid.tile_px / 8);
}

std::size_t sweep_of(std::span<const SweepRange> sweeps, std::size_t frame) {
  std::size_t s = 0;
  while (s + 1 < sweeps.size() && frame > sweeps[s].last) ++s;
  return s;
}

/// Neighbours in time, frames farther apart against drift, and of each other sweep the frame that
/// focuses nearest.
std::vector<FramePair> choose_pairs(const Job& job) {
  const std::size_t n = job.num_frames();
  std::vector<FramePair> pairs;
  for (const std::size_t apart : {1, 2, 4, 8})
    for (std::size_t i = 0; i + apart < n; ++i) pairs.push_back({i, i + apart});
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t s = job.sweep[i] + 1; s <= job.sweep.back(); ++s) {
      std::optional<std::size_t> nearest;
      for (std::size_t j = i + 1; j < n; ++j)
        if (job.sweep[j] == s && (!nearest || std::abs(job.q_px[j] - job.q_px[i]) <
                                                  std::abs(job.q_px[*nearest] - job.q_px[i])))
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
std::vector<Field> measure_fields(const Job& job, std::span<const ShiftFrame> frames,
                                  const ForEach& for_each) {
  // That no scatter shows: resampling, the texture's own blur, at each level in its own px.
  constexpr double kFloorPx = 0.05;
  const Profiles& profiles = job.profiles;
  std::vector<double> all_q;
  for (const TilePosition& t : job.focus.tiles) all_q.push_back(t.q_px);
  const double middle_q = quantile(all_q, 0.5);
  const double spread_q = std::max(1.0, 0.5 * (quantile(all_q, 0.9) - quantile(all_q, 0.1)));
  std::vector<ShiftTile> tiles;
  std::vector<cv::Vec2d> at;
  std::vector<double> depth;
  for (std::size_t t = 0; t < job.num_tiles(); ++t) {
    const TileProfile& p = profiles.tiles[t];
    tiles.push_back({.row = p.row, .col = p.col, .q_px = job.focus.tiles[t].q_px});
    at.push_back({(2.0 * p.col - profiles.grid.cols()) / profiles.grid.cols(),
                  (2.0 * p.row - profiles.grid.rows()) / profiles.grid.cols()});
    depth.push_back((job.focus.tiles[t].q_px - middle_q) / spread_q);
  }
  const auto shifts = measure_shifts(frames, job.q_px, tiles, job.pairs, profiles.grid,
                                     profiles.full_px_per_px, for_each);
  std::vector<Field> fields(job.pairs.size());
  for_each(job.pairs.size(), [&](std::size_t p) {
    Field& field = fields[p];
    field.resize(tiles.size());
    for (std::size_t t = 0; t < tiles.size(); ++t) {
      const TileShift& s = shifts[p][t];
      if (s.level < 0) continue;
      const double floor_px = kFloorPx * job.px * (1 << s.level);
      const Information raw{.xx = s.information[0], .xy = s.information[1], .yy = s.information[2]};
      field[t] = {.known = raw.xx + raw.yy > 0.0,
                  .level = s.level,
                  .shift = {s.shift_px[0], s.shift_px[1]},
                  .information = raw.with(1.0, floor_px * floor_px),
                  .before = s.before,
                  .after = s.after};
    }
    take_smooth_off(field, at, depth);
  });
  return fields;
}

/// The first pairs of all are those of neighbours in time, where hardly anything moves.
std::size_t num_neighbours(const Job& job) { return job.num_frames() - 1; }

double form_of(const Job& job, std::size_t p, std::size_t t) {
  const Seen& s = job.fields[p][t];
  return s.information.form(s.shift);
}

/// Scatter between neighbours in time as it is on each level, not as each window's own rest says.
void widen_by_level(Job& job) {
  constexpr double kLeast = 0.1;
  std::array<std::vector<double>, kShiftLevels> forms;
  for (std::size_t p = 0; p < num_neighbours(job); ++p)
    for (std::size_t t = 0; t < job.num_tiles(); ++t)
      if (const Seen& s = job.fields[p][t]; s.known)
        forms[static_cast<std::size_t>(s.level)].push_back(form_of(job, p, t));
  std::array<double, kShiftLevels> factor{};
  for (std::size_t j = 0; j < kShiftLevels; ++j)
    factor[j] =
        forms[j].empty() ? 1.0 : std::max(kLeast, quantile_in_place(forms[j], 0.5) / kMedianOfTwo);
  for (Field& field : job.fields)
    for (Seen& s : field)
      if (s.known) s.information = s.information.with(factor[static_cast<std::size_t>(s.level)], 0.0);
}

/// A tile that jitters between neighbours in time is no good witness anywhere.
void widen_by_tile(Job& job) {
  constexpr double kShare = 0.6, kThere = 1.833;  // of chi squared with two degrees of freedom
  for (std::size_t t = 0; t < job.num_tiles(); ++t) {
    std::vector<double> forms;
    for (std::size_t p = 0; p < num_neighbours(job); ++p)
      if (job.fields[p][t].known) forms.push_back(form_of(job, p, t));
    const double own = std::max(1.0, quantile_in_place(forms, kShare) / kThere);
    for (Field& field : job.fields)
      if (field[t].known) field[t].information = field[t].information.with(own, 0.0);
  }
}

/// The shift of a tile from before a frame to after it.
struct Step {
  bool known = false;
  cv::Vec2d shift{};
  double form = 0.0;  ///< its chi squared
};

Step step_of(const Job& job, std::size_t t, std::size_t c) {
  // Pairs share frames, so several tell little more than a few: of 8 frames on either side 15 pairs,
  // whose mean errs as that of 6 would.
  constexpr double kOverlap = 2.5;
  constexpr double kFloorPx = 0.08;
  Information sum;
  cv::Vec2d b{};
  int count = 0;
  for (const std::size_t p : job.straddling[c]) {
    const Seen& seen = job.fields[p][t];
    if (!seen.known) continue;
    sum.add(seen.information);
    b += seen.information.times(seen.shift);
    ++count;
  }
  if (count == 0) return {};
  const double floor_px = kFloorPx * job.px;
  Step s{.known = true, .shift = sum.solve(b)};
  s.form = sum.with(std::min<double>(count, kOverlap), floor_px * floor_px).form(s.shift);
  return s;
}

/// Tiles that moved alike at one frame.
struct Patch {
  std::size_t c = 0;
  std::vector<std::size_t> tiles{};
  std::vector<cv::Vec2d> shift{};
  double score = 0.0;
};

template <class Body>
void for_neighbours(const Job& job, std::size_t t, int reach, const Body& body) {
  const TileProfile& tile = job.profiles.tiles[t];
  const cv::Rect grid({}, job.tile_at.size());
  for (int i = -reach; i <= reach; ++i)
    for (int j = -reach; j <= reach; ++j) {
      const cv::Point at(tile.col + j, tile.row + i);
      if (!grid.contains(at) || job.tile_at.at<int>(at) < 0) continue;
      body(static_cast<std::size_t>(job.tile_at.at<int>(at)));
    }
}

constexpr int kReachTiles = 2;         // a window is three tiles wide
constexpr std::size_t kFewestTiles = 4;

std::vector<Patch> patches_at(const Job& job, std::size_t c, const std::vector<Step>& steps,
                              const std::vector<bool>& banned, double bound) {
  constexpr double kGrow = 9.0;       // three sigmas: beside a sign that is beyond doubt
  constexpr double kLeastPx = 0.35;   // and so much, whatever its error
  constexpr double kMostOfOne = 100.0;
  std::vector<bool> taken = banned;
  std::vector<Patch> patches;
  const auto moved = [&](std::size_t t) {
    return steps[t].known && !taken[t] && steps[t].form > kGrow &&
           cv::norm(steps[t].shift) > kLeastPx * job.px;
  };
  for (std::size_t t = 0; t < steps.size(); ++t) {
    if (!moved(t) || steps[t].form < bound) continue;
    Patch patch{.c = c};
    std::vector<std::size_t> todo{t};
    taken[t] = true;
    while (!todo.empty()) {
      const std::size_t here = todo.back();
      todo.pop_back();
      patch.tiles.push_back(here);
      patch.shift.push_back(steps[here].shift);
      patch.score += std::min(kMostOfOne, steps[here].form);
      for_neighbours(job, here, kReachTiles, [&](std::size_t o) {
        if (!moved(o)) return;
        const double apart = cv::norm(steps[o].shift - steps[here].shift);
        if (apart > 0.5 * job.px + 0.5 * cv::norm(steps[here].shift)) return;
        taken[o] = true;
        todo.push_back(o);
      });
    }
    if (patch.tiles.size() >= kFewestTiles) patches.push_back(std::move(patch));
  }
  return patches;
}

/// Where a patch is in each frame, in shares of its shift.
struct Course {
  std::vector<double> at{};
  std::vector<bool> known{};
  double explained = 0.0;  ///< share of the pictures' difference that the shift explains
};

/// Least squares from all pairs, each patch's shift times what each pair tells.
Course course_of(const Job& job, const Patch& patch) {
  const std::size_t n = job.num_frames();
  const auto size = static_cast<Eigen::Index>(n);
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(size, size);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(size);
  Course out{.at = std::vector<double>(n), .known = std::vector<bool>(n)};
  struct Told {
    double way = 0.0, weight = 0.0, difference = 0.0, left = 0.0;
  };
  std::vector<Told> told(job.pairs.size());
  for (std::size_t p = 0; p < job.pairs.size(); ++p) {
    double top = 0.0, weight = 0.0, rest = 0.0, log_left = 0.0;
    std::size_t seen = 0;
    for (std::size_t i = 0; i < patch.tiles.size(); ++i) {
      const Seen& s = job.fields[p][patch.tiles[i]];
      if (!s.known) continue;
      const cv::Vec2d ws = s.information.times(patch.shift[i]);
      const double w = ws.dot(patch.shift[i]);
      weight += w;
      top += ws.dot(s.shift);
      log_left += w * std::min(1.0, s.after / std::max(1e-12, s.before));
      ++seen;
    }
    if (2 * seen < patch.tiles.size() || !(weight > 0.0)) continue;
    const double way = top / weight;
    for (std::size_t i = 0; i < patch.tiles.size(); ++i) {
      const Seen& s = job.fields[p][patch.tiles[i]];
      if (s.known) rest += s.information.form(s.shift - way * patch.shift[i]);
    }
    // Of tiles that do not agree with each other the mean is worth less.
    const double w = weight / std::max(1.0, rest / (2.0 * static_cast<double>(seen)));
    told[p] = {.way = way, .weight = w, .difference = weight, .left = log_left};
    const auto i = static_cast<Eigen::Index>(job.pairs[p].first);
    const auto j = static_cast<Eigen::Index>(job.pairs[p].second);
    normal(i, i) += w, normal(j, j) += w, normal(i, j) -= w, normal(j, i) -= w;
    right(i) -= w * way, right(j) += w * way;
    out.known[job.pairs[p].first] = out.known[job.pairs[p].second] = true;
  }
  normal.diagonal().array() += 1e-6 * normal.trace() / static_cast<double>(n) + 1e-12;
  const Eigen::VectorXd at = normal.ldlt().solve(right);
  double most = 0.0;
  for (std::size_t k = 0; k < n; ++k) out.at[k] = at(static_cast<Eigen::Index>(k));
  const auto apart = [&](std::size_t p) {
    return std::abs(out.at[job.pairs[p].second] - out.at[job.pairs[p].first]);
  };
  for (std::size_t p = 0; p < told.size(); ++p)
    if (told[p].weight > 0.0) most = std::max(most, apart(p));
  double difference = 0.0, left = 0.0;
  for (std::size_t p = 0; p < told.size(); ++p) {
    if (!(told[p].weight > 0.0) || apart(p) < 0.5 * most) continue;
    difference += told[p].difference, left += told[p].left;
  }
  out.explained = difference > 0.0 ? 1.0 - left / difference : 0.0;
  return out;
}

/// A course held against a model of one free level and one free height.
struct Fitted {
  double share = 0.0;   ///< of the variance that it explains
  double height = 0.0;  ///< of the model's rise from 0 to 1
};

template <class Model>
Fitted fitted(const Course& course, const Model& model) {
  double n = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
  for (std::size_t k = 0; k < course.at.size(); ++k) {
    if (!course.known[k]) continue;
    const double m = model(k), a = course.at[k];
    n += 1.0, x += m, y += a, xx += m * m, xy += m * a, yy += a * a;
  }
  const double vx = xx - x * x / std::max(1.0, n), vy = yy - y * y / std::max(1.0, n);
  const double vxy = xy - x * y / std::max(1.0, n);
  if (vx <= 1e-9 || vy <= 1e-12) return {};
  return {.share = vxy * vxy / (vx * vy), .height = vxy / vx};
}

/// A part that moved, and how.
struct Found {
  MoveKind kind = MoveKind::stays;
  std::size_t c = 0;
  std::vector<std::size_t> tiles{};
  std::vector<double> course{};    ///< of each frame: 0 before, 1 at its end
  std::vector<cv::Vec2d> shift{};  ///< of each tile at the end of the course
  std::vector<Information> information{};  ///< of each
};

std::vector<double> step_course(std::size_t n, std::size_t c) {
  std::vector<double> course(n);
  std::fill(course.begin() + static_cast<std::ptrdiff_t>(c), course.end(), 1.0);
  return course;
}

std::vector<double> drift_course(std::size_t n, std::size_t c) {
  std::vector<double> course(n);
  for (std::size_t k = c; k < n; ++k)
    course[k] = static_cast<double>(k - c + 1) / static_cast<double>(n - c);
  return course;
}

/// The first frame after a step. Where the part is too blurred to be seen when it moved, the first
/// of a sweep, if one begins there: between sweeps there is time; else the middle.
std::size_t when(const Job& job, const Course& course, std::size_t c) {
  const std::size_t n = job.num_frames();
  std::size_t first = c, last = c;  // may be any of these
  while (first > 1 && !course.known[first - 1]) --first;
  while (last + 1 < n && !course.known[last]) ++last;
  for (std::size_t k = first; k <= last; ++k)
    if (job.sweep[k] != job.sweep[k - 1]) return k;
  return (first + last) / 2;
}

/// Two steps: the frames after them, if between them and outside all stands still.
std::optional<std::array<std::size_t, 2>> two_steps(const Course& course) {
  constexpr double kShare = 0.97;
  const std::size_t n = course.at.size();
  std::vector<double> count(n + 1), sum(n + 1), squares(n + 1);  // before each frame
  for (std::size_t k = 0; k < n; ++k) {
    const double w = course.known[k] ? 1.0 : 0.0;
    count[k + 1] = count[k] + w;
    sum[k + 1] = sum[k] + w * course.at[k];
    squares[k + 1] = squares[k] + w * course.at[k] * course.at[k];
  }
  const auto within = [&](std::size_t i, std::size_t j) {
    const double c = count[j] - count[i], s = sum[j] - sum[i];
    return c > 0.0 ? squares[j] - squares[i] - s * s / c : 0.0;
  };
  double least = (1.0 - kShare) * within(0, n);
  std::optional<std::array<std::size_t, 2>> best;
  for (std::size_t a = 1; a + 1 < n; ++a)
    for (std::size_t b = a + 1; b < n; ++b) {
      // Frames on both sides are needed, at the burst's ends two of them.
      if (count[a] < 2.0 || count[b] - count[a] < 1.0 || count[n] - count[b] < 2.0) continue;
      const double left = within(0, a) + within(a, b) + within(b, n);
      if (left < least) least = left, best = std::array{a, b};
    }
  if (!best) return best;
  // Both are jumps: between neighbours most of the way from one level to the next.
  constexpr double kLeastJump = 0.75;
  const auto level = [&](std::size_t i, std::size_t j) { return (sum[j] - sum[i]) / (count[j] - count[i]); };
  const auto [a, b] = *best;
  const std::array<double, 3> levels{level(0, a), level(a, b), level(b, n)};
  for (const std::size_t i : {0, 1}) {
    const std::size_t c = i == 0 ? a : b;
    if (!course.known[c] || !course.known[c - 1]) return std::nullopt;
    if ((course.at[c] - course.at[c - 1]) / (levels[i + 1] - levels[i]) < kLeastJump) return std::nullopt;
  }
  return best;
}

/// Whether a patch moved, and how; or what else looks like it.
/// Thresholds are ours, no source: on made bursts with known movement real steps have shares of
/// 0.87 to 1.00, jumps of 0.9 to 1.25 and explain half or more of the pictures' difference, what is
/// no movement has one of these clearly less.
struct Judged {
  std::vector<Found> found{};
  bool glides = false;  ///< from the first frame on, as what the viewpoint shifts does
};

Judged judge(const Job& job, const Patch& patch) {
  constexpr double kStepShare = 0.85, kLeastJump = 0.75, kMostJump = 1.35, kStepExplains = 0.45, kTwoStepsExplain = 0.6;
  constexpr double kDriftShare = 0.97, kDriftExplains = 0.48, kSmallDriftExplains = 0.7;
  constexpr std::size_t kFewestFrames = 2, kTwoStepsTiles = 10, kDriftTiles = 80, kSmallDriftTiles = 40;
  const std::size_t n = job.num_frames(), c = patch.c;
  const Course course = course_of(job, patch);
  std::size_t before = 0, after = 0;
  for (std::size_t k = 0; k < n; ++k)
    if (course.known[k]) ++(k < c ? before : after);
  if (before < kFewestFrames || after < kFewestFrames) return {};

  const Fitted step = fitted(course, [&](std::size_t k) { return k < c ? 0.0 : 1.0; });
  double jump = 1.0;
  if (course.known[c] && course.known[c - 1])
    jump = (course.at[c] - course.at[c - 1]) / step.height;
  if (std::getenv("MV")) {
    Fitted drift{}; std::size_t at = 0;
    for (std::size_t from = 1; from + 3 <= n; ++from) {
    const Fitted f = fitted(course, [&](std::size_t k) {
      return k < from ? 0.0 : static_cast<double>(k - from + 1);
    });
    if (f.share > drift.share) drift = f, at = from;
  }
    std::printf("J %zu tiles %zu score %.0f ex %.2f F %.2f jump %.2f ramp %.2f@%zu b %zu a %zu\n", job.order[c] + 1, patch.tiles.size(), patch.score, course.explained, step.share, jump, drift.share, job.order[at] + 1, before, after);
  }
  if (step.share >= kStepShare && jump > kLeastJump && jump < kMostJump &&
      course.explained >= kStepExplains) {
    const std::size_t at = when(job, course, c);
    return {.found = {{.kind = MoveKind::stays,
                       .c = at,
                       .tiles = patch.tiles,
                       .course = step_course(n, at)}}};
  }
  if (course.explained >= kTwoStepsExplain && patch.tiles.size() >= kTwoStepsTiles)
    if (const auto two = two_steps(course)) {
      Judged both;
      for (const std::size_t at : *two)
        both.found.push_back({.kind = MoveKind::stays,
                              .c = at,
                              .tiles = patch.tiles,
                              .course = step_course(n, at)});
      return both;
    }
  const bool large = patch.tiles.size() >= kDriftTiles;
  if (course.explained < (large ? kDriftExplains : kSmallDriftExplains) ||
      patch.tiles.size() < kSmallDriftTiles)
    return {};
  Fitted best;
  std::size_t begin = 0;
  for (std::size_t from = 1; from + 3 <= n; ++from) {
    const Fitted drift = fitted(course, [&](std::size_t k) {
      return k < from ? 0.0 : static_cast<double>(k - from + 1);
    });
    if (drift.share > best.share) best = drift, begin = from;
  }
  if (best.share < kDriftShare) return {};
  // What glides from the start may be parallax that no straight line in depth takes off.
  constexpr std::size_t kFewestStill = 4;
  const auto still = static_cast<std::size_t>(
      std::count(course.known.begin(), course.known.begin() + static_cast<std::ptrdiff_t>(begin), true));
  if (still < kFewestStill) return {.glides = large};
  return {.found = {{.kind = MoveKind::drifts,
                     .c = begin,
                     .tiles = patch.tiles,
                     .course = drift_course(n, begin)}}};
}

/// Solves anew for the shifts of a tile, all parts that it belongs to together, and takes them off.
class Remainder {
 public:
  explicit Remainder(const Job& job) : all_(job.fields) {}

  void update(Job& job, std::vector<Found>& parts, std::size_t t) const {
    struct Member {
      Found* part;
      std::size_t i;
    };
    std::vector<Member> members;
    for (Found& part : parts)
      for (std::size_t i = 0; i < part.tiles.size(); ++i)
        if (part.tiles[i] == t) members.push_back({&part, i});
    const auto size = static_cast<Eigen::Index>(2 * members.size());
    Eigen::MatrixXd a = Eigen::MatrixXd::Zero(size, size);
    Eigen::VectorXd b = Eigen::VectorXd::Zero(size);
    for (std::size_t p = 0; p < job.pairs.size(); ++p) {
      const Seen& s = all_[p][t];
      if (!s.known) continue;
      const Eigen::Matrix2d w{{s.information.xx, s.information.xy},
                              {s.information.xy, s.information.yy}};
      const Eigen::Vector2d d(s.shift[0], s.shift[1]);
      for (std::size_t i = 0; i < members.size(); ++i) {
        const double wi = way(job, p, *members[i].part);
        if (wi == 0.0) continue;
        b.segment<2>(2 * static_cast<Eigen::Index>(i)) += wi * (w * d);
        for (std::size_t j = 0; j < members.size(); ++j)
          a.block<2, 2>(2 * static_cast<Eigen::Index>(i), 2 * static_cast<Eigen::Index>(j)) +=
              wi * way(job, p, *members[j].part) * w;
      }
    }
    a.diagonal().array() += 1e-6 * a.trace() + 1e-12;
    const Eigen::VectorXd x = a.ldlt().solve(b);
    for (std::size_t i = 0; i < members.size(); ++i) {
      const auto at = 2 * static_cast<Eigen::Index>(i);
      const Eigen::Vector2d shift = x.segment<2>(at);
      members[i].part->shift[members[i].i] = {shift[0], shift[1]};
      members[i].part->information[members[i].i] = {
          .xx = a(at, at), .xy = a(at, at + 1), .yy = a(at + 1, at + 1)};
    }
    for (std::size_t p = 0; p < job.pairs.size(); ++p) {
      job.fields[p][t].shift = all_[p][t].shift;
      for (const Member& m : members)
        job.fields[p][t].shift -= way(job, p, *m.part) * m.part->shift[m.i];
    }
  }

 private:
  static double way(const Job& job, std::size_t p, const Found& part) {
    return part.course[job.pairs[p].second] - part.course[job.pairs[p].first];
  }

  const std::vector<Field> all_;
};

/// Whether two patches touch.
bool beside(const Job& job, const std::vector<std::size_t>& a, const std::vector<std::size_t>& b) {
  const std::set<std::size_t> of_b(b.begin(), b.end());
  bool touch = false;
  for (const std::size_t t : a)
    for_neighbours(job, t, kReachTiles, [&](std::size_t o) { touch = touch || of_b.contains(o); });
  return touch;
}

/// Joins a new part to one that moved at the same time beside it.
void join(const Job& job, std::vector<Found>& parts, Found found) {
  for (Found& part : parts) {
    if (part.kind != found.kind || part.c != found.c || !beside(job, part.tiles, found.tiles))
      continue;
    for (const std::size_t t : found.tiles)
      if (std::ranges::find(part.tiles, t) == part.tiles.end()) part.tiles.push_back(t);
    part.shift.resize(part.tiles.size());
    part.information.resize(part.tiles.size());
    return;
  }
  found.shift.resize(found.tiles.size());
  found.information.resize(found.tiles.size());
  parts.push_back(std::move(found));
}

std::vector<Found> search(Job& job, const MovementOptions& options, const ForEach& for_each) {
  constexpr int kMostRounds = 60;
  const std::size_t n = job.num_frames(), m = job.num_tiles();
  // Chi squared with two degrees of freedom is beyond x with probability exp(-x / 2).
  const double bound =
      2.0 * std::log(static_cast<double>(m) * static_cast<double>(n) / options.false_alarm);
  std::vector<std::vector<Step>> steps(n, std::vector<Step>(m));
  std::vector<std::vector<bool>> banned(n, std::vector<bool>(m));
  std::vector<std::vector<Patch>> patches(n);
  const auto look_again = [&](std::size_t c) {
    patches[c] = patches_at(job, c, steps[c], banned[c], bound);
  };
  for_each(n, [&](std::size_t c) {
    if (c == 0) return;
    for (std::size_t t = 0; t < m; ++t) steps[c][t] = step_of(job, t, c);
    look_again(c);
  });
  const Remainder remainder(job);
  std::vector<Found> parts;
  bool glides = false;
  for (int round = 0; round < kMostRounds; ++round) {
    const Patch* best = nullptr;
    for (const auto& list : patches)
      for (const Patch& patch : list)
        if (best == nullptr || patch.score > best->score) best = &patch;
    if (best == nullptr) break;
    const Patch patch = *best;
    const Judged judged = judge(job, patch);
    glides = glides || judged.glides;
    if (!judged.found.empty()) {
      for (const Found& part : judged.found) join(job, parts, part);
      for (const std::size_t t : patch.tiles) remainder.update(job, parts, t);
      for_each(n, [&](std::size_t c) {
        if (c == 0) return;
        for (const std::size_t t : patch.tiles) steps[c][t] = step_of(job, t, c);
      });
    }
    // Either taken off, or no movement: not to be asked about again.
    constexpr std::size_t kAround = 2;
    for (std::size_t c = patch.c - std::min(patch.c, kAround); c <= patch.c + kAround && c < n; ++c)
      for (const std::size_t t : patch.tiles) banned[c][t] = true;
    for_each(n, [&](std::size_t c) {
      if (c > 0) look_again(c);
    });
  }
  // Where the viewpoint moves, what drifts cannot be told from what is shifted by it.
  if (glides) std::erase_if(parts, [](const Found& f) { return f.kind == MoveKind::drifts; });
  return parts;
}

/// A tile that goes to and fro from one frame to the next.
struct Tremor {
  bool there = false;
  std::size_t first = 0;  ///< frame after its first movement
  cv::Vec2d shift{};      ///< half of the way between its extremes
};

/// Ours, no source: places drawn anew in each frame make steps that turn back, each two in a row
/// with a mean product of minus half of their mean square; a drift has plus one, one jump none.
Tremor tremor_of(const Job& job, std::size_t t, double bound) {
  constexpr int kFewest = 3;
  constexpr double kExplains = 0.6, kTurnsBack = -0.2;
  Tremor tremor;
  int steps = 0;
  double forms = 0.0, explained = 0.0, squares = 0.0, products = 0.0;
  cv::Vec2d at{}, last{};
  std::vector<cv::Vec2d> places{at};
  for (std::size_t p = 0; p < num_neighbours(job); ++p) {
    const Seen& s = job.fields[p][t];
    if (!s.known) {
      last = {};
      continue;
    }
    const double form = form_of(job, p, t);
    if (form > bound && cv::norm(s.shift) > 0.35 * job.px) {
      if (steps++ == 0) tremor.first = job.pairs[p].second;
      forms += form;
      explained += form * (1.0 - std::min(1.0, s.after / std::max(1e-12, s.before)));
    }
    squares += s.shift.dot(s.shift);
    products += s.shift.dot(last);
    last = s.shift;
    at += s.shift;
    places.push_back(at);
  }
  if (steps < kFewest || explained < kExplains * forms || products > kTurnsBack * squares) return {};
  double most = 0.0;
  for (const cv::Vec2d& a : places)
    for (const cv::Vec2d& b : places)
      if (cv::norm(b - a) > most) most = cv::norm(b - a), tremor.shift = 0.5 * (b - a);
  tremor.there = true;
  return tremor;
}

std::vector<Found> find_trembling(const Job& job, const MovementOptions& options) {
  const std::size_t n = job.num_frames(), m = job.num_tiles();
  const double bound =
      2.0 * std::log(static_cast<double>(m) * static_cast<double>(n) / options.false_alarm);
  std::vector<Tremor> tremors(m);
  for (std::size_t t = 0; t < m; ++t) tremors[t] = tremor_of(job, t, bound);
  std::vector<Found> parts;
  std::vector<bool> taken(m);
  for (std::size_t t = 0; t < m; ++t) {
    if (!tremors[t].there || taken[t]) continue;
    Found part{.kind = MoveKind::to_and_fro, .c = n};
    std::vector<std::size_t> todo{t};
    taken[t] = true;
    while (!todo.empty()) {
      const std::size_t here = todo.back();
      todo.pop_back();
      part.tiles.push_back(here);
      part.shift.push_back(tremors[here].shift);
      part.information.push_back({.xx = 1e4, .xy = 0.0, .yy = 1e4});
      part.c = std::min(part.c, tremors[here].first);
      for_neighbours(job, here, kReachTiles, [&](std::size_t o) {
        if (taken[o] || !tremors[o].there) return;
        taken[o] = true;
        todo.push_back(o);
      });
    }
    if (part.tiles.size() >= kFewestTiles) parts.push_back(std::move(part));
  }
  return parts;
}

bool mostly_in(const std::vector<std::size_t>& tiles, const std::vector<std::size_t>& others) {
  const std::set<std::size_t> all(others.begin(), others.end());
  return 2 * std::ranges::count_if(tiles, [&](std::size_t t) { return all.contains(t); }) >=
         std::ssize(tiles);
}

/// Share of the part's tiles that a usable frame of this range shows within the blur limit.
double share_sharp(const Job& job, const Found& part, std::size_t begin, std::size_t end,
                   double blur_limit_px) {
  std::size_t sharp = 0;
  for (const std::size_t t : part.tiles) {
    bool in = false;
    for (std::size_t k = begin; k < end; ++k)
      in = in || std::abs(job.q_px[k] - job.focus.tiles[t].q_px) <= blur_limit_px;
    sharp += in ? 1U : 0U;
  }
  return static_cast<double>(sharp) / static_cast<double>(part.tiles.size());
}

/// What tiles did as one: a shift, a turn, a stretch, robustly. An edge alone tells only the part
/// of its shift that is across it; its neighbours tell the rest.
std::vector<cv::Vec2d> as_one(const Job& job, const Found& found) {
  constexpr int kPasses = 6;
  constexpr double kModelPx = 0.25, kModelShare = 0.1;  // how far a tile may differ from it
  const std::size_t count = found.tiles.size();
  std::vector<cv::Vec2d> at(count);
  cv::Vec2d middle{};
  for (std::size_t i = 0; i < count; ++i) {
    const TileProfile& tile = job.profiles.tiles[found.tiles[i]];
    at[i] = {static_cast<double>(tile.col), static_cast<double>(tile.row)};
    middle += at[i] * (1.0 / static_cast<double>(count));
  }
  using Vector6 = Eigen::Matrix<double, 6, 1>;
  using Matrix6 = Eigen::Matrix<double, 6, 6>;
  Vector6 model = Vector6::Zero();
  const auto row = [&](std::size_t i) {
    Eigen::Matrix<double, 2, 6> r;
    const double x = 0.1 * (at[i][0] - middle[0]), y = 0.1 * (at[i][1] - middle[1]);
    r << 1, 0, x, y, 0, 0, 0, 1, 0, 0, x, y;
    return r;
  };
  std::vector<Information> weights;
  for (const Information& w : found.information) weights.push_back(w.with(1.0, 0.04 * job.px * job.px));
  for (int pass = 0; pass < kPasses; ++pass) {
    Matrix6 a = Matrix6::Zero();
    Vector6 b = Vector6::Zero();
    for (std::size_t i = 0; i < count; ++i) {
      const Eigen::Vector2d d(found.shift[i][0], found.shift[i][1]);
      const auto r = row(i);
      const Eigen::Vector2d rest = d - r * model;
      const double robust =
          pass == 0 ? 1.0 : cauchy_weight(std::sqrt(weights[i].form({rest[0], rest[1]})));
      const Eigen::Matrix2d w{{weights[i].xx, weights[i].xy}, {weights[i].xy, weights[i].yy}};
      a += robust * r.transpose() * w * r;
      b += robust * r.transpose() * (w * d);
    }
    // Where few tiles say little of a turn there is none: a hundredth of a shift's information.
    for (int i = 2; i < 6; ++i) a(i, i) += 0.01 * (a(0, 0) + a(1, 1));
    a.diagonal().array() += 1e-9 * a.trace() + 1e-12;
    model = a.ldlt().solve(b);
  }
  std::vector<cv::Vec2d> shift(count);
  for (std::size_t i = 0; i < count; ++i) {
    const Eigen::Vector2d m = row(i) * model;
    const cv::Vec2d expected(m[0], m[1]);
    const double sd = kModelPx * job.px + kModelShare * cv::norm(expected), prior = 1.0 / (sd * sd);
    const Information& w = found.information[i];
    const Information sum{.xx = w.xx + prior, .xy = w.xy, .yy = w.yy + prior};
    shift[i] = sum.solve(w.times(found.shift[i]) + prior * expected);
  }
  return shift;
}

MovedPart described(const Job& job, const Found& found, const MovementOptions& options) {
  constexpr double kShare = 0.9, kConflictShare = 0.05;
  MovedPart part{.kind = found.kind, .frame = job.order[found.c], .tiles = found.tiles};
  const double edge = job.profiles.grid.tile_px;
  const std::vector<cv::Vec2d> shift = as_one(job, found);
  std::vector<double> lengths, errors;
  for (std::size_t i = 0; i < found.tiles.size(); ++i) {
    lengths.push_back(cv::norm(shift[i]));
    const double information = found.information[i].form(shift[i]);
    errors.push_back(cv::norm(shift[i]) / std::sqrt(std::max(1e-9, information)) * cv::norm(shift[i]) / std::max(1e-9, cv::norm(shift[i])));
    // What is compared is midway between both places.
    const TileProfile& tile = job.profiles.tiles[found.tiles[i]];
    const cv::Vec2d half = shift[i] * (0.5 / job.profiles.full_px_per_px);
    const cv::Rect2d box(tile.col * edge + half[0], tile.row * edge + half[1], edge, edge);
    part.box_px = i == 0 ? box : (part.box_px | box);
  }
  part.shift_px = quantile(lengths, kShare);
  part.shift_sd_px = quantile(errors, kShare);
  const std::size_t n = job.num_frames();
  part.sharp_before = share_sharp(job, found, 0, found.c, options.blur_limit_px);
  part.sharp_after = share_sharp(job, found, found.c, n, options.blur_limit_px);
  part.conflict = part.shift_px > options.blur_limit_px && part.sharp_before >= kConflictShare &&
                  part.sharp_after >= kConflictShare;
  return part;
}

}  // namespace

Movement find_movement(const Profiles& profiles, const FocalPositions& focus,
                       std::span<const SweepRange> sweeps, const ReadGridPicture& read,
                       const MovementOptions& options, const ForEach& for_each) {
  constexpr std::size_t kFewestFrames = 5;
  Job job{.profiles = profiles, .focus = focus};
  job.px = px_compared(profiles);
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    if (!focus.frames[k].usable || !focus.frames[k].q_px) continue;
    job.order.push_back(k);
    job.q_px.push_back(*focus.frames[k].q_px);
    job.sweep.push_back(sweep_of(sweeps, k));
  }
  const std::size_t n = job.num_frames(), m = job.num_tiles();
  Movement out{.looked = n >= kFewestFrames && m > 0};
  if (!out.looked) return out;
  job.tile_at = cv::Mat(profiles.grid.rows(), profiles.grid.cols(), CV_32SC1, cv::Scalar(-1));
  for (std::size_t t = 0; t < m; ++t)
    job.tile_at.at<int>(profiles.tiles[t].row, profiles.tiles[t].col) = static_cast<int>(t);
  job.pairs = choose_pairs(job);
  job.straddling.resize(n);
  for (std::size_t p = 0; p < job.pairs.size(); ++p)
    for (std::size_t c = job.pairs[p].first + 1; c <= job.pairs[p].second; ++c)
      job.straddling[c].push_back(p);
  {
    std::vector<ShiftFrame> frames(n);
    for_each(n, [&](std::size_t i) {
      frames[i] = prepare_for_shifts(read(job.order[i]), profiles.grid);
    });
    job.fields = measure_fields(job, frames, for_each);
  }
  widen_by_level(job);
  const std::vector<Found> trembling = find_trembling(job, options);
  widen_by_tile(job);
  std::vector<Found> all = search(job, options, for_each);
  for (const Found& found : trembling)
    if (std::ranges::none_of(all, [&](const Found& f) { return mostly_in(found.tiles, f.tiles); }))
      all.push_back(found);
  for (const Found& found : all) {
    MovedPart part = described(job, found, options);
    if (part.shift_px >= options.least_shift_px * job.px) out.parts.push_back(std::move(part));
  }
  std::ranges::stable_sort(out.parts, {}, &MovedPart::frame);
  return out;
}

}  // namespace ringsweep
