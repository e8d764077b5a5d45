#include "burst/perch_surfaces.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <iterator>
#include <numeric>
#include <optional>
#include <random>
#include <utility>

#include "burst/stem.h"

namespace ringsweep {
namespace {

constexpr std::size_t kPiece = 3;  // tiles; fewer are noise
constexpr std::size_t kPlane = 20;
constexpr int kMostPlanes = 3;
constexpr std::size_t kDraws = 5;
// Of the picture, from which on a surface is a leaf that bends. Ours, no source: the leaves of two
// ray-traced scenes fill a fifth to a third of it; of bench/accuracy's seeds more open ends are
// missed where stems and seed-heads, which fill less, are followed so.
constexpr double kWide = 0.15;

std::array<double, 6> terms_of(const TileProfile& tile) {
  const double r = tile.row, c = tile.col;
  return {1.0, r, c, r * r, r * c, c * c};
}

constexpr std::size_t kFlat = 3, kBent = 6;  // terms of a plane, and of all

/// @param terms  kFlat or kBent
Shape least_squares(const DepthTiles& field, const Tiles& tiles, std::size_t terms) {
  Eigen::MatrixXd design(static_cast<Eigen::Index>(tiles.size()), static_cast<Eigen::Index>(terms));
  Eigen::VectorXd q(design.rows());
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    const std::array<double, 6> of = terms_of(field.tile(tiles[i]));
    for (Eigen::Index j = 0; j < design.cols(); ++j)
      design(row, j) = of[static_cast<std::size_t>(j)];
    q(row) = field.q(tiles[i]);
  }
  const Eigen::VectorXd x = design.colPivHouseholderQr().solve(q);
  Shape shape;
  std::copy(x.begin(), x.end(), shape.of.begin());
  return shape;
}

std::optional<Shape> through(const DepthTiles& field, std::size_t i, std::size_t j, std::size_t k) {
  const auto row = [&](std::size_t t) {
    return Eigen::RowVector3d(field.tile(t).row, field.tile(t).col, 1.0);
  };
  Eigen::Matrix3d design;
  design << row(i), row(j), row(k);
  constexpr double kLeastArea = 20.0;  // of the triangle, tiles squared: others say nothing
  if (std::abs(design.determinant()) < 2.0 * kLeastArea) return std::nullopt;
  const Eigen::Vector3d x =
      design.partialPivLu().solve(Eigen::Vector3d(field.q(i), field.q(j), field.q(k)));
  return Shape{.of = {x(2), x(0), x(1), 0.0, 0.0, 0.0}};
}

Tiles on(const Shape& shape, const DepthTiles& field, const Tiles& tiles, double off_px) {
  Tiles result;
  std::ranges::copy_if(tiles, std::back_inserter(result), [&](std::size_t t) {
    return std::abs(shape.q_px(field.tile(t)) - field.q(t)) < off_px;
  });
  return result;
}

/// A plane, and the connected pieces of what lies on it.
struct Found {
  Shape plane{};
  std::vector<Tiles> pieces{};
};

/// The plane with most tiles on it, through one of `from` and two others.
std::optional<Found> best_plane(const DepthTiles& field, const std::vector<bool>& left,
                                const std::vector<bool>& from, double off_px, int trials,
                                std::mt19937& random) {
  Tiles all, first;
  for (std::size_t t = 0; t < left.size(); ++t) {
    if (!left[t]) continue;
    all.push_back(t);
    if (from[t]) first.push_back(t);
  }
  if (all.size() < kPlane || first.size() < kPiece) return std::nullopt;
  // The modulus favours early tiles by parts in 10^6: nothing here.
  const auto any = [&](const Tiles& of) { return of[random() % of.size()]; };
  // Each as numbers beside each other: most of the time goes into counting.
  std::vector<double> row, col, q;
  for (const std::size_t t : all) {
    row.push_back(field.tile(t).row);
    col.push_back(field.tile(t).col);
    q.push_back(field.q(t));
  }
  Found found;
  std::size_t most = 0;
  for (int trial = 0; trial < trials; ++trial) {
    const std::size_t i = any(first), j = any(all), k = any(all);
    const std::optional<Shape> candidate = through(field, i, j, k);
    if (!candidate) continue;
    const double level = candidate->of[0], down = candidate->of[1], right = candidate->of[2];
    std::size_t count = 0;
    for (std::size_t t = 0; t < all.size(); ++t)
      count += std::abs(level + down * row[t] + right * col[t] - q[t]) < off_px ? 1U : 0U;
    if (count > most) most = count, found.plane = *candidate;
  }
  if (most < kPlane) return std::nullopt;
  constexpr int kRefits = 3;
  for (int i = 0; i < kRefits; ++i) {
    const Tiles near = on(found.plane, field, all, off_px);
    if (near.size() < kPlane) break;
    found.plane = least_squares(field, near, kFlat);
  }
  std::vector<bool> in(left.size());
  for (const std::size_t t : on(found.plane, field, all, off_px)) in[t] = true;
  found.pieces = field.pieces(in);
  return found;
}

/// Long enough to be something that goes through the picture.
bool spans(const DepthTiles& field, const Tiles& tiles, double share) {
  const auto [top, bottom] =
      std::ranges::minmax(tiles, {}, [&](std::size_t t) { return field.tile(t).row; });
  const auto [left, right] =
      std::ranges::minmax(tiles, {}, [&](std::size_t t) { return field.tile(t).col; });
  return field.tile(bottom).row - field.tile(top).row >= share * field.size().height ||
         field.tile(right).col - field.tile(left).col >= share * field.size().width;
}

Surface surface_of(const Shape& shape, Tiles tiles, Tiles thick) {
  Surface surface{.shape = shape, .tiles = std::move(tiles), .thick = std::move(thick)};
  std::ranges::sort(surface.thick);
  std::erase_if(surface.tiles, [&](std::size_t t) { return surface.is_thick(t); });
  return surface;
}

/// What hides others: an animal, most of all.
void put_aside_largest(const std::vector<Tiles>& pieces, std::vector<bool>& left) {
  for (const std::size_t t : *std::ranges::max_element(pieces, {}, &Tiles::size)) left[t] = false;
}

/// Of the pieces on a shape those that reach the border, as one.
Tiles at_border(const DepthTiles& field, const std::vector<Tiles>& pieces) {
  Tiles tiles;
  for (const Tiles& piece : pieces)
    if (piece.size() >= kPlane && field.reaches_border(piece))
      tiles.insert(tiles.end(), piece.begin(), piece.end());
  return tiles;
}

/// A leaf bends: more of it lies on a shape that is bent as it is, for as long as more does.
/// @param tiles  on a plane, changed with the shape that is returned
Shape bend(const DepthTiles& field, const std::vector<bool>& left, double off_px, Shape shape,
           Tiles& tiles) {
  constexpr int kRounds = 8;
  Tiles all;
  for (std::size_t t = 0; t < left.size(); ++t)
    if (left[t]) all.push_back(t);
  for (int i = 0; i < kRounds; ++i) {
    const Shape bent = least_squares(field, tiles, kBent);
    std::vector<bool> in(left.size());
    for (const std::size_t t : on(bent, field, all, off_px)) in[t] = true;
    Tiles more = at_border(field, field.pieces(in));
    if (more.size() <= tiles.size()) break;
    shape = bent;
    tiles = std::move(more);
  }
  return shape;
}

/// Planes of which a piece reaches the border; wide ones bent where that shows more of them.
std::vector<Surface> planes_at_border(const DepthTiles& field, std::vector<bool> left,
                                      double off_px, const SubjectOptions& options,
                                      std::mt19937& random) {
  std::vector<bool> border(left.size());
  for (std::size_t t = 0; t < border.size(); ++t) border[t] = field.at_border(t);
  std::vector<Surface> surfaces;
  for (int i = 0; i < kMostPlanes; ++i) {
    const auto found = best_plane(field, left, border, off_px, options.plane_trials, random);
    if (!found || found->pieces.empty()) break;
    Tiles tiles = at_border(field, found->pieces);
    if (tiles.empty()) {
      put_aside_largest(found->pieces, left);
      continue;
    }
    const bool wide = static_cast<double>(tiles.size()) >= kWide * field.size().area();
    const Shape shape = wide ? bend(field, left, off_px, found->plane, tiles) : found->plane;
    for (const std::size_t t : tiles) left[t] = false;
    if (!spans(field, tiles, options.plane_extent)) continue;
    Tiles thick = field.thick(tiles);
    surfaces.push_back(surface_of(shape, std::move(tiles), std::move(thick)));
    surfaces.back().wide = wide;
  }
  return surfaces;
}

/// Of a piece that is much longer than it is thick, the tiles at both its ends, where neither is to
/// be seen: at the border, or where the sweep ends in depth, and not at the same end: what begins
/// and ends there is a body's front. Empty if not.
Tiles hidden_ends(const DepthTiles& field, const Tiles& piece, const std::vector<Fading>& fades) {
  constexpr double kLong = 3.0;        // times its mean thickness
  constexpr double kEnd = 0.1;         // of its length
  constexpr double kHidden = 1.0 / 3;  // share of an end: across, a blade lies in depth too
  const Eigen::Vector2d along = longest_way(field, piece);
  const auto place = [&](std::size_t t) {
    return along.dot(Eigen::Vector2d(field.tile(t).row, field.tile(t).col));
  };
  const auto [low, high] = std::ranges::minmax(piece, {}, place);
  const double length = place(high) - place(low) + 1.0;
  if (length * length < kLong * static_cast<double>(piece.size())) return {};
  Tiles ends;
  std::vector<Fading> sides;
  for (const std::size_t tip : {low, high}) {
    double all = 0.0, at_border = 0.0, at_lowest = 0.0, at_highest = 0.0;
    for (const std::size_t t : piece) {
      if (std::abs(place(t) - place(tip)) > kEnd * length) continue;
      ends.push_back(t);
      all += 1.0;
      if (field.at_border(t))
        at_border += 1.0;
      else if (fades[t] != Fading::no)
        (fades[t] == Fading::low ? at_lowest : at_highest) += 1.0;
    }
    if (at_border + at_lowest + at_highest < kHidden * all) return {};
    if (at_border < std::max(at_lowest, at_highest))
      sides.push_back(at_lowest > at_highest ? Fading::low : Fading::high);
  }
  if (sides.size() == 2 && sides[0] == sides[1]) return {};
  return ends;
}

/// Strips without an end.
std::vector<Surface> endless_strips(const DepthTiles& field, std::vector<bool> left,
                                    const std::vector<Fading>& fades, double off_px,
                                    const SubjectOptions& options, std::mt19937& random) {
  std::vector<bool> fading;
  for (const Fading f : fades) fading.push_back(f != Fading::no);
  std::vector<Surface> strips;
  for (int i = 0; i < kMostPlanes; ++i) {
    const auto found = best_plane(field, left, fading, off_px, options.plane_trials, random);
    if (!found || found->pieces.empty()) break;
    bool any = false;
    for (const Tiles& piece : found->pieces) {
      if (piece.size() < kPlane) continue;
      const Tiles ends = hidden_ends(field, piece, fades);
      if (ends.empty()) continue;
      any = true;
      for (const std::size_t t : piece) left[t] = false;
      if (spans(field, piece, options.plane_extent))
        strips.push_back(surface_of(found->plane, piece, field.thick(piece, ends)));
    }
    if (!any) put_aside_largest(found->pieces, left);
  }
  return strips;
}

std::size_t tiles_of(const std::vector<Surface>& surfaces) {
  return std::accumulate(
      surfaces.begin(), surfaces.end(), std::size_t{0},
      [](std::size_t sum, const Surface& surface) { return sum + surface.tiles.size(); });
}

/// What random triples find differs from draw to draw where a surface is but nearly a plane. Of
/// several draws the one that has the `rank`-th fewest tiles.
/// @param find  (random) -> surfaces
template <class Find>
std::vector<Surface> of_several_draws(std::size_t rank, unsigned seed, const Find& find) {
  std::vector<std::vector<Surface>> draws;
  for (unsigned i = 0; i < kDraws; ++i) {
    std::mt19937 random(seed + i);
    draws.push_back(find(random));
  }
  std::ranges::stable_sort(draws, {}, tiles_of);
  return std::move(draws[rank]);
}

}  // namespace

double Shape::q_px(const TileProfile& tile) const {
  const std::array<double, 6> terms = terms_of(tile);
  return std::inner_product(of.begin(), of.end(), terms.begin(), 0.0);
}

double Surface::above_px(const DepthTiles& field, std::size_t t) const {
  return field.q(t) - shape.q_px(field.tile(t));
}

bool Surface::is_thick(std::size_t t) const { return std::ranges::binary_search(thick, t); }

std::vector<Surface> surfaces_through_picture(const DepthTiles& field, std::vector<bool> among,
                                              const std::vector<Fading>& fades, double off_px,
                                              const SubjectOptions& options) {
  // What is in doubt is subject.
  std::vector<Surface> surfaces = of_several_draws(0, options.seed, [&](std::mt19937& random) {
    return planes_at_border(field, among, off_px, options, random);
  });
  for (const Surface& surface : surfaces)
    for (const std::size_t t : surface.tiles) among[t] = false;
  // A strip tells more of itself than that it reaches the border: most draws must find it. It is
  // round, a seed-head's sides lie deeper than its middle.
  std::vector<Surface> strips =
      of_several_draws(kDraws / 2, options.seed, [&](std::mt19937& random) {
        return endless_strips(field, among, fades, 2.0 * off_px, options, random);
      });
  std::ranges::move(strips, std::back_inserter(surfaces));
  return surfaces;
}

}  // namespace ringsweep
