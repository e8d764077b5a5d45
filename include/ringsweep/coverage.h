#pragma once
/// Coverage: the depths of the subject that no usable frame shows sharp.
///
/// A point at q_t is a disc of |q_k - q_t| px in a frame at q_k (focal_positions.h). Midway between
/// two frames s apart that disc is s / 2, so everything between them is sharp if and only if
/// s <= 2 b, b being the blur limit. In lens terms 2 b is the depth of focus, +-B N:
/// W. J. Smith, Modern Optical Engineering, p. 187, eq. (9.8).

#include <cstddef>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

struct CoverageOptions {
  double blur_limit_px = 2.0;        ///< largest disc that counts as sharp, diameter; > 0
  double min_subject_share = 0.002;  ///< 0..1; fewer tiles in a hole are noise, not subject
  /// What makes a gap more than a soft place: it is wider than the allowed step with this
  /// probability, wider than `least_width_px` (twice the lens's own blur, which no step removes),
  /// and holds this share of the subject; 0 where the user said what the subject is.
  double sure = 0.95;
  double least_width_px = 0.0;
  double gap_share = 0.01;
  /// Of what an end may lie beyond the limit by error, and is not open yet. 0: open as soon as that
  /// is likelier than not, where other frames show what is missing.
  double end_doubt = 1.0;
};

struct Gap {
  std::size_t lower = 0;       ///< frame, index in capture order, at the smaller position
  std::size_t upper = 0;       ///< frame at the larger position
  double width_px = 0.0;       ///< distance between the two
  double width_sd_px = 0.0;    ///< 1 sigma, covariance of the two and the scale's sd included
  double subject_share = 0.0;  ///< share of the subject sharp in no usable frame, inside this gap
  double probability = 0.0;    ///< that it is wider than the allowed step, 0..1
  bool soft = false;           ///< a note only: see CoverageOptions
  cv::Rect box_px{};  ///< around it, full-size upright px of the reference frame; empty: not placed
};

/// One end of the sweep. `low` is the end of the smaller positions.
struct End {
  bool low = true;
  /// Beyond the blur limit with probability 0.95, or by a quarter of it where the sd is large.
  bool open = false;
  double beyond_px = 0.0;  ///< from the outermost usable frame to the subject's end; >= 0; beyond
                           ///< the whole sweep no more than SubjectOptions::reach_px
  double beyond_sd_px = 0.0;
  double subject_share = 0.0;  ///< share of the subject beyond the blur limit from that frame
  /// Beyond the frame the subject is about as dense where the blur limit ends as where it begins:
  /// it goes on, or is cut off where what shows the rest passes for something else.
  bool cut_off = false;
  /// So many lights lie beyond it that it is open, and as far as `beyond_px` tells: lights.h. 0: it
  /// is not open for these.
  std::size_t lights = 0;
  std::size_t frame = 0;  ///< the outermost usable frame, index in capture order
  cv::Rect box_px{};      ///< around what lies beyond, as in Gap
};

/// Two neighbouring usable frames, as near as they may be.
struct Step {
  std::size_t lower = 0;     ///< as in Gap
  std::size_t upper = 0;     ///< as in Gap
  double width_px = 0.0;     ///< distance between the two
  double width_sd_px = 0.0;  ///< as in Gap
  /// Share of the subject that neither would show sharp were the blur limit 0.85 of what it is: of
  /// a step that is nearly a gap.
  double nearly_missed_share = 0.0;
};

struct Coverage {
  std::vector<Gap> gaps{};      ///< by rising position
  std::vector<Step> steps{};    ///< by rising position, all that reach into the subject
  std::vector<End> ends{};      ///< two where there is a subject, else none
  double subject_low_px = 0.0;  ///< ends of the subject
  double subject_high_px = 0.0;
  bool has_subject = false;
};

/// Gaps in the coverage, by rising position.
/// @param focus       positions of N frames; frames that are not usable cover nothing.
/// @param subject_px  M focal positions of subject tiles, any order. Empty: no subject, no gap.
/// @throws std::invalid_argument  blur_limit_px <= 0: a caller's mistake.
/// Cost O(N log N + M log M).
[[nodiscard]] std::vector<Gap> find_gaps(const FocalPositions& focus,
                                         std::span<const double> subject_px,
                                         const CoverageOptions& options);

/// Gaps, ends and extent of the subject together. Same inputs and errors as find_gaps.
[[nodiscard]] Coverage assess_coverage(const FocalPositions& focus,
                                       std::span<const double> subject_px,
                                       const CoverageOptions& options);

}  // namespace ringsweep
