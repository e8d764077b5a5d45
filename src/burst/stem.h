#pragma once
/// A stem or blade along its length: where it goes on that was not seen to be one.

#include <Eigen/Dense>
#include <optional>

#include "burst/depth_tiles.h"

namespace ringsweep {

/// The way, of length 1 in rows and columns, along which a set of tiles is longest.
[[nodiscard]] Eigen::Vector2d longest_way(const DepthTiles& field, const Tiles& tiles);

/// From place to place along it a stem lies, across and in depth, as a straight line through what
/// is known of it nearby; it is as thick as what is known.
class Stem {
 public:
  /// @param known  tiles of it, at least one; what `field` is must outlive it
  Stem(const DepthTiles& field, const Tiles& known);

  /// Much longer than it is thick, and no hair: else nothing is known of where it goes on.
  [[nodiscard]] bool is_one() const;

  /// The candidates that lie on it, beside what is known and beyond, outward from its middle: each
  /// that is found leads on.
  /// @param off_px  how far their depths may be from its own
  [[nodiscard]] Tiles follow(Tiles candidates, double off_px);

 private:
  struct Point {
    double across = 0.0;  ///< tiles
    double q_px = 0.0;
  };

  [[nodiscard]] Eigen::Vector2d place(std::size_t t) const;
  /// Nothing where too little is known nearby.
  [[nodiscard]] std::optional<Point> at(double along) const;

  const DepthTiles& field_;
  Tiles tiles_;
  Eigen::Vector2d along_;  // of length 1, as across_
  Eigen::Vector2d across_;
  double low_ = 0.0, high_ = 0.0;  // along it, tiles
  double half_ = 0.0;              // its thickness, tiles
};

}  // namespace ringsweep
