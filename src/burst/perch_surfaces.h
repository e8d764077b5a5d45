#pragma once
/// Surfaces that go through the picture: planes, in picture and depth, of leaves and blades.

#include <cstddef>
#include <vector>

#include "burst/depth_tiles.h"

namespace ringsweep {

/// q = a row + b col + c.
struct Plane {
  double a = 0.0, b = 0.0, c = 0.0;
  [[nodiscard]] double off_px(const TileProfile& tile, double q) const;
};

/// A plane, and the tiles that lie on it.
struct Surface {
  Plane plane{};
  Tiles tiles{};  ///< without the thick ones
  Tiles thick{};  ///< too thick for a perch, by rising index: an animal lies in the same plane
  [[nodiscard]] bool is_thick(std::size_t t) const;
};

/// Surfaces that reach the picture's border. What random triples find differs from draw to draw
/// where a surface is but nearly a plane: of several draws the one that finds least, since what is
/// in doubt is subject.
/// @param among  of each tile: whether it may lie on one
/// @param off_px how close to its plane a surface keeps
/// Same input, same result: the random triples come from SubjectOptions::seed.
[[nodiscard]] std::vector<Surface> surfaces_through_picture(const DepthTiles& field,
                                                            const std::vector<bool>& among,
                                                            double off_px,
                                                            const SubjectOptions& options);

}  // namespace ringsweep
