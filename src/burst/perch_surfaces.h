#pragma once
/// Surfaces that go through the picture: planes, in picture and depth, of leaves and blades, and
/// strips along seed-heads and stems.

#include <cstddef>
#include <cstdint>
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

/// Where the sweep ends in depth: near its lowest position or beyond, or its highest.
enum class Fading : std::uint8_t { no, low, high };

/// Surfaces that reach the picture's border, and strips of which no end is to be seen: each of
/// theirs lies at the border, or goes on into depth that the sweep did not reach. An animal ends
/// somewhere.
/// @param among  of each tile: whether it may lie on one
/// @param fades  of each tile
/// @param off_px how close to its plane a surface keeps
/// Same input, same result: the random triples come from SubjectOptions::seed.
[[nodiscard]] std::vector<Surface> surfaces_through_picture(const DepthTiles& field,
                                                            std::vector<bool> among,
                                                            const std::vector<Fading>& fades,
                                                            double off_px,
                                                            const SubjectOptions& options);

}  // namespace ringsweep
