#pragma once
/// The truth of a burst, computed from its optics: what an analysis ought to find.

#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string>
#include <vector>

#include "maker/recipe.h"

namespace ringsweep::maker {

/// Blur limit and allowed step of the verdict, px.
inline constexpr double kBlurLimitPx = 2.0;
inline constexpr double kAllowedStepPx = 2.0 * kBlurLimitPx;
/// A frame is dark from here on, EV; dim from kDimEv on.
inline constexpr double kDarkEv = -2.5;
inline constexpr double kDimEv = -0.7;
/// Share of the subject that makes a frame lie on it, and share that makes a wide step a gap.
inline constexpr double kOnSubjectShare = 0.005;
inline constexpr double kGapShare = 0.002;

/// truth.json, format "burst-truth", version 1. Focal positions are px of blur at the scale
/// v_0 = sqrt(v_min v_max) of the frames that are not dark: (D v_0 / p) (1/v_0 - 1/v).
///
/// gaps: two neighbouring positions of frames that are not dark, more than the allowed step apart,
/// with at least kGapShare of the subject between them farther than the blur limit from all of
/// them. ends: beyond_px is how far the subject (0.5 and 99.5 %) reaches past the last frame on
/// that side; open if that is more than the blur limit. turn_factor: three quarters of the allowed
/// step over the largest step between consecutive frames that are both on the subject, dark ones
/// included, since the ring turned for them too; null without such frames.
/// @param subject_q_px  focal positions of the subject's pixels at v_ref, rising
[[nodiscard]] nlohmann::json truth_of(const Recipe& recipe, const std::vector<FramePlan>& plans,
                                      std::span<const float> subject_q_px);

}  // namespace ringsweep::maker
