#include "burst/stem.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

// In tiles. Ours, no source; found on bench/accuracy's open seeds.
constexpr std::size_t kFewest = 20;
constexpr double kThinnest = 0.9;    // half; a feeler or hair that leaves the picture is thinner
constexpr double kLong = 3.0;        // so many times as long as thick
constexpr double kWithin = 0.8;      // share of the known tiles that is within the thickness
constexpr double kWider = 1.5;       // the edges of a stem have less texture
constexpr double kNearby = 10.0;     // along it: what a line is laid through
constexpr double kLeastSpan = 16.0;  // along it: a line through less points anywhere
constexpr double kReach = 10.0;      // along it: as far it may show no texture

}  // namespace

Eigen::Vector2d longest_way(const DepthTiles& field, const Tiles& tiles) {
  const auto place = [&](std::size_t t) {
    return Eigen::Vector2d(field.tile(t).row, field.tile(t).col);
  };
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  for (const std::size_t t : tiles) mean += place(t) / static_cast<double>(tiles.size());
  Eigen::Matrix2d spread = Eigen::Matrix2d::Zero();
  for (const std::size_t t : tiles) spread += (place(t) - mean) * (place(t) - mean).transpose();
  return Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d>(spread).eigenvectors().col(1);
}

Stem::Stem(const DepthTiles& field, const Tiles& known) : field_(field), tiles_(known) {
  along_ = longest_way(field, known);
  across_ = {-along_.y(), along_.x()};
  low_ = high_ = along_.dot(place(tiles_.front()));
  std::vector<double> off;
  for (const std::size_t t : tiles_) {
    const double s = along_.dot(place(t));
    low_ = std::min(low_, s);
    high_ = std::max(high_, s);
    if (const auto middle = at(s)) off.push_back(std::abs(across_.dot(place(t)) - middle->across));
  }
  std::ranges::sort(off);
  if (!off.empty()) half_ = quantile_of_sorted(off, kWithin);
}

bool Stem::is_one() const {
  return tiles_.size() >= kFewest && half_ >= kThinnest &&
         high_ - low_ > kLong * (2.0 * half_ + 1.0);
}

Tiles Stem::follow(Tiles candidates, double off_px) {
  Tiles found;
  const double middle = 0.5 * (low_ + high_);
  for (const double way : {1.0, -1.0}) {
    double last = way > 0.0 ? high_ : -low_;
    for (double out = way * middle; out < last + kReach; out += 1.0) {
      const auto here = at(way * out);
      if (!here) break;
      std::erase_if(candidates, [&](std::size_t t) {
        if (std::abs(along_.dot(place(t)) - way * out) > 0.75 ||
            std::abs(across_.dot(place(t)) - here->across) > half_ + kWider ||
            std::abs(field_.q(t) - here->q_px) > off_px)
          return false;
        found.push_back(t);
        tiles_.push_back(t);
        last = std::max(last, out);
        return true;
      });
    }
  }
  return found;
}

Eigen::Vector2d Stem::place(std::size_t t) const {
  return {field_.tile(t).row, field_.tile(t).col};
}

std::optional<Stem::Point> Stem::at(double along) const {
  for (const double nearby : {kNearby, 2.0 * kNearby, 4.0 * kNearby}) {
    double n = 0.0, x = 0.0, xx = 0.0, from = nearby, to = -nearby;
    Eigen::Vector2d y = Eigen::Vector2d::Zero(), xy = Eigen::Vector2d::Zero();
    for (const std::size_t t : tiles_) {
      const double d = along_.dot(place(t)) - along;
      if (std::abs(d) > nearby) continue;
      from = std::min(from, d);
      to = std::max(to, d);
      const Eigen::Vector2d here(across_.dot(place(t)), field_.q(t));
      n += 1.0;
      x += d;
      xx += d * d;
      y += here;
      xy += d * here;
    }
    if (to - from < kLeastSpan) continue;
    const Eigen::Vector2d at_zero = (xx * y - x * xy) / (n * xx - x * x);
    return Point{.across = at_zero.x(), .q_px = at_zero.y()};
  }
  return std::nullopt;
}

}  // namespace ringsweep
