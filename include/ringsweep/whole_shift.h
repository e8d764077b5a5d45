#pragma once
/// Whole shifts: where the whole picture jumped between two frames, as when the clamp gives way,
/// the tripod is touched or the stem swings. Alignment takes that away, so it is no movement of a
/// part, and spoils nothing but the picture's edge.

#include <cstddef>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

/// The picture lies elsewhere than in the frame before.
struct WholeShift {
  std::size_t frame = 0;  ///< the first that shows it, index in capture order
  double shift_px = 0.0;  ///< full-size px; what the turning ring does is taken off
};

/// Looks for jumps within the sweeps: between two of them a hand takes a new grip.
///
/// Turning the ring shifts the picture as well, in proportion to the focal position (a tilted
/// mount), and a hand that holds the camera shifts it in every frame. So a jump is a step that is
/// large beside most others: beyond the line over the positions (median of slopes: H. Theil,
/// Proc. Kon. Ned. Akad. Wet. A 53, 1950, P. K. Sen, J. Am. Stat. Assoc. 63, 1968, both from
/// memory) by more than `least_px` and six times the scatter of three quarters of them. Which
/// moved, the camera or all that it looks at, nothing in the picture tells where no background is
/// seen.
/// @param middle_px  N, where what is in the middle of the reference frame lies in each frame,
/// full-size px; of frames that are not usable it is not asked
/// @param least_px  > 0
/// @return by frame
/// @throws std::invalid_argument where there are not as many places as frames
[[nodiscard]] std::vector<WholeShift> find_whole_shifts(const FocalPositions& focus,
                                                        std::span<const SweepRange> sweeps,
                                                        std::span<const cv::Vec2d> middle_px,
                                                        double least_px);

}  // namespace ringsweep
