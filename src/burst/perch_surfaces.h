#pragma once
/// Surfaces that go through the picture: those of leaves and blades, planes in picture and depth or
/// bent a little, and strips along seed-heads and stems.

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "burst/depth_tiles.h"

namespace ringsweep {

/// Depth over the picture, q = of[0] + of[1] row + of[2] col: a plane. Where it is bent there is
/// more: + of[3] row^2 + of[4] row col + of[5] col^2.
struct Shape {
  std::array<double, 6> of{};
  [[nodiscard]] double q_px(const TileProfile& tile) const;
};

/// A surface, and the tiles that lie on it.
struct Surface {
  Shape shape{};
  Tiles tiles{};      ///< without the thick ones
  Tiles thick{};      ///< too thick for a perch, by rising index: an animal lies in the same plane
  bool wide = false;  ///< a leaf that fills much of the picture
  [[nodiscard]] bool is_thick(std::size_t t) const;
  /// How much larger a tile's position is than the shape's there.
  [[nodiscard]] double above_px(const DepthTiles& field, std::size_t t) const;
};

/// Where the sweep ends in depth: near its lowest position or beyond, or its highest.
enum class Fading : std::uint8_t { no, low, high };

/// Surfaces that reach the picture's border, and strips of which no end is to be seen: each of
/// theirs lies at the border, or goes on into depth that the sweep did not reach. An animal ends
/// somewhere.
/// @param among  of each tile: whether it may lie on one
/// @param fades  of each tile
/// @param off_px how close to its shape a surface keeps
/// Same input, same result: the random triples come from SubjectOptions::seed.
[[nodiscard]] std::vector<Surface> surfaces_through_picture(const DepthTiles& field,
                                                            std::vector<bool> among,
                                                            const std::vector<Fading>& fades,
                                                            double off_px,
                                                            const SubjectOptions& options);

}  // namespace ringsweep
