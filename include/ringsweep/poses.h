#pragma once
/// Poses: the frames of a burst between which there is no conflict, and what that makes of the
/// verdict. A stack of two poses shows twice what moved in between.

#include <cstddef>
#include <span>
#include <vector>

#include "ringsweep/coverage.h"
#include "ringsweep/drops.h"
#include "ringsweep/movement.h"
#include "ringsweep/verdict.h"

namespace ringsweep {

/// The conflicts of both, a reason each: lost drops by event, then parts that moved.
[[nodiscard]] std::vector<Reason> conflict_reasons(const Movement& movement, const Drops& drops);

/// What changed is told once: what is on a part that moved went with it, and a drop that went, came
/// or rolled is no part that moved.
/// @param drops  placed: in px of the parts' boxes
void part_drops_and_movement(Movement& movement, Drops& drops);

/// The number of each frame's pose, from 0: how many of these lie at or before it.
/// @param conflicts  first frames after a conflict, any order, some maybe twice.
[[nodiscard]] std::vector<std::size_t> number_poses(std::size_t num_frames,
                                                    std::span<const std::size_t> conflicts);

/// Of what the frames of one pose show, the ends at which they lose more of the subject than all
/// frames do. What the whole burst shows was meant, even where the subject is not known.
/// @param share  so much more of the subject at an end, and no less, is a loss
[[nodiscard]] std::vector<End> ends_lost(const Coverage& pose, const Coverage& all, double share);

/// One pose, judged by itself.
struct PoseJudged {
  Verdict verdict{};           ///< of its frames alone
  double subject_share = 0.0;  ///< of the subject, sharp in one of its usable frames
  std::size_t usable = 0;      ///< frames
};

/// The pose that covers most: a complete one if there is one, then by share, then by frames, then
/// the first.
/// @param poses not empty
[[nodiscard]] std::size_t best_pose(std::span<const PoseJudged> poses);

/// What is left of the verdict on all frames together: complete-without where one pose alone is
/// complete, its reason first; else a reshoot, for the conflicts beside what was missing before.
/// @param conflicts a reason each; none: nothing changes
[[nodiscard]] Verdict decide_with_conflicts(Verdict all, std::span<const Reason> conflicts,
                                            std::span<const PoseJudged> poses);

}  // namespace ringsweep
