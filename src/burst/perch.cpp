#include "burst/perch.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>
#include <optional>
#include <random>
#include <utility>

#include "burst/stem.h"

namespace ringsweep {
namespace {

constexpr std::size_t kPiece = 3;  // tiles; fewer are noise
constexpr std::size_t kPlane = 20;
constexpr int kMostPlanes = 3;

Plane least_squares(const DepthTiles& field, const Tiles& tiles) {
  Eigen::MatrixX3d design(static_cast<Eigen::Index>(tiles.size()), 3);
  Eigen::VectorXd q(design.rows());
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    design.row(row) << field.tile(tiles[i]).row, field.tile(tiles[i]).col, 1.0;
    q(row) = field.q(tiles[i]);
  }
  const Eigen::Vector3d x = design.colPivHouseholderQr().solve(q);
  return {.a = x(0), .b = x(1), .c = x(2)};
}

std::optional<Plane> through(const DepthTiles& field, std::size_t i, std::size_t j, std::size_t k) {
  const auto row = [&](std::size_t t) {
    return Eigen::RowVector3d(field.tile(t).row, field.tile(t).col, 1.0);
  };
  Eigen::Matrix3d design;
  design << row(i), row(j), row(k);
  constexpr double kLeastArea = 20.0;  // of the triangle, tiles squared: others say nothing
  if (std::abs(design.determinant()) < 2.0 * kLeastArea) return std::nullopt;
  const Eigen::Vector3d x =
      design.partialPivLu().solve(Eigen::Vector3d(field.q(i), field.q(j), field.q(k)));
  return Plane{.a = x(0), .b = x(1), .c = x(2)};
}

class Planes {
 public:
  /// @param off_px a perch keeps this close to its plane
  Planes(const DepthTiles& field, const SubjectOptions& options, double off_px)
      : field_(field), options_(options), off_px_(off_px) {}

  [[nodiscard]] std::vector<Surface> find(std::vector<bool> left, unsigned seed) const {
    std::mt19937 random(seed);
    std::vector<Surface> found;
    for (int i = 0; i < kMostPlanes; ++i) {
      std::optional<Surface> surface = best(left, random);
      if (!surface) break;
      for (const std::size_t t : surface->tiles) left[t] = false;
      if (!spans(surface->tiles)) continue;
      surface->thick = field_.thick(surface->tiles);
      std::ranges::sort(surface->thick);
      std::erase_if(surface->tiles, [&](std::size_t t) { return surface->is_thick(t); });
      found.push_back(std::move(*surface));
    }
    return found;
  }

 private:
  [[nodiscard]] Tiles on(const Plane& plane, const Tiles& tiles) const {
    Tiles result;
    for (const std::size_t t : tiles)
      if (plane.off_px(field_.tile(t), field_.q(t)) < off_px_) result.push_back(t);
    return result;
  }

  [[nodiscard]] std::optional<Surface> best(const std::vector<bool>& left,
                                            std::mt19937& random) const {
    Tiles all, border;
    for (std::size_t t = 0; t < left.size(); ++t) {
      if (!left[t]) continue;
      all.push_back(t);
      if (field_.at_border(t)) border.push_back(t);
    }
    if (all.size() < kPlane || border.size() < kPiece) return std::nullopt;
    // The modulus favours early tiles by parts in 10^6: nothing here.
    const auto any = [&](const Tiles& of) { return of[random() % of.size()]; };
    Plane plane;
    std::size_t most = 0;
    for (int trial = 0; trial < options_.plane_trials; ++trial) {
      const std::size_t i = any(border), j = any(all), k = any(all);
      const std::optional<Plane> candidate = through(field_, i, j, k);
      if (!candidate) continue;
      const std::size_t count = on(*candidate, all).size();
      if (count > most) most = count, plane = *candidate;
    }
    if (most < kPlane) return std::nullopt;
    constexpr int kRefits = 3;
    for (int i = 0; i < kRefits; ++i) {
      const Tiles near = on(plane, all);
      if (near.size() < kPlane) break;
      plane = least_squares(field_, near);
    }
    std::vector<bool> in(left.size());
    for (const std::size_t t : on(plane, all)) in[t] = true;
    Surface surface{.plane = plane};
    for (const Tiles& piece : field_.pieces(in))
      if (piece.size() >= kPlane && field_.reaches_border(piece))
        surface.tiles.insert(surface.tiles.end(), piece.begin(), piece.end());
    return surface.tiles.empty() ? std::nullopt : std::optional(std::move(surface));
  }

  /// Long enough to be something that goes through the picture.
  [[nodiscard]] bool spans(const Tiles& tiles) const {
    const auto [top, bottom] =
        std::ranges::minmax(tiles, {}, [&](std::size_t t) { return field_.tile(t).row; });
    const auto [left, right] =
        std::ranges::minmax(tiles, {}, [&](std::size_t t) { return field_.tile(t).col; });
    return field_.tile(bottom).row - field_.tile(top).row >=
               options_.plane_extent * field_.size().height ||
           field_.tile(right).col - field_.tile(left).col >=
               options_.plane_extent * field_.size().width;
  }

  const DepthTiles& field_;
  const SubjectOptions& options_;
  const double off_px_;
};

/// What random triples find differs from draw to draw where a surface is but nearly a plane. Of
/// several draws the one that finds least: what is in doubt is subject.
std::vector<Surface> sure_surfaces(const DepthTiles& field, const SubjectOptions& options,
                                   double off_px, const std::vector<bool>& supported) {
  constexpr unsigned kDraws = 5;
  const Planes planes(field, options, off_px);
  std::vector<Surface> sure;
  std::size_t fewest = supported.size() + 1;
  for (unsigned i = 0; i < kDraws; ++i) {
    std::vector<Surface> surfaces = planes.find(supported, options.seed + i);
    std::size_t tiles = 0;
    for (const Surface& s : surfaces) tiles += s.tiles.size();
    if (tiles < fewest) fewest = tiles, sure = std::move(surfaces);
  }
  return sure;
}

/// What hides a stem's texture here and there (drops, hairs, the animal's shade) ends a band: the
/// tiles of `rest` that go on as one that reaches the border.
Tiles goes_on(const DepthTiles& field, const std::vector<bool>& band, const std::vector<bool>& rest,
              double off_px) {
  Tiles candidates;
  for (std::size_t t = 0; t < rest.size(); ++t)
    if (rest[t]) candidates.push_back(t);
  Tiles found;
  for (const Tiles& piece : field.pieces(band)) {
    if (!field.reaches_border(piece)) continue;
    Stem stem(field, piece);
    if (stem.is_one())
      std::ranges::copy(stem.follow(candidates, off_px), std::back_inserter(found));
  }
  return found;
}

}  // namespace

double Plane::off_px(const TileProfile& tile, double q) const {
  return std::abs(a * tile.row + b * tile.col + c - q);
}

bool Surface::is_thick(std::size_t t) const { return std::ranges::binary_search(thick, t); }

bool Perch::is_beside(std::size_t t, const DepthTiles& field) const {
  bool beside = false;
  field.around(t, DepthTiles::kLinkTiles,
               [&](std::size_t other) { beside = beside || holds[other]; });
  return beside && std::ranges::any_of(surfaces, [&](const Surface& s) {
           return s.plane.off_px(field.tile(t), field.q(t)) < 2.0 * off_px && !s.is_thick(t);
         });
}

bool Perch::is_thick(std::size_t t) const {
  return std::ranges::any_of(surfaces, [&](const Surface& s) { return s.is_thick(t); });
}

Perch find_perch(const DepthTiles& field, const std::vector<bool>& supported, const cv::Mat& bands,
                 double sweep_px, const SubjectOptions& options) {
  Perch perch{.holds = std::vector<bool>(field.count()),
              .off_px = std::max(options.plane_px, options.plane_share * sweep_px)};
  perch.surfaces = sure_surfaces(field, options, perch.off_px, supported);
  for (const Surface& s : perch.surfaces)
    for (const std::size_t t : s.tiles) perch.holds[t] = true;
  if (bands.empty()) return perch;
  std::vector<bool> band(field.count()), rest(field.count());
  for (std::size_t t = 0; t < field.count(); ++t) {
    band[t] = bands.at<std::uint8_t>(field.tile(t).row, field.tile(t).col) != 0;
    rest[t] = supported[t] && !band[t] && !perch.is_thick(t);
    perch.holds[t] = perch.holds[t] || band[t];
    band[t] = band[t] && supported[t];
  }
  for (const std::size_t t : goes_on(field, band, rest, 2.0 * perch.off_px)) perch.holds[t] = true;
  return perch;
}

}  // namespace ringsweep
