#pragma once
/// The truth of a burst, computed from its optics: what an analysis ought to find.

#include <cstddef>
#include <nlohmann/json_fwd.hpp>
#include <span>
#include <string>
#include <vector>

#include "maker/recipe.h"
#include "maker/stage.h"

namespace ringsweep::maker {

/// Blur limit and allowed step of the verdict, px.
inline constexpr double kBlurLimitPx = 2.0;
inline constexpr double kAllowedStepPx = 2.0 * kBlurLimitPx;
/// Step that the ring is to be turned by, px: DESIGN, turn_factor.
inline constexpr double kAimedPx = 0.75 * kAllowedStepPx;
/// A frame is dark from here on, EV; dim from kDimEv on, and of no use below kFaintEv.
inline constexpr double kDarkEv = -2.5;
inline constexpr double kFaintEv = -1.5;
inline constexpr double kDimEv = -0.7;
/// Motion blur of this length, px, makes a frame shaken, and of no use.
inline constexpr double kShakenPx = kBlurLimitPx;
/// A drop is neither due nor false where less of it is seen, or where no usable frame before or
/// none after comes nearer than kDropReachPx to its focus.
inline constexpr double kDropVisible = 0.3;
inline constexpr double kDropReachPx = 6.0;
/// A part that goes to and fro is shown by the frames that blur its middle by up to this, px, and
/// by so many at least.
inline constexpr double kTrembleReachPx = 4.0;
inline constexpr std::size_t kFewestPlaces = 7;
/// Shares of a moved part that must be sharp both before and after for a conflict.
inline constexpr double kConflictShare = 0.05;
/// Share of the subject that makes a frame lie on it, and share that makes a wide step a gap.
inline constexpr double kOnSubjectShare = 0.005;
inline constexpr double kGapShare = 0.002;
/// From this share on a gap makes a reshoot; less is a soft place.
inline constexpr double kGapShareThatCounts = 0.01;
/// An open far end makes a reshoot where this share of the subject lies beyond it; less is a note.
inline constexpr double kFarShare = 0.25;

/// truth.json, format "burst-truth", version 1; its fields stand in sample-bursts/README.md. Focal
/// positions are px of blur at the burst's middle scale, the geometric mean of the largest and the
/// smallest scale of the frames that are not dark, with the recipe's pupil; a frame through another
/// one has `blur`, its diameter over that, and is sharp up to the blur limit of its own, by which
/// widest_step_px is counted, too. Usable: lit, whole, neither shaken nor dim below kFaintEv.
///
/// gaps: two neighbouring positions of usable frames, more than the allowed step apart, with at
/// least kGapShare of the subject between them farther than the blur limit from all of them. ends:
/// beyond_px is how far the subject (0.5 and 99.5 %) reaches past the last usable frame on that
/// side; open if that is more than the blur limit. verdict: reshoot for an open near end, a gap of
/// kGapShareThatCounts, or a far end with kFarShare beyond it. turn_factor: three quarters of the
/// allowed step over the largest step between consecutive frames of a sweep that are both on the
/// subject or have it between them, dark ones included, since the ring turned for them too; null
/// without such frames. frames_for_same_turn: the frames of that sweep on the subject over it.
/// widest_step_px: between neighbouring usable frames in order of depth that have
/// kGapShareThatCounts of the subject between them; null without such frames.
///
/// A part that moved, or a drop that went, is a conflict where it is within the blur limit in
/// usable frames both before and after (a part: by kConflictShare of it, and moved by more than the
/// blur limit). Then the verdict is complete-without where the frames between two conflicts alone
/// cover the subject, else reshoot. How far a part goes to and fro is twice the sd of its places in
/// the usable frames that show it, from the last before it begins: the places are drawn anew in
/// each frame, and these few are what pictures can tell, not the sd with which they are drawn.
[[nodiscard]] nlohmann::json truth_of(const Recipe& recipe, const std::vector<FramePlan>& plans,
                                      const Sight& sight);

}  // namespace ringsweep::maker
