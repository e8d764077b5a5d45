#include "ringsweep/subject.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <random>
#include <stdexcept>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr int kNone = -1;
constexpr int kZoneTiles = 6;      // so near to the border a set's thickness there is taken
constexpr int kLinkTiles = 3;      // pieces this far apart belong together
constexpr double kLinkPx = 4.0;    // ...where their depths differ by no more
constexpr std::size_t kPiece = 3;  // tiles; fewer are noise
constexpr std::size_t kPlane = 20;
constexpr int kMostPlanes = 3;
constexpr std::size_t kFewest = 12;     // tiles that can be a subject
constexpr double kOnPlane = 0.6;        // share of a piece that makes it the plane's
constexpr double kEndsErr = 0.5;        // of the blur limit: so well an animal's ends are told
constexpr double kAllPerch = 0.9;       // share from which on animal and perch cannot be told apart
constexpr double kEndQuantile = 0.005;  // the last hair is no end; as in coverage.cpp

using Tiles = std::vector<std::size_t>;

/// q = a row + b col + c.
struct Plane {
  double a = 0.0, b = 0.0, c = 0.0;
  [[nodiscard]] double off_px(const TileProfile& tile, double q) const {
    return std::abs(a * tile.row + b * tile.col + c - q);
  }
};

/// The tiles on their grid.
class Field {
 public:
  Field(const Profiles& profiles, const FocalPositions& focus, const cv::Mat& all_see,
        const SubjectOptions& options)
      : tiles_(profiles.tiles), focus_(focus), options_(options) {
    int rows = profiles.grid.rows(), cols = profiles.grid.cols();
    for (const TileProfile& t : tiles_) {
      rows = std::max(rows, t.row + 1);
      cols = std::max(cols, t.col + 1);
    }
    at_ = cv::Mat(rows, cols, CV_32SC1, cv::Scalar(kNone));
    for (std::size_t t = 0; t < tiles_.size(); ++t)
      at_.at<int>(tiles_[t].row, tiles_[t].col) = static_cast<int>(t);
    for (const TileProfile& t : tiles_) {
      border_.push_back(near_border(t, all_see, options.border_tiles));
      zone_.push_back(near_border(t, all_see, kZoneTiles));
    }
  }

  [[nodiscard]] double q(std::size_t t) const { return focus_.tiles[t].q_px; }
  [[nodiscard]] bool at_border(std::size_t t) const { return border_[t]; }
  [[nodiscard]] const TileProfile& tile(std::size_t t) const { return tiles_[t]; }
  [[nodiscard]] cv::Size size() const { return at_.size(); }

  /// Calls body(other) for the tiles of the grid up to `reach` away.
  template <class Body>
  void around(std::size_t t, int reach, const Body& body) const {
    const auto [r, c] = std::pair(tiles_[t].row, tiles_[t].col);
    for (int y = std::max(0, r - reach); y <= std::min(at_.rows - 1, r + reach); ++y)
      for (int x = std::max(0, c - reach); x <= std::min(at_.cols - 1, c + reach); ++x) {
        const int other = at_.at<int>(y, x);
        if (other != kNone && static_cast<std::size_t>(other) != t)
          body(static_cast<std::size_t>(other));
      }
  }

  /// Connected sets of the tiles for which `in` holds.
  [[nodiscard]] std::vector<Tiles> pieces(const std::vector<bool>& in) const {
    std::vector<bool> seen(tiles_.size());
    std::vector<Tiles> result;
    for (std::size_t start = 0; start < tiles_.size(); ++start) {
      if (!in[start] || seen[start]) continue;
      Tiles piece{start};
      seen[start] = true;
      for (std::size_t i = 0; i < piece.size(); ++i) {
        const std::size_t t = piece[i];
        around(t, kLinkTiles, [&](std::size_t other) {
          if (!in[other] || seen[other] || std::abs(q(other) - q(t)) > kLinkPx) return;
          seen[other] = true;
          piece.push_back(other);
        });
      }
      result.push_back(std::move(piece));
    }
    return result;
  }

  [[nodiscard]] bool reaches_border(const Tiles& piece) const {
    return std::ranges::any_of(piece, [&](std::size_t t) { return border_[t]; });
  }

  /// Those of the tiles that lie where the set is more than twice as thick as at the border: a stem
  /// or a leaf leaves the picture as thick as it is, an animal does not leave it, or by a feeler.
  [[nodiscard]] Tiles thick(const Tiles& tiles) const {
    constexpr int kPad = 4;  // the set goes on beyond the picture's edge
    cv::Mat mask(at_.size(), CV_8UC1, cv::Scalar(0));
    for (const std::size_t t : tiles) mask.at<std::uint8_t>(tiles_[t].row, tiles_[t].col) = 1;
    cv::Mat padded;
    cv::copyMakeBorder(mask, padded, kPad, kPad, kPad, kPad, cv::BORDER_REPLICATE);
    const auto disc = [](int radius) {
      return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
    };
    cv::morphologyEx(padded, padded, cv::MORPH_CLOSE, disc(2));  // tiles without texture
    cv::Mat depth, core;
    cv::distanceTransform(padded, depth, cv::DIST_C, 3);
    float at_border = 0.0F;
    for (const std::size_t t : tiles)
      if (zone_[t])
        at_border =
            std::max(at_border, depth.at<float>(tiles_[t].row + kPad, tiles_[t].col + kPad));
    // As thick at the border as half the picture, or all of it: nothing is thicker.
    if (4.0F * at_border >= static_cast<float>(std::min(at_.rows, at_.cols))) return {};
    cv::morphologyEx(padded, core, cv::MORPH_OPEN, disc(cvCeil(2.0F * at_border) + 1));
    Tiles result;
    for (const std::size_t t : tiles)
      if (core.at<std::uint8_t>(tiles_[t].row + kPad, tiles_[t].col + kPad) != 0)
        result.push_back(t);
    return result;
  }

  /// Tiles that are sure of their depth and share it with their neighbours.
  [[nodiscard]] std::vector<bool> supported() const {
    std::vector<bool> result(tiles_.size());
    for (std::size_t t = 0; t < tiles_.size(); ++t) {
      if (focus_.tiles[t].weight < options_.min_weight) continue;
      int agree = 0;
      around(t, 1, [&](std::size_t other) {
        if (focus_.tiles[other].weight >= options_.min_weight &&
            std::abs(q(other) - q(t)) < options_.agree_px)
          ++agree;
      });
      result[t] = agree >= options_.agreeing;
    }
    return result;
  }

 private:
  [[nodiscard]] bool near_border(const TileProfile& t, const cv::Mat& all_see, int reach) const {
    if (t.row < reach || t.col < reach || t.row >= at_.rows - reach || t.col >= at_.cols - reach)
      return true;
    if (all_see.empty()) return false;
    const cv::Rect about(t.col - reach, t.row - reach, 2 * reach + 1, 2 * reach + 1);
    return cv::countNonZero(all_see(about)) < about.area();
  }

  const std::vector<TileProfile>& tiles_;
  const FocalPositions& focus_;
  const SubjectOptions& options_;
  cv::Mat at_;
  std::vector<bool> border_;
  std::vector<bool> zone_;
};

Plane least_squares(const Field& field, const Tiles& tiles) {
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

std::optional<Plane> through(const Field& field, std::size_t i, std::size_t j, std::size_t k) {
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

/// A plane that reaches the border, and the tiles that lie on it.
struct Surface {
  Plane plane{};
  Tiles tiles{};  ///< without the thick ones
  Tiles thick{};  ///< too thick for a perch, by rising index: an animal lies in the same plane
};

class Planes {
 public:
  /// @param off_px a perch keeps this close to its plane
  Planes(const Field& field, const SubjectOptions& options, double off_px)
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
      std::erase_if(surface->tiles,
                    [&](std::size_t t) { return std::ranges::binary_search(surface->thick, t); });
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

  const Field& field_;
  const SubjectOptions& options_;
  const double off_px_;
};

/// What random triples find differs from draw to draw where a surface is but nearly a plane. Of
/// several draws the one that finds least: what is in doubt is subject.
std::vector<Surface> sure_surfaces(const Field& field, const SubjectOptions& options, double off_px,
                                   const std::vector<bool>& supported) {
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

/// The usable frames' outermost positions.
std::optional<std::pair<double, double>> sweep_range(const FocalPositions& focus) {
  std::optional<std::pair<double, double>> range;
  for (const FocalPosition& frame : focus.frames) {
    if (!frame.usable || !frame.q_px) continue;
    if (!range) range = {*frame.q_px, *frame.q_px};
    range->first = std::min(range->first, *frame.q_px);
    range->second = std::max(range->second, *frame.q_px);
  }
  return range;
}

/// Beyond an end, stops at the first break in depth: tiles farther out are `apart`. One tile in 500
/// is noise and bridges nothing.
/// @param direction +1 above, -1 below
void cut_beyond(std::vector<TileRole>& roles, const Field& field, double edge, double direction,
                const SubjectOptions& options) {
  Tiles beyond;
  for (std::size_t t = 0; t < roles.size(); ++t)
    if (roles[t] == TileRole::subject && direction * (field.q(t) - edge) > 0.0) beyond.push_back(t);
  std::ranges::sort(beyond, {}, [&](std::size_t t) { return direction * field.q(t); });
  const auto subject = static_cast<std::size_t>(std::ranges::count(roles, TileRole::subject));
  const std::size_t run = std::max<std::size_t>(1, subject / 500);
  double last = edge;
  std::size_t kept = 0, pending = 0;
  for (const std::size_t t : beyond) {
    if (direction * (field.q(t) - edge) > options.reach_px ||
        direction * (field.q(t) - last) > options.island_gap_px)
      break;
    if (++pending < run) continue;
    kept += pending;
    pending = 0;
    last = field.q(t);
  }
  for (std::size_t i = kept; i < beyond.size(); ++i) roles[beyond[i]] = TileRole::apart;
}

/// What runs out of the picture.
struct Perch {
  std::vector<Surface> surfaces{};
  std::vector<bool> holds{};  ///< of each tile: on a surface or a band
  double off_px = 0.0;        ///< it keeps this close to its planes

  /// Beside a surface it bends a little; elsewhere its plane goes on through thin air.
  [[nodiscard]] bool is_beside(std::size_t t, const Field& field) const {
    bool beside = false;
    field.around(t, kLinkTiles, [&](std::size_t other) { beside = beside || holds[other]; });
    return beside && std::ranges::any_of(surfaces, [&](const Surface& s) {
             return s.plane.off_px(field.tile(t), field.q(t)) < 2.0 * off_px &&
                    !std::ranges::binary_search(s.thick, t);
           });
  }
};

/// A drop, say, or a hair: small, and most of what lies around it is perch.
/// @param is_perch, is_other of a tile
template <class IsPerch, class IsOther>
bool lies_on_perch(const Field& field, const Tiles& piece, const IsPerch& is_perch,
                   const IsOther& is_other) {
  constexpr std::size_t kLargest = 30;  // tiles
  if (piece.size() > kLargest) return false;
  std::size_t perch = 0, other = 0;
  for (const std::size_t t : piece)
    field.around(t, kLinkTiles, [&](std::size_t n) {
      if (std::ranges::find(piece, n) != piece.end()) return;
      if (is_perch(n)) ++perch;
      if (is_other(n)) ++other;
    });
  return perch > 2 * other;
}

/// Beyond the end at `edge`, drops pieces that are too small, and what runs out of the picture:
/// tiles on or beside a perch's plane, then pieces that reach the border and are no thicker
/// elsewhere.
/// @return whether there is a perch
bool drop_perch_beyond(std::vector<TileRole>& roles, const Field& field, const Perch& found,
                       double edge, double direction, const SubjectOptions& options) {
  std::vector<bool> beyond(roles.size());
  std::size_t perch = 0;
  for (std::size_t t = 0; t < roles.size(); ++t) {
    const double out = direction * (field.q(t) - edge);
    if (roles[t] != TileRole::subject || out <= 0.0 || out > options.reach_px) continue;
    if (!found.holds[t] && !found.is_beside(t, field)) {
      beyond[t] = true;
      continue;
    }
    roles[t] = TileRole::perch;
    ++perch;
  }
  for (const Tiles& piece : field.pieces(beyond)) {
    const bool runs_out =
        lies_on_perch(
            field, piece, [&](std::size_t t) { return roles[t] == TileRole::perch; },
            [&](std::size_t t) { return roles[t] == TileRole::subject; }) ||
        (field.reaches_border(piece) && field.thick(piece).empty());
    if (piece.size() >= kPiece && !runs_out) continue;
    if (runs_out) perch += piece.size();
    for (const std::size_t t : piece) roles[t] = runs_out ? TileRole::perch : TileRole::stray;
  }
  return perch >= kPiece;
}

/// The perch with drops and hairs on it: no animal.
std::vector<bool> with_what_lies_on_it(const Perch& perch, const std::vector<TileRole>& roles,
                                       const Field& field) {
  std::vector<bool> whole = perch.holds, rest(roles.size());
  for (std::size_t t = 0; t < roles.size(); ++t) {
    if (roles[t] != TileRole::subject || perch.holds[t]) continue;
    rest[t] = true;
  }
  std::vector<Tiles> small;
  for (const Tiles& piece : field.pieces(rest))
    if (lies_on_perch(
            field, piece, [&](std::size_t t) { return whole[t]; },
            [&](std::size_t t) { return rest[t]; }))
      small.push_back(piece);
  for (const Tiles& piece : small)
    for (const std::size_t t : piece) whole[t] = true;
  return whole;
}

std::vector<double> positions_of(const std::vector<TileRole>& roles, const Field& field,
                                 TileRole role) {
  std::vector<double> result;
  for (std::size_t t = 0; t < roles.size(); ++t)
    if (roles[t] == role) result.push_back(field.q(t));
  std::ranges::sort(result);
  return result;
}

}  // namespace

Subject find_subject(const Profiles& profiles, const FocalPositions& focus, double blur_limit_px,
                     const SubjectView& view, const SubjectWish& wish,
                     const SubjectOptions& options) {
  const cv::Size grid(profiles.grid.cols(), profiles.grid.rows());
  if (!wish.mask.empty() && wish.mask.size() != grid)
    throw std::invalid_argument("find_subject: the mask has another size than the grid");
  for (const cv::Mat* mask : {&view.all_see, &view.bands})
    if (!mask->empty() && mask->size() != grid)
      throw std::invalid_argument("find_subject: the view has another size than the grid");
  Subject result;
  result.said = !wish.mask.empty() || wish.low_px || wish.high_px;
  result.roles.assign(profiles.tiles.size(), TileRole::stray);
  const auto range = sweep_range(focus);
  if (!range) return result;
  const Field field(profiles, focus, view.all_see, options);
  const std::vector<bool> supported = field.supported();
  for (std::size_t t = 0; t < supported.size(); ++t)
    if (supported[t]) result.roles[t] = TileRole::subject;

  const auto not_meant = [&](std::size_t t) {
    const TileProfile& tile = profiles.tiles[t];
    return (!wish.mask.empty() && wish.mask.at<std::uint8_t>(tile.row, tile.col) == 0) ||
           (wish.low_px && field.q(t) < *wish.low_px) ||
           (wish.high_px && field.q(t) > *wish.high_px);
  };
  for (std::size_t t = 0; t < supported.size(); ++t)
    if (supported[t] && not_meant(t)) result.roles[t] = TileRole::not_meant;

  const auto [low, high] = *range;
  bool all_perch = false;
  if (wish.mask.empty()) {
    Perch perch{.holds = std::vector<bool>(supported.size()),
                .off_px = std::max(options.plane_px, options.plane_share * (high - low))};
    perch.surfaces = sure_surfaces(field, options, perch.off_px, supported);
    for (const Surface& s : perch.surfaces)
      for (const std::size_t t : s.tiles) perch.holds[t] = true;
    if (!view.bands.empty())
      for (std::size_t t = 0; t < supported.size(); ++t)
        perch.holds[t] = perch.holds[t] || view.bands.at<std::uint8_t>(profiles.tiles[t].row,
                                                                       profiles.tiles[t].col) != 0;
    result.perch_low =
        drop_perch_beyond(result.roles, field, perch, low - blur_limit_px, -1.0, options);
    result.perch_high =
        drop_perch_beyond(result.roles, field, perch, high + blur_limit_px, 1.0, options);
    const std::vector<bool> no_animal = with_what_lies_on_it(perch, result.roles, field);
    // The perch counts within the animal's own depth: there it is what the animal stands on.
    std::vector<double> animal;
    std::size_t all = 0;
    for (std::size_t t = 0; t < supported.size(); ++t) {
      if (result.roles[t] != TileRole::subject) continue;
      ++all;
      if (!no_animal[t]) animal.push_back(field.q(t));
    }
    std::ranges::sort(animal);
    all_perch = static_cast<double>(animal.size()) < (1.0 - kAllPerch) * static_cast<double>(all);
    if (!all_perch && animal.size() >= kFewest) {
      const double err_px = kEndsErr * blur_limit_px;
      const double from = quantile_of_sorted(animal, kEndQuantile) - err_px;
      const double to = quantile_of_sorted(animal, 1.0 - kEndQuantile) + err_px;
      for (std::size_t t = 0; t < supported.size(); ++t)
        if (result.roles[t] == TileRole::subject && no_animal[t] &&
            (field.q(t) < from || field.q(t) > to))
          result.roles[t] = TileRole::perch;
    }
  }
  cut_beyond(result.roles, field, low, -1.0, options);
  cut_beyond(result.roles, field, high, 1.0, options);
  result.positions_px = positions_of(result.roles, field, TileRole::subject);
  result.trusted = result.positions_px.size() >= kFewest && (!all_perch || result.said);
  return result;
}

Outside outside_picture(const Profiles& profiles, const FocalPositions& focus,
                        const Subject& subject, std::span<const cv::Mat> seen,
                        double blur_limit_px) {
  if (seen.size() != focus.frames.size())
    throw std::invalid_argument("outside_picture: one mask for each frame");
  Outside result{.first_frame = focus.frames.size()};
  std::size_t outside = 0;
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
    if (subject.roles[t] != TileRole::subject) continue;
    std::vector<std::size_t> sharp;
    bool any_sees = false;
    for (std::size_t k = 0; k < focus.frames.size(); ++k) {
      const FocalPosition& frame = focus.frames[k];
      if (!frame.usable || !frame.q_px || seen[k].empty() ||
          std::abs(*frame.q_px - focus.tiles[t].q_px) > blur_limit_px)
        continue;
      sharp.push_back(k);
      any_sees =
          any_sees || seen[k].at<std::uint8_t>(profiles.tiles[t].row, profiles.tiles[t].col) != 0;
    }
    if (sharp.empty() || any_sees) continue;
    ++outside;
    result.first_frame = std::min(result.first_frame, sharp.front());
    result.last_frame = std::max(result.last_frame, sharp.back());
  }
  if (outside == 0) return {};
  result.subject_share =
      static_cast<double>(outside) / static_cast<double>(subject.positions_px.size());
  return result;
}

}  // namespace ringsweep
