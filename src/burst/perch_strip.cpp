#include "burst/perch_strip.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <iterator>
#include <limits>
#include <random>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

// Lengths in tiles. Ours, no source; found on bench/accuracy's open seeds, of which the maker told
// what each tile shows. Of those that were tried, half or twice as much tells about as much.
constexpr std::size_t kFewest = 20;  // known tiles
constexpr std::size_t kFewestAtBorder = 3;
constexpr std::size_t kFewestOnLine = 10;
constexpr int kTrials = 400;        // lines
constexpr double kApart = 12.0;     // two tiles that tell a line
constexpr double kLine = 1.5;       // so close to a line lies what is on it
constexpr double kLeastSpan = 0.4;  // of the shorter side of the picture
constexpr double kLong = 3.0;       // so many times as long as thick
constexpr double kBends = 30.0;     // a shorter one is straight
constexpr double kOuter = 0.3;      // of its length from each end: there, often, no animal is
constexpr std::size_t kOuterPlaces = 6;
constexpr double kThinnest = 0.9;    // half; a feeler or hair that leaves the picture is thinner
constexpr double kNoTexture = 6.0;   // as wide a smooth stem's middle may be
constexpr double kEdge = 1.0;        // a tile on its edge shows both sides
constexpr double kMostBeside = 0.1;  // of what is known, on each side, or it is a wide surface
constexpr double kFlatHalf = 3.5;    // a thicker one is a blade, and may be tilted across
constexpr double kLeastOffPx = 1.5;  // it keeps so close to its depth,
constexpr double kOffTimes = 2.5;    // or so many times the median
constexpr double kClear = 2.0;       // farther from its edge, nothing is perch by being near
constexpr double kOneSide = 3.0;     // so many times as much on one side: the animal's
constexpr double kFewestClear = 12.0;
constexpr double kCore = 8.0;         // tiles of a piece of the animal,
constexpr double kCoreShare = 0.1;    // or this share of the largest, but no more than
constexpr double kCoreMost = 20.0;    // these, or a feeler among many is none
constexpr int kRounds = 4;            // of the fit of its depth, each without what is far off,
constexpr double kTrim = 1.5;         // so many times what counts as the perch
constexpr double kAtBorder = 0.3;     // share of a piece that leaves the picture,
constexpr double kBesidePerch = 0.2;  // and that lies beside the perch
constexpr int kGrow = 10;             // a leg reaches so far from a piece towards the perch
constexpr int kNear = 4;

using Row = Eigen::RowVectorXd;

/// @param row  (tile) -> the design's row
template <class RowOf, class ValueOf>
Eigen::VectorXd least_squares(const Tiles& tiles, const RowOf& row, const ValueOf& value) {
  Eigen::MatrixXd design(static_cast<Eigen::Index>(tiles.size()), row(tiles.front()).size());
  Eigen::VectorXd values(design.rows());
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    design.row(static_cast<Eigen::Index>(i)) = row(tiles[i]);
    values(static_cast<Eigen::Index>(i)) = value(tiles[i]);
  }
  return design.colPivHouseholderQr().solve(values);
}

template <class Is>
Tiles those(const Tiles& tiles, const Is& is) {
  Tiles result;
  std::ranges::copy_if(tiles, std::back_inserter(result), is);
  return result;
}

class Strip {
 public:
  /// Nothing where the tiles are none.
  static std::optional<Strip> through(const DepthTiles& field, const Tiles& known, unsigned seed);

  /// From its middle, signed, tiles.
  [[nodiscard]] double across(std::size_t t) const {
    return beside(t) - bend_row(along(t)).dot(bend_) - middle_;
  }
  [[nodiscard]] bool is_within(std::size_t t, double beyond = 0.0) const {
    return std::abs(across(t)) <= half_ + kEdge + beyond;
  }
  /// Within it, and as deep as it is there.
  [[nodiscard]] bool holds(std::size_t t) const {
    return is_within(t) && depth_off_px(t) <= off_px_;
  }

 private:
  explicit Strip(const DepthTiles& field) : field_(&field) {}

  [[nodiscard]] Eigen::Vector2d place(std::size_t t) const {
    return {field_->tile(t).row, field_->tile(t).col};
  }
  [[nodiscard]] double along(std::size_t t) const { return way_.dot(place(t) - origin_); }
  /// Of the straight line, signed, tiles.
  [[nodiscard]] double beside(std::size_t t) const {
    const Eigen::Vector2d from = place(t) - origin_;
    return way_.x() * from.y() - way_.y() * from.x();
  }
  [[nodiscard]] Row bend_row(double along) const;
  [[nodiscard]] Row depth_row(std::size_t t) const;
  [[nodiscard]] double depth_off_px(std::size_t t) const {
    return std::abs(field_->q(t) - depth_row(t).dot(depth_));
  }
  [[nodiscard]] double length() const { return high_ - low_; }

  [[nodiscard]] bool find_line(const Tiles& known, unsigned seed);
  [[nodiscard]] bool find_edges(const Tiles& known);
  [[nodiscard]] bool goes_on_at_both_sides(const Tiles& known) const;
  [[nodiscard]] bool find_depth(const Tiles& known);

  const DepthTiles* field_;
  Eigen::Vector2d origin_ = Eigen::Vector2d::Zero(), way_ = Eigen::Vector2d::UnitX();
  double low_ = 0.0, high_ = 0.0;  // along it, tiles
  Eigen::VectorXd bend_ = Eigen::VectorXd::Zero(1);
  double middle_ = 0.0, half_ = 0.0;
  Eigen::VectorXd depth_;
  double off_px_ = 0.0;
};

std::optional<Strip> Strip::through(const DepthTiles& field, const Tiles& known, unsigned seed) {
  Strip strip(field);
  if (known.size() < kFewest || !strip.find_line(known, seed) || !strip.find_edges(known))
    return std::nullopt;
  if (strip.half_ < kThinnest || strip.length() < kLong * (2.0 * strip.half_ + 1.0) ||
      strip.length() < kLeastSpan * std::min(field.size().width, field.size().height) ||
      strip.goes_on_at_both_sides(known) || !strip.find_depth(known))
    return std::nullopt;
  return strip;
}

Row Strip::bend_row(double along) const {
  const double s = along / std::max(1.0, length());
  if (length() < kBends) return (Row(2) << 1.0, s).finished();
  return (Row(3) << 1.0, s, s * s).finished();
}

Row Strip::depth_row(std::size_t t) const {
  const double s = along(t) / std::max(1.0, length());
  if (half_ + kEdge < kFlatHalf) return (Row(3) << 1.0, s, s * s).finished();
  return (Row(4) << 1.0, s, s * s, across(t)).finished();
}

/// From a tile at the border the line along which most places are known; then its bend.
bool Strip::find_line(const Tiles& known, unsigned seed) {
  const Tiles border = those(known, [&](std::size_t t) { return field_->in_border_zone(t); });
  if (border.size() < kFewestAtBorder) return false;
  const auto longest = static_cast<std::ptrdiff_t>(field_->size().width + field_->size().height);
  // The modulus favours early tiles by parts in 10^6: nothing here.
  std::mt19937 random(seed);
  std::pair<std::ptrdiff_t, std::size_t> most{0, kFewestOnLine};  // places, tiles
  Eigen::Vector2d origin, way;
  for (int trial = 0; trial < kTrials; ++trial) {
    origin_ = place(border[random() % border.size()]);
    way_ = place(known[random() % known.size()]) - origin_;
    if (way_.norm() < kApart) continue;
    way_.normalize();
    std::vector<bool> seen(static_cast<std::size_t>(2 * longest + 1));
    std::size_t on = 0;
    for (const std::size_t t : known) {
      if (std::abs(beside(t)) > kLine) continue;
      ++on;
      seen[static_cast<std::size_t>(longest + std::lround(along(t)))] = true;
    }
    const std::pair places(std::ranges::count(seen, true), on);
    if (on < kFewestOnLine || places <= most) continue;
    most = places, origin = origin_, way = way_;
  }
  if (most.first == 0) return false;
  origin_ = origin, way_ = way;
  const Tiles line = those(known, [&](std::size_t t) { return std::abs(beside(t)) <= kLine; });
  const auto place_along = [&](std::size_t t) { return along(t); };
  const auto [first, last] = std::ranges::minmax(line, {}, place_along);
  low_ = along(first), high_ = along(last);
  bend_ = Eigen::VectorXd::Zero(bend_row(0.0).size());
  for (const double within : {kLine + 1.0, kLine})
    bend_ = least_squares(
        those(known, [&](std::size_t t) { return std::abs(across(t)) <= within; }),
        [&](std::size_t t) { return bend_row(along(t)); },
        [&](std::size_t t) { return beside(t); });
  return true;
}

/// How far what is known reaches to both sides, in the median over its outer parts.
bool Strip::find_edges(const Tiles& known) {
  std::vector<double> lower, upper;
  for (double s = low_; s <= high_; s += 1.0) {
    if (s > low_ + kOuter * length() && s < high_ - kOuter * length()) continue;
    std::vector<double> here;
    for (const std::size_t t : known)
      if (std::abs(along(t) - s) <= kLine) here.push_back(across(t));
    if (here.empty()) continue;
    std::ranges::sort(here);
    const auto middle = std::ranges::min_element(here, {}, [](double a) { return std::abs(a); });
    if (std::abs(*middle) > kLine) continue;
    auto up = middle, down = middle;
    while (up + 1 != here.end() && *(up + 1) - *up <= kNoTexture) ++up;
    while (down != here.begin() && *down - *(down - 1) <= kNoTexture) --down;
    upper.push_back(*up);
    lower.push_back(*down);
  }
  if (upper.size() < kOuterPlaces) return false;
  const double top = quantile_in_place(upper, 0.5), bottom = quantile_in_place(lower, 0.5);
  middle_ = (top + bottom) / 2.0;
  half_ = (top - bottom) / 2.0;
  return true;
}

/// An animal in its plane lies on one side of it.
bool Strip::goes_on_at_both_sides(const Tiles& known) const {
  double above = 0.0, below = 0.0;
  for (const std::size_t t : known)
    if (!is_within(t, 1.0)) (across(t) > 0.0 ? above : below) += 1.0;
  return std::min(above, below) > kMostBeside * static_cast<double>(known.size());
}

bool Strip::find_depth(const Tiles& known) {
  const Tiles within = those(known, [&](std::size_t t) { return is_within(t); });
  if (within.size() < kFewest) return false;
  const auto row = [&](std::size_t t) { return depth_row(t); };
  const auto q = [&](std::size_t t) { return field_->q(t); };
  double off_px = std::numeric_limits<double>::infinity();
  depth_ = Eigen::VectorXd::Zero(row(within.front()).size());
  for (int round = 0; round < kRounds; ++round) {
    depth_ = least_squares(those(within, [&](std::size_t t) { return depth_off_px(t) <= off_px; }),
                           row, q);
    std::vector<double> off;
    for (const std::size_t t : within) off.push_back(depth_off_px(t));
    off_px_ = std::max(kLeastOffPx, kOffTimes * quantile_in_place(off, 0.5));
    off_px = kTrim * off_px_;
  }
  return true;
}

/// Of which side the animal lies: +1, -1; 0 where it lies on both.
int side_of_animal(const Strip& strip, const Tiles& rest) {
  double above = 0.0, below = 0.0;
  for (const std::size_t t : rest)
    if (!strip.is_within(t, kClear)) (strip.across(t) > 0.0 ? above : below) += 1.0;
  if (above + below < kFewestClear) return 0;
  if (above > kOneSide * below) return 1;
  return below > kOneSide * above ? -1 : 0;
}

bool any_near(const DepthTiles& field, std::size_t t, const std::vector<bool>& of) {
  bool any = false;
  field.around(t, kNear, [&](std::size_t other) { any = any || of[other]; });
  return any;
}

/// A leaf's tip or an ear's, say, that bends away from the strip.
bool leaves_picture_beside(const DepthTiles& field, const std::vector<bool>& perch,
                           const Tiles& piece) {
  const auto share = [&](const auto& is) {
    return static_cast<double>(std::ranges::count_if(piece, is)) /
           static_cast<double>(piece.size());
  };
  return share([&](std::size_t t) { return field.in_border_zone(t); }) > kAtBorder &&
         share([&](std::size_t t) { return any_near(field, t, perch); }) > kBesidePerch;
}

/// Large pieces of what is neither perch nor near it, and what hangs on them: legs, towards the
/// perch.
std::vector<bool> animal_in(const DepthTiles& field, const Strip& strip,
                            const std::vector<bool>& perch, const Tiles& rest) {
  std::vector<bool> in(field.count()), clear(field.count());
  for (const std::size_t t : rest) {
    in[t] = true;
    clear[t] = !strip.is_within(t, kClear);
  }
  std::vector<bool> animal(field.count());
  const std::vector<Tiles> pieces = field.pieces(clear);
  if (pieces.empty()) return animal;
  const Tiles& largest = std::ranges::max(pieces, {}, &Tiles::size);
  const double least =
      std::clamp(kCoreShare * static_cast<double>(largest.size()), kCore, kCoreMost);
  Tiles rim;
  for (const Tiles& piece : pieces) {
    if (static_cast<double>(piece.size()) < least) continue;
    if (piece.front() != largest.front() && leaves_picture_beside(field, perch, piece)) continue;
    for (const std::size_t t : piece) animal[t] = true, rim.push_back(t);
  }
  for (int step = 0; step < kGrow && !rim.empty(); ++step) {
    Tiles next;
    for (const std::size_t t : rim)
      field.around(t, 1, [&](std::size_t other) {
        if (!in[other] || animal[other]) return;
        animal[other] = true;
        next.push_back(other);
      });
    rim = std::move(next);
  }
  return animal;
}

}  // namespace

std::optional<std::vector<bool>> perch_of_strip(const DepthTiles& field,
                                                const std::vector<bool>& known,
                                                const std::vector<bool>& among, unsigned seed) {
  Tiles seen;
  for (std::size_t t = 0; t < field.count(); ++t)
    if (known[t]) seen.push_back(t);
  const std::optional<Strip> strip = Strip::through(field, seen, seed);
  if (!strip) return std::nullopt;
  std::vector<bool> perch(field.count());
  Tiles rest;
  for (std::size_t t = 0; t < field.count(); ++t) {
    if (!among[t]) continue;
    perch[t] = strip->holds(t);
    if (!perch[t]) rest.push_back(t);
  }
  const int side = side_of_animal(*strip, rest);
  std::erase_if(rest, [&](std::size_t t) {
    if (side * strip->across(t) >= 0.0) return false;
    perch[t] = true;
    return true;
  });
  const std::vector<bool> animal = animal_in(field, *strip, perch, rest);
  if (std::ranges::count(animal, true) == 0) return std::nullopt;
  std::vector<bool> result = perch;
  for (const std::size_t t : rest)
    result[t] = !animal[t] && (any_near(field, t, perch) || !any_near(field, t, animal));
  return result;
}

}  // namespace ringsweep
