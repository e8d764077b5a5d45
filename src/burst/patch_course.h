#pragma once
/// Courses: where a patch of tiles is in each frame, and whether that is movement.

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "burst/tile_fields.h"
#include "ringsweep/movement.h"

namespace ringsweep {

/// Tiles that moved alike at one frame.
struct Patch {
  std::size_t c = 0;
  std::vector<std::size_t> tiles{};
  std::vector<cv::Vec2d> shift{};
  double score = 0.0;
};

/// What a part that trembles does between neighbours in time, as its tiles say together.
struct TremorStep {
  std::size_t pair = 0;  ///< of the fields; its second frame is the next
  double px = 0.0;       ///< along the part's way
  double blur_px = 0.0;  ///< of the less sharp of both frames
};

/// A part that moved, and how.
struct Found {
  MoveKind kind = MoveKind::stays;
  std::size_t c = 0;
  std::vector<std::size_t> tiles{};
  std::vector<double> course{};            ///< of each frame: 0 before, 1 at its end
  std::vector<cv::Vec2d> shift{};          ///< of each tile at the end of the course
  std::vector<Information> information{};  ///< of each
  std::vector<std::size_t> moves{};        ///< frames before which it moved, of what trembles
  std::vector<TremorStep> steps{};         ///< of what trembles, in time, where it is sharp
  /// How far it moved before ground that stands still, px; 0 where no two layers are told apart.
  double before_ground_px = 0.0;
  double explained = 0.0;          ///< as in PartShift
  std::vector<std::size_t> own{};  ///< tiles that show the part itself; empty: all
};

/// Whether a patch moved, and how; or what else looks like it.
struct Judged {
  std::vector<Found> found{};
  bool glides = false;  ///< from the first frame on, as what the viewpoint shifts does
};

/// Whether a patch moved, and how; or what else looks like it.
/// Thresholds are ours, no source: on made bursts with known movement real steps have shares of
/// 0.85 to 1.00, jumps of 0.9 to 1.25 and explain half or more of the pictures' difference; what is
/// no movement has one of these clearly less.
[[nodiscard]] Judged judge(const TileFields& burst, const Patch& patch);

}  // namespace ringsweep
