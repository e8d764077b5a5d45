#pragma once
/// Where the lens stands against the subject: still while only the sensor moves, nearer with every
/// mm of extension where the body is what stands still.
///
/// Focal positions "as seen from v_ref" name a plane of the subject by what it would be in a frame
/// whose lens stands where it does at v_ref. They are linear in 1 / distance, so a lens that moves
/// is a projective map of the scene's space (scene.h).

#include "maker/recipe.h"
#include "maker/scene.h"

namespace ringsweep::maker {

/// How far the lens has come towards the subject since v_ref, mm.
[[nodiscard]] double lens_forward_mm(const Optics& optics, double v_mm);

/// Distance from the lens at v_ref of a focal position as seen from there, mm.
[[nodiscard]] double distance_mm(const Optics& optics, double q_px);

/// Of the plane on which a frame at image distance v focuses, as seen from v_ref, px of blur.
[[nodiscard]] double focused_q_px(const Optics& optics, double v_mm);

/// Image distance of the frame that focuses there: focused_q_px solved for v. With the body fixed
/// the sum of object and image distance is given, v^2 - S v + S f = 0, and its root on the side of
/// life size on which v_ref is.
/// @throws std::invalid_argument  the ring cannot reach it: beyond life size's nearest plane
[[nodiscard]] double image_distance_at(const Optics& optics, double q_px);

/// By how much the sensor's picture of what the lens sees is larger than at v_ref, inner focusing
/// included.
[[nodiscard]] double sensor_scale(const Optics& optics, double v_mm);

/// By how much the picture of what is at depth 0 is larger than at v_ref, the nearer viewpoint
/// included: what registration sees.
[[nodiscard]] double picture_scale(const Optics& optics, double v_mm);

/// Px of blur of a frame brought to scale 1 per px between focal positions as seen from v_ref, near
/// the one that is in focus: 1 as long as the lens stays. Blur circles between planes a and b are
/// s_a s_b |q_a - q_b|, s = distance from the lens at v_ref / from the lens now.
[[nodiscard]] double blur_per_q(const Optics& optics, double q_px);

/// What that makes of the scene.
/// @param nearer_mm  how far the viewpoint has come nearer since v_ref, or the subject has
/// @param q_per_u    px of blur per u of depth at v_ref
[[nodiscard]] Approach approach(const Optics& optics, double nearer_mm, double q_per_u);

}  // namespace ringsweep::maker
