#pragma once
/// The tiles of a burst on their grid, each with its depth: neighbours, connected pieces,
/// thickness.

#include <algorithm>
#include <cstddef>
#include <limits>
#include <opencv2/core.hpp>
#include <utility>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"
#include "ringsweep/subject.h"

namespace ringsweep {

using Tiles = std::vector<std::size_t>;  ///< indices, order of the profiles' tiles

class DepthTiles {
 public:
  static constexpr int kLinkTiles = 3;  ///< pieces this far apart belong together

  /// What it is made of must outlive it.
  /// @param all_see CV_8UC1, grid rows x cols, 255 where all frames see the tile; empty: all of it
  DepthTiles(const Profiles& profiles, const FocalPositions& focus, const cv::Mat& all_see,
             const SubjectOptions& options);

  [[nodiscard]] std::size_t count() const { return tiles_.size(); }
  [[nodiscard]] double q(std::size_t t) const { return focus_.tiles[t].q_px; }
  [[nodiscard]] bool at_border(std::size_t t) const { return border_[t]; }
  /// Near to it: where a set's thickness at the border is taken.
  [[nodiscard]] bool in_border_zone(std::size_t t) const { return zone_[t]; }
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

  /// Connected sets of the tiles for which `in` holds: near each other, and about as deep.
  [[nodiscard]] std::vector<Tiles> pieces(const std::vector<bool>& in) const {
    return linked(in, kLinkTiles, kLinkPx);
  }
  /// Sets of them that touch, however deep each is.
  [[nodiscard]] std::vector<Tiles> touching(const std::vector<bool>& in) const {
    return linked(in, 1, std::numeric_limits<double>::infinity());
  }

  [[nodiscard]] bool reaches_border(const Tiles& piece) const;

  /// Those of the tiles that lie where the set is more than twice as thick as at the border: a stem
  /// or a leaf leaves the picture as thick as it is, an animal does not leave it, or by a feeler.
  /// @param ends  of them, that count as the border too
  [[nodiscard]] Tiles thick(const Tiles& tiles, const Tiles& ends = {}) const;

  /// Tiles that are sure of their depth and share it with their neighbours.
  [[nodiscard]] std::vector<bool> supported() const;

 private:
  static constexpr int kNone = -1;
  static constexpr double kLinkPx = 4.0;  // depths of pieces that belong together differ by no more

  [[nodiscard]] std::vector<Tiles> linked(const std::vector<bool>& in, int reach,
                                          double within_px) const;
  [[nodiscard]] bool near_border(const TileProfile& t, const cv::Mat& all_see, int reach) const;

  const std::vector<TileProfile>& tiles_;
  const FocalPositions& focus_;
  const SubjectOptions& options_;
  cv::Mat at_;  // CV_32SC1, the index of the tile there
  std::vector<bool> border_;
  std::vector<bool> zone_;
};

}  // namespace ringsweep
