#include "ringsweep/movement.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <optional>
#include <set>
#include <stdexcept>
#include <utility>

#include "burst/changed_places.h"
#include "burst/patch_course.h"
#include "burst/tile_fields.h"
#include "burst/trembling.h"
#include "numerics/cauchy.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// The shift of a tile from before a frame to after it.
struct Step {
  bool known = false;
  cv::Vec2d shift{};
  double form = 0.0;  ///< its chi squared
};

Step step_of(const TileFields& burst, std::size_t t, std::size_t c) {
  // Pairs share frames, so several tell little more than a few: of 8 frames on either side 15
  // pairs, whose mean errs as that of 6 would.
  constexpr double kOverlap = 2.5;
  constexpr double kFloorPx = 0.08;
  Information sum;
  cv::Vec2d b{};
  int count = 0;
  for (const std::size_t p : burst.straddling[c]) {
    const Seen& seen = burst.fields[p][t];
    if (!seen.known) continue;
    sum.add(seen.information);
    b += seen.information.times(seen.shift);
    ++count;
  }
  if (count == 0) return {};
  const double floor_px = kFloorPx * burst.px;
  Step s{.known = true, .shift = sum.solve(b)};
  s.form = sum.with(std::min<double>(count, kOverlap), floor_px * floor_px).form(s.shift);
  return s;
}

std::vector<Patch> patches_at(const TileFields& burst, std::size_t c,
                              const std::vector<Step>& steps, const std::vector<bool>& banned,
                              double bound) {
  constexpr double kGrow = 9.0;      // three sigmas: beside a sign that is beyond doubt
  constexpr double kLeastPx = 0.35;  // and so much, whatever its error
  constexpr double kMostOfOne = 100.0;
  std::vector<bool> taken = banned;
  std::vector<Patch> patches;
  const auto moved = [&](std::size_t t) {
    return steps[t].known && !taken[t] && steps[t].form > kGrow &&
           cv::norm(steps[t].shift) > kLeastPx * burst.px;
  };
  for (std::size_t t = 0; t < steps.size(); ++t) {
    if (!moved(t) || steps[t].form < bound) continue;
    Patch patch{.c = c};
    patch.tiles = connected_from(burst, t, taken, [&](std::size_t here, std::size_t o) {
      const double apart = cv::norm(steps[o].shift - steps[here].shift);
      return moved(o) && apart <= 0.5 * burst.px + 0.5 * cv::norm(steps[here].shift);
    });
    for (const std::size_t here : patch.tiles) {
      patch.shift.push_back(steps[here].shift);
      patch.score += std::min(kMostOfOne, steps[here].form);
    }
    if (patch.tiles.size() >= kFewestTiles) patches.push_back(std::move(patch));
  }
  return patches;
}

/// Solves anew for the shifts of a tile, all parts that it belongs to together, and takes them off.
class Remainder {
 public:
  explicit Remainder(const TileFields& burst) : all_(burst.fields) {}

  void update(TileFields& burst, std::vector<Found>& parts, std::size_t t) const {
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
    for (std::size_t p = 0; p < burst.pairs.size(); ++p) {
      const Seen& s = all_[p][t];
      if (!s.known) continue;
      const Eigen::Matrix2d w{{s.information.xx, s.information.xy},
                              {s.information.xy, s.information.yy}};
      const Eigen::Vector2d d(s.shift[0], s.shift[1]);
      for (std::size_t i = 0; i < members.size(); ++i) {
        const double wi = way(burst, p, *members[i].part);
        if (wi == 0.0) continue;
        b.segment<2>(2 * static_cast<Eigen::Index>(i)) += wi * (w * d);
        for (std::size_t j = 0; j < members.size(); ++j)
          a.block<2, 2>(2 * static_cast<Eigen::Index>(i), 2 * static_cast<Eigen::Index>(j)) +=
              wi * way(burst, p, *members[j].part) * w;
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
    for (std::size_t p = 0; p < burst.pairs.size(); ++p) {
      burst.fields[p][t].shift = all_[p][t].shift;
      for (const Member& m : members)
        burst.fields[p][t].shift -= way(burst, p, *m.part) * m.part->shift[m.i];
    }
  }

 private:
  static double way(const TileFields& burst, std::size_t p, const Found& part) {
    return part.course[burst.pairs[p].second] - part.course[burst.pairs[p].first];
  }

  const std::vector<Field> all_;
};

/// Whether two patches touch.
bool beside(const TileFields& burst, const std::vector<std::size_t>& a,
            const std::vector<std::size_t>& b) {
  const std::set<std::size_t> of_b(b.begin(), b.end());
  bool touch = false;
  for (const std::size_t t : a)
    for_neighbours(burst, t, kReachTiles,
                   [&](std::size_t o) { touch = touch || of_b.contains(o); });
  return touch;
}

/// Joins a new part to one that moved at the same time beside it.
void join(const TileFields& burst, std::vector<Found>& parts, Found found) {
  for (Found& part : parts) {
    if (part.kind != found.kind || part.c != found.c || !beside(burst, part.tiles, found.tiles))
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

std::vector<Found> search(TileFields& burst, const MovementOptions& options,
                          const ForEach& for_each) {
  constexpr int kMostRounds = 60;
  const std::size_t n = burst.num_frames(), m = burst.num_tiles();
  const double bound = bound_of(burst, options.false_alarm);
  std::vector<std::vector<Step>> steps(n, std::vector<Step>(m));
  std::vector<std::vector<bool>> banned(n, std::vector<bool>(m));
  std::vector<std::vector<Patch>> patches(n);
  const auto look_again = [&](std::size_t c) {
    patches[c] = patches_at(burst, c, steps[c], banned[c], bound);
  };
  for_each(n, [&](std::size_t c) {
    if (c == 0) return;
    for (std::size_t t = 0; t < m; ++t) steps[c][t] = step_of(burst, t, c);
    look_again(c);
  });
  const Remainder remainder(burst);
  std::vector<Found> parts;
  bool glides = false;
  for (int round = 0; round < kMostRounds; ++round) {
    const Patch* best = nullptr;
    for (const auto& list : patches)
      for (const Patch& patch : list)
        if (best == nullptr || patch.score > best->score) best = &patch;
    if (best == nullptr) break;
    const Patch patch = *best;
    const Judged judged = judge(burst, patch);
    glides = glides || judged.glides;
    if (!judged.found.empty()) {
      for (const Found& part : judged.found) join(burst, parts, part);
      for (const std::size_t t : patch.tiles) remainder.update(burst, parts, t);
      for_each(n, [&](std::size_t c) {
        if (c == 0) return;
        for (const std::size_t t : patch.tiles) steps[c][t] = step_of(burst, t, c);
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

/// A part that was found by its changed places; where tiles that moved by themselves are part of
/// it, these are one part, and its shift is what the changed places tell: windows of tiles see the
/// ground beside a thin part, too. Of a part that is much larger they are but an edge.
void add_changed(const TileFields& burst, std::vector<Found>& parts, Found changed) {
  constexpr std::size_t kMuchLarger = 5;
  constexpr double kClearly = 1.5;  // ours, no source
  for (Found& part : parts) {
    const std::size_t apart = std::max(part.c, changed.c) - std::min(part.c, changed.c);
    if (part.kind != MoveKind::stays || apart > 1 || !beside(burst, part.tiles, changed.tiles))
      continue;
    if (part.tiles.size() > kMuchLarger * changed.tiles.size()) return;
    // Of two that differ clearly the smaller one has seen but what is near the joint.
    const double larger = changed.before_ground_px / std::max(1e-9, part.before_ground_px);
    if (larger > kClearly || (changed.explained > part.explained && larger > 1.0 / kClearly)) {
      part.before_ground_px = changed.before_ground_px;
      part.explained = changed.explained;
      part.own = changed.own;
    }
    for (std::size_t i = 0; i < changed.tiles.size(); ++i) {
      if (std::ranges::find(part.tiles, changed.tiles[i]) != part.tiles.end()) continue;
      part.tiles.push_back(changed.tiles[i]);
      part.shift.push_back(changed.shift[i]);
      part.information.push_back(changed.information[i]);
    }
    return;
  }
  parts.push_back(std::move(changed));
}

bool mostly_in(const std::vector<std::size_t>& tiles, const std::vector<std::size_t>& others) {
  const std::set<std::size_t> all(others.begin(), others.end());
  return 2 * std::ranges::count_if(tiles, [&](std::size_t t) { return all.contains(t); }) >=
         std::ssize(tiles);
}

/// What tiles did as one: a shift, a turn, a stretch, robustly. An edge alone tells only the part
/// of its shift that is across it; its neighbours tell the rest.
std::vector<cv::Vec2d> as_one(const TileFields& burst, const Found& found) {
  constexpr int kPasses = 6;
  constexpr double kModelPx = 0.25, kModelShare = 0.1;  // how far a tile may differ from it
  const std::size_t count = found.tiles.size();
  std::vector<cv::Vec2d> at(count);
  cv::Vec2d middle{};
  for (std::size_t i = 0; i < count; ++i) {
    const TileProfile& tile = burst.profiles.tiles[found.tiles[i]];
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
  for (const Information& w : found.information)
    weights.push_back(w.with(1.0, 0.04 * burst.px * burst.px));
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
    const double sd = kModelPx * burst.px + kModelShare * cv::norm(expected),
                 prior = 1.0 / (sd * sd);
    const Information& w = found.information[i];
    const Information sum{.xx = w.xx + prior, .xy = w.xy, .yy = w.yy + prior};
    shift[i] = sum.solve(w.times(found.shift[i]) + prior * expected);
  }
  return shift;
}

MovedPart described(const TileFields& burst, const Found& found) {
  constexpr double kShare = 0.9;
  MovedPart part{
      .kind = found.kind, .frame = burst.order[found.c], .tiles = found.tiles, .own = found.own};
  for (const std::size_t k : found.moves) part.moves.push_back(burst.order[k]);
  const double edge = burst.profiles.grid.tile_px;
  const std::vector<cv::Vec2d> shift = as_one(burst, found);
  std::vector<double> lengths, errors;
  for (std::size_t i = 0; i < found.tiles.size(); ++i) {
    const double length = cv::norm(shift[i]);
    lengths.push_back(length);
    errors.push_back(length / std::sqrt(std::max(1e-9, found.information[i].form(shift[i]))));
    // What is compared is midway between both places.
    const TileProfile& tile = burst.profiles.tiles[found.tiles[i]];
    const cv::Vec2d half = shift[i] * (0.5 / burst.profiles.full_px_per_px);
    const cv::Rect2d box(tile.col * edge + half[0], tile.row * edge + half[1], edge, edge);
    part.box_on_grid = i == 0 ? box : (part.box_on_grid | box);
  }
  part.shift_px = found.before_ground_px > 0.0 ? found.before_ground_px : quantile(lengths, kShare);
  // What tiles err by in common: windows see what stands still beside a part, too. On made bursts a
  // seventh, ours, no source.
  constexpr double kCommon = 0.15;
  part.shift_sd_px = std::hypot(quantile(errors, kShare), kCommon * part.shift_px);
  return part;
}

/// Of a part that moved at about that time, or of its edge.
bool belongs_to(const TileFields& burst, const UnexplainedPlace& place, const Found& part) {
  const bool then =
      part.kind != MoveKind::stays || std::max(part.c, place.c) - std::min(part.c, place.c) <= 1;
  return then && beside(burst, part.tiles, place.tiles);
}

ChangedPlace described(const TileFields& burst, const UnexplainedPlace& place) {
  const int edge = burst.profiles.grid.tile_px;
  ChangedPlace out{.before = burst.order[place.pair.first],
                   .after = burst.order[place.pair.second]};
  for (const std::size_t t : place.tiles) {
    const TileProfile& tile = burst.profiles.tiles[t];
    out.box_on_grid |= cv::Rect(tile.col * edge, tile.row * edge, edge, edge);
  }
  return out;
}

/// Share of the part that a usable frame of this range shows within the blur limit. Tiles count as
/// far as they see one depth: at the edge of what moved they see something else as well.
double share_sharp(const FocalPositions& focus, const MovedPart& part, std::size_t begin,
                   std::size_t end, double blur_limit_px) {
  constexpr double kLeastWeight = 0.02;
  double sharp = 0.0, all = 0.0;
  for (const std::size_t t : part.own.empty() ? part.tiles : part.own) {
    const TilePosition& tile = focus.tiles[t];
    bool in = false;
    for (std::size_t k = begin; k < end; ++k) {
      const FocalPosition& frame = focus.frames[k];
      in = in || (frame.usable && frame.q_px && std::abs(*frame.q_px - tile.q_px) <= blur_limit_px);
    }
    const double weight = tile.weight + kLeastWeight;
    all += weight;
    sharp += in ? weight : 0.0;
  }
  return sharp / all;
}

/// Whether it is subject, as far as the depths of its tiles are known. What moved before the perch
/// is none of it: a leg's tiles show more of the stem behind than of the leg.
bool is_wanted(const MovedPart& part, std::span<const TileRole> roles) {
  std::ptrdiff_t subject = 0, other = 0;
  for (const std::size_t t : part.tiles) {
    if (roles[t] == TileRole::subject) ++subject;
    if (roles[t] == TileRole::apart || roles[t] == TileRole::not_meant) ++other;
  }
  return subject > 0 && 2 * other <= std::ssize(part.tiles);
}

/// Whether the usable frames next to it in time on either side of `frame` are further apart.
bool ring_jumped(const FocalPositions& focus, std::size_t frame, double allowed_step_px) {
  const auto tells = [&](std::size_t k) { return focus.frames[k].usable && focus.frames[k].q_px; };
  std::size_t before = frame, from = frame;
  while (before > 0 && !tells(--before)) continue;
  while (from < focus.frames.size() && !tells(from)) ++from;
  return from < focus.frames.size() && tells(before) && before < frame &&
         std::abs(*focus.frames[from].q_px - *focus.frames[before].q_px) > allowed_step_px;
}

/// How far the edge of a part moved because it grew or shrank about its middle, where it did that
/// and moved by nothing else: a drop on which dew has settled. Full-size px; 0: it did not.
double growth_px(const TileFields& burst, const Found& found) {
  constexpr double kErrorPx = 0.2;  // of tiles in common, px compared; ours, no source
  constexpr double kLeftByShift = 0.8, kLeftByGrowth = 0.5;  // of chi squared: parts that moved
                                                             // leave less and more than these
  using Vector3 = Eigen::Matrix<double, 3, 1>;
  cv::Vec2d middle{};
  const auto at = [&](std::size_t i) {
    const TileProfile& tile = burst.profiles.tiles[found.tiles[i]];
    return cv::Vec2d(tile.col, tile.row);
  };
  const auto count = static_cast<double>(found.tiles.size());
  for (std::size_t i = 0; i < found.tiles.size(); ++i) middle += at(i) * (1.0 / count);
  // Least squares of one shift, and of a shift and a growth.
  Information all;
  cv::Vec2d pull{};
  Eigen::Matrix3d a = Eigen::Matrix3d::Zero();
  Vector3 b = Vector3::Zero();
  std::vector<Information> weights;
  for (std::size_t i = 0; i < found.tiles.size(); ++i) {
    weights.push_back(found.information[i].with(1.0, kErrorPx * kErrorPx * burst.px * burst.px));
    const Information& w = weights.back();
    const cv::Vec2d from = at(i) - middle;
    const Eigen::Matrix2d m{{w.xx, w.xy}, {w.xy, w.yy}};
    const Eigen::Matrix<double, 2, 3> row{{1.0, 0.0, from[0]}, {0.0, 1.0, from[1]}};
    all.add(w);
    pull += w.times(found.shift[i]);
    a += row.transpose() * m * row;
    b += row.transpose() * m * Eigen::Vector2d(found.shift[i][0], found.shift[i][1]);
  }
  const cv::Vec2d shift = all.solve(pull);
  const Vector3 model = a.ldlt().solve(b);
  double whole = 0.0, after_shift = 0.0, after_growth = 0.0;
  for (std::size_t i = 0; i < found.tiles.size(); ++i) {
    const cv::Vec2d grown = cv::Vec2d(model[0], model[1]) + model[2] * (at(i) - middle);
    whole += weights[i].form(found.shift[i]);
    after_shift += weights[i].form(found.shift[i] - shift);
    after_growth += weights[i].form(found.shift[i] - grown);
  }
  if (after_shift <= kLeftByShift * whole || after_growth >= kLeftByGrowth * whole) return 0.0;
  double reach = 0.0;
  for (std::size_t i = 0; i < found.tiles.size(); ++i)
    reach = std::max(reach, cv::norm(at(i) - middle));
  return std::abs(model[2]) * reach;
}

/// The sweep whose first frame this is, or is next to; none for the burst's first.
std::optional<std::size_t> begins_near(const TileFields& burst, std::size_t c) {
  const std::size_t from = c < 2 ? 1 : c - 1, to = std::min(burst.num_frames() - 1, c + 1);
  for (std::size_t k = from; k <= to; ++k)
    if (burst.sweep[k] != burst.sweep[k - 1]) return burst.sweep[k];
  return std::nullopt;
}

/// Of each sweep against the first: the median over pairs of frames of the two, by component.
std::vector<double> parallax_of_sweeps(const TileFields& burst, std::size_t num_sweeps) {
  std::vector<double> result(num_sweeps, 0.0);
  for (std::size_t s = 1; s < num_sweeps; ++s) {
    std::vector<double> x, y;
    for (std::size_t p = 0; p < burst.pairs.size(); ++p) {
      const FramePair& pair = burst.pairs[p];
      if (burst.sweep[pair.first] != 0 || burst.sweep[pair.second] != s) continue;
      if (burst.lit[pair.first] != burst.lit[pair.second]) continue;
      x.push_back(burst.parallax_px[p][0]);
      y.push_back(burst.parallax_px[p][1]);
    }
    if (!x.empty()) result[s] = std::hypot(quantile(x, 0.5), quantile(y, 0.5));
  }
  return result;
}

}  // namespace

Movement find_movement(const Profiles& profiles, const FocalPositions& focus,
                       std::span<const SweepRange> sweeps, const ReadPackedPicture& read,
                       const MovementOptions& options, const ForEach& for_each) {
  if (!(options.blur_limit_px > 0.0)) throw std::invalid_argument("blur_limit_px must be > 0");
  constexpr std::ptrdiff_t kFewestFrames = 5;  // as many as make a burst
  Movement out;
  const auto usable = std::ranges::count_if(
      focus.frames, [](const FocalPosition& f) { return f.usable && f.q_px; });
  out.looked = usable >= kFewestFrames && !profiles.tiles.empty();
  if (!out.looked) return out;
  TileFields burst = measure_fields(profiles, focus, sweeps, options.lit_alike, read, for_each);
  out.parallax_px = parallax_of_sweeps(burst, sweeps.size());
  std::vector<Found> changed = find_changed(burst, for_each);
  const std::vector<UnexplainedPlace> unexplained = find_unexplained(burst, for_each);
  std::vector<Found> trembling = find_trembling(burst, options);
  widen_by_tile(burst);
  std::vector<Found> all = search(burst, options, for_each);
  for_each(all.size(), [&](std::size_t i) { measure_before_ground(burst, all[i]); });
  for (const UnexplainedPlace& place : unexplained)
    if (std::ranges::none_of(all, [&](const Found& f) { return belongs_to(burst, place, f); }))
      out.changed.push_back(described(burst, place));
  for (Found& found : changed) add_changed(burst, all, std::move(found));
  for (Found& found : trembling) {
    // What was found by itself and is but a step of it.
    const auto is_step = [&](const Found& f) {
      return f.kind != MoveKind::to_and_fro && f.c + 1 >= found.c &&
             mostly_in(f.tiles, found.tiles);
    };
    if (std::ranges::any_of(
            all, [&](const Found& f) { return !is_step(f) && mostly_in(found.tiles, f.tiles); }))
      continue;
    measure_before_ground(burst, found);
    // Where no step of it explains the pictures it is noise, far out of focus.
    if (!(found.before_ground_px > 0.0)) continue;
    std::erase_if(all, is_step);
    all.push_back(std::move(found));
  }
  // What came with a new sweep and stayed may be drops that have grown since.
  const auto since_sweep = [&](const Found& found) {
    return found.kind == MoveKind::stays ? begins_near(burst, found.c) : std::nullopt;
  };
  std::erase_if(all, [&](const Found& found) {
    const auto sweep = since_sweep(found);
    if (!sweep) return false;
    const double edge_px = growth_px(burst, found);
    if (!(edge_px > 0.0) || edge_px > options.blur_limit_px) return false;
    out.grown.push_back({.sweep = *sweep});
    return true;
  });
  // Where some have grown, others may, whose growth is not seen as such: the highlight and the rim
  // of a drop of 15 px that is a fifth larger are displaced by 3 px.
  constexpr double kMostOfDrops = 2.0;  // blur limits; ours, no source
  for (const Found& found : all) {
    MovedPart part = described(burst, found);
    const auto sweep = since_sweep(found);
    const bool may_be_drops = sweep && part.shift_px <= kMostOfDrops * options.blur_limit_px &&
                              std::ranges::count(out.grown, *sweep, &GrownPart::sweep) > 0;
    if (part.shift_px >= options.least_shift_px * burst.px && !may_be_drops)
      out.parts.push_back(std::move(part));
  }
  std::ranges::stable_sort(out.parts, {}, &MovedPart::frame);
  return out;
}

void find_conflicts(Movement& movement, const FocalPositions& focus,
                    std::span<const TileRole> roles, double blur_limit_px) {
  for (MovedPart& part : movement.parts) {
    part.sharp_before = share_sharp(focus, part, 0, part.frame, blur_limit_px);
    part.sharp_after = share_sharp(focus, part, part.frame, focus.frames.size(), blur_limit_px);
    part.conflict =
        part.shift_px > blur_limit_px && part.sharp_on_both_sides() && is_wanted(part, roles);
  }
  std::erase_if(movement.parts, [&](const MovedPart& part) {
    return !part.sharp_on_both_sides() && ring_jumped(focus, part.frame, 2.0 * blur_limit_px);
  });
}

}  // namespace ringsweep
