#pragma once
/// What runs out of the picture: stem, blade, leaf or seed-head, on which the animal sits.

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "burst/depth_tiles.h"
#include "burst/perch_surfaces.h"

namespace ringsweep {

struct Perch {
  std::vector<Surface> surfaces{};
  std::vector<bool> holds{};  ///< of each tile: on a surface or a band, or where a band goes on
  double off_px = 0.0;        ///< it keeps this close to the shapes of its surfaces

  /// Beside a surface it bends a little; elsewhere its shape goes on through thin air.
  [[nodiscard]] bool is_beside(std::size_t t, const DepthTiles& field) const;
  /// A wide surface goes on from tile to tile, however far from its shape that is.
  /// @param held    of each tile: perch so far; @param err_px  by which the tile's depth may be off
  [[nodiscard]] bool goes_on_at(std::size_t t, const DepthTiles& field,
                                const std::vector<bool>& held, double err_px) const;
  /// In a surface's shape, and too thick for it.
  [[nodiscard]] bool is_thick(std::size_t t) const;
};

/// @param supported  DepthTiles::supported()
/// @param bands      find_bands(); may be empty
/// @param low_px, high_px  the sweep's lowest position and its highest
[[nodiscard]] Perch find_perch(const DepthTiles& field, const std::vector<bool>& supported,
                               const cv::Mat& bands, double low_px, double high_px,
                               const SubjectOptions& options);

}  // namespace ringsweep
