#pragma once
/// Drops: which water drops were lost between frames, and which came.
///
/// A drop shows the lights as small bright spots. Under defocus a spot becomes a disc of diameter
/// |q_k - q_h|, and keeps its flux unless it clips (M. Born, E. Wolf, Principles of Optics, section
/// 8.8, from memory); q_h is its own, since a glint lies at another depth than the drop. So two
/// frames at q_j and q_k show the same spot alike once the sharper one is blurred by what the other
/// one has more, in second moment (q_j^2 - q_k^2) / 16: what lies around it cancels then, too, be
/// it a body's texture or a neighbour's disc. The share of the spot that is left of what the frames
/// in which it is seen make expected is 1 while it is there and about 0 once it is gone, whatever
/// the blur. Its sd comes from how well the surroundings agree.
///
/// q_h is found from how the spot's share and size go from frame to frame, and from the depth of
/// what is around it; a spot that clips keeps its share far out of focus, so its size tells more.
///
/// Frames vote with the log-likelihood ratio gone / there, neighbouring frames not as if they were
/// independent: no more than four count on either side, and two there must be. A wide disc holds
/// neighbours, too: what a frame far out of focus says against sharp ones does not count. Lights of
/// one drop may disagree by a few frames about when it went. What fades because
/// the lens moves on, glides behind an edge, moves with its part, or goes in many small things at
/// many times is no loss.
///
/// A drop whose light is weak beside what is around it is told by its whole picture, at places that
/// are another picture from a frame on (ChangedPlace): what differs there between the two frames,
/// blurred alike, must be round, with its surroundings as they were, and the frames before and
/// after must show the same. Which side had the drop the brighter light tells.

#include <cstddef>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/changed_place.h"
#include "ringsweep/for_each.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/spot_light.h"

namespace ringsweep {

/// A frame as the drops see it.
struct DropFrame {
  double q_px = 0.0;  ///< where it focuses, px of blur of the grid's picture
  bool usable = false;
};

enum class DropFate {
  gone,    ///< fell, was wiped, dried, or ran together with another
  rolled,  ///< one like it is nearby from then on
  came     ///< was not there before
};

/// A drop that was lost, or came.
struct DropChange {
  DropFate fate = DropFate::gone;
  /// Px of the grid; in an analysis full-size px of the upright reference frame. So are the
  /// lengths.
  cv::Point2d at{};
  double radius_px = 0.0;     ///< of a disc as large as what has changed
  double reach_px = 0.0;      ///< how far that extends from its middle
  double q_px = 0.0;          ///< where it is sharp, px of blur
  std::size_t before = 0;     ///< last frame that tells the state before
  std::size_t after = 0;      ///< first frame that tells the state after
  double probability = 0.0;   ///< 0..1
  double log_odds = 0.0;      ///< log-likelihood ratio, gone / there
  double height = 0.0;        ///< of its brightest spot, as in Spot
  bool over_another = false;  ///< it lay, or from then on lies, before a light like its own
  bool conflict = false;      ///< lost, and wanted on both sides: DESIGN section 2
};

struct Drops {
  bool looked = false;
  std::size_t tracked = 0;             ///< drops that were followed through the burst
  std::vector<DropChange> lost{};      ///< by frame, then by row
  std::vector<DropChange> appeared{};  ///< the same
};

/// Drops that went at once: a wipe, a jolt.
struct DropEvent {
  std::size_t before = 0;  ///< as in DropChange, of all of them
  std::size_t after = 0;
  std::size_t count = 0;
  cv::Rect box_px{};  ///< around them, px of DropChange::at
  bool conflict = false;
};

/// @param changes  by frame, as in Drops.
/// @return by frame; those that one thing can have done together are one.
[[nodiscard]] std::vector<DropEvent> drop_events(std::span<const DropChange> changes);

/// Whether a usable frame on either side of the change is within the blur limit of the drop.
/// @param frames N; px, and so the limit, of the drop's `q_px`.
[[nodiscard]] bool sharp_on_both_sides(const DropChange& drop, std::span<const DropFrame> frames,
                                       double blur_limit_px);

/// @param frames    N, capture order.
/// @param pictures  N, on the grid; empty for frames that were not measured.
/// @param spots     N, of find_spots().
/// @param changed   what movement found; empty: drops are told by their lights alone
/// @param tile_q_px CV_32FC1, depth of the grid's tiles, NaN where not known; px as `q_px`.
/// @param tile_px   edge of a tile, > 0
/// @throws std::invalid_argument where there are not N of each.
/// Cost O(spots x frames).
[[nodiscard]] Drops find_drops(std::span<const DropFrame> frames,
                               std::span<const PackedPicture> pictures,
                               std::span<const std::vector<Spot>> spots,
                               std::span<const ChangedPlace> changed, const cv::Mat& tile_q_px,
                               int tile_px, const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
