#pragma once
/// Movement of the subject: which part of it is elsewhere, from which frame on, how far, and
/// whether that matters to a stack.

#include <cstddef>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/changed_place.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/for_each.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/profiles.h"
#include "ringsweep/subject.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

enum class MoveKind {
  stays,       ///< moved once and is elsewhere from then on
  drifts,      ///< moves on and on, evenly
  to_and_fro,  ///< about its place
};

/// A part of the subject that moved against the rest.
struct MovedPart {
  MoveKind kind = MoveKind::stays;
  std::size_t frame = 0;             ///< the first in which it is elsewhere, index in capture order
  std::vector<std::size_t> tiles{};  ///< that show it, order of the profiles' tiles
  std::vector<std::size_t> own{};    ///< those that show nothing else; empty: not known, all
  std::vector<std::size_t> moves{};  ///< to_and_fro: frames before which it moved, rising
  cv::Rect2d box_on_grid{};  ///< around it where it is from then on, px of the grid's picture
  cv::Rect box_px{};         ///< the same as in Gap, once the analysis has placed it
  /// 90th percentile over its tiles, full-size px of the middle scale; to_and_fro: of twice the sd
  /// of their places.
  double shift_px = 0.0;
  double shift_sd_px = 0.0;  ///< 1 sigma of that
  /// Share of its tiles within the blur limit of a usable frame before, and from `frame` on:
  /// find_conflicts().
  double sharp_before = 0.0;
  double sharp_after = 0.0;
  bool conflict =
      false;  ///< DESIGN section 2: moved by more than the blur limit, sharp on both sides
  /// Enough of it is within the blur limit before and after for a stack to show both; less is a
  /// rim, or an error of the positions. Ours, no source.
  [[nodiscard]] bool sharp_on_both_sides() const {
    constexpr double kEnough = 0.05;
    return sharp_before >= kEnough && sharp_after >= kEnough;
  }
};

/// A part that is larger or smaller about its middle from one sweep to the next, as drops are on
/// which dew settles: no movement.
struct GrownPart {
  std::size_t sweep = 0;  ///< the first that shows it so
};

struct Movement {
  bool looked = false;             ///< false: not enough frames to tell
  std::vector<MovedPart> parts{};  ///< by frame
  std::vector<GrownPart> grown{};
  std::vector<ChangedPlace> changed{};  ///< by frame; not where a part moved
  /// One a sweep: how far the subject's front is displaced against its back (90 % against 10 % of
  /// its depth) since the first sweep, full-size px: camera or subject were bumped, and the
  /// viewpoint is another one. Median over pairs of frames that focus alike; 0 for the first.
  std::vector<double> parallax_px{};
};

struct MovementOptions {
  double blur_limit_px = 2.0;  ///< > 0
  /// Chance of a first sign of movement in one burst in which nothing moves, over all its tiles
  /// and frames together (Bonferroni); what is told needs more than that.
  double false_alarm = 0.01;
  double least_shift_px = 0.5;  ///< less is not told: about ten times the error of a tile
  /// One a sweep, groups_lit_alike(): sweeps of other light are not compared. Empty: all are alike.
  std::vector<std::size_t> lit_alike{};
};

/// Looks for parts that moved.
///
/// Registered frames are compared in pairs, tile by tile, where a tile is similarly and little
/// blurred in both (tile_shifts.h). What is smooth over the picture is no movement of the
/// subject and is taken off each pair: shift, rotation, scale, and parallax, which goes with depth.
/// What is left has the scatter that tiles of this burst show where nothing moves.
///
/// For each frame and tile the pairs that lie on both sides of it are put together into one shift
/// and its chi squared (generalised likelihood ratio of a step: D. V. Hinkley, Biometrika 57, 1970,
/// from memory). Signs begin where that is beyond the Bonferroni bound over all tiles and frames,
/// and grow over neighbours that moved alike. Then the place of the whole patch in each frame is
/// solved for from all pairs: a part that moved once stands still, jumps, and stands still; one
/// that drifts follows a straight line; what glides with the focus (edges of blurred things in
/// front) does neither, nor does the shift explain how the pictures differ.
/// Parts that go to and fro are found between neighbours in time alone.
/// @param read  frames on the grid; asked for usable ones, once each.
/// @throws std::invalid_argument  blur_limit_px <= 0
/// Cost O(frames x px of the grid).
[[nodiscard]] Movement find_movement(const Profiles& profiles, const FocalPositions& focus,
                                     std::span<const SweepRange> sweeps,
                                     const ReadPackedPicture& read,
                                     const MovementOptions& options = {},
                                     const ForEach& for_each = for_each_in_order);

/// Says of each part that moved whether that matters to a stack. Takes out those that hardly a
/// frame shows sharp on one of the sides and that moved as the ring jumped by more than the allowed
/// step: so much blur at once looks like movement as well (of 14 such parts in 315 bursts in which
/// nothing moved 9 were of this kind), and no stack shows them twice.
/// What is not wanted may move: a stack that ends where the animal does shows it blurred. And of
/// what has not one tile whose depth its neighbours share, nothing tells which frames show it.
/// @param focus  of the burst; frames that are not usable show nothing
/// @param roles  of its tiles: Subject::roles
void find_conflicts(Movement& movement, const FocalPositions& focus,
                    std::span<const TileRole> roles, double blur_limit_px);

}  // namespace ringsweep
