#pragma once
/// A row of tiles whose shifts are given.

#include <cstddef>

#include "burst/tile_fields.h"

namespace ringsweep {

/// A row of tiles in frames in which all of them are sharp.
struct TileRow {
  TileRow(std::size_t num_tiles, std::size_t num_frames) {
    profiles.num_frames = num_frames;
    profiles.tiles.resize(num_tiles);
    focus.frames.resize(num_frames);
    focus.tiles.resize(num_tiles);
    burst.tile_at = cv::Mat(1, static_cast<int>(num_tiles), CV_32SC1);
    for (std::size_t t = 0; t < num_tiles; ++t) {
      profiles.tiles[t].col = static_cast<int>(t);
      burst.tile_at.at<int>(0, static_cast<int>(t)) = static_cast<int>(t);
    }
    for (std::size_t k = 0; k < num_frames; ++k) {
      burst.order.push_back(k);
      burst.q_px.push_back(0.0);
      burst.sweep.push_back(0);
      if (k == 0) continue;
      burst.pairs.push_back({.first = k - 1, .second = k});
      burst.fields.emplace_back(num_tiles);
    }
  }
  TileRow(const TileRow&) = delete;  // what is looked at refers to the rest
  void see(std::size_t pair, std::size_t tile, double shift_px) {
    const double before = shift_px * shift_px;
    burst.fields[pair][tile] = {.known = true,
                                .shift = {shift_px, 0.0},
                                .information = {100.0, 0.0, 100.0},
                                .before = before,
                                .after = 0.01 * before};
  }
  Profiles profiles{};
  FocalPositions focus{};
  TileFields burst{.profiles = profiles, .focus = focus};
};

}  // namespace ringsweep
