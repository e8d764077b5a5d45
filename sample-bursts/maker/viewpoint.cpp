#include "maker/viewpoint.h"

#include <cmath>
#include <stdexcept>

#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

/// 1 / distance per px of focal position.
double nearness_per_px(const Optics& o) { return o.pitch_mm / (o.pupil_mm * o.v_ref_mm); }

double distance_now(const Optics& o, double v_mm) {
  return image_distance_mm(o.focal_length_mm, v_mm);  // Gauss's formula is its own inverse
}

}  // namespace

double lens_forward_mm(const Optics& optics, double v_mm) {
  return optics.focusing == Focusing::body_fixed ? v_mm - optics.v_ref_mm : 0.0;
}

double distance_mm(const Optics& optics, double q_px) {
  return 1.0 / (1.0 / distance_now(optics, optics.v_ref_mm) + q_px * nearness_per_px(optics));
}

double focused_q_px(const Optics& optics, double v_mm) {
  const double distance = distance_now(optics, v_mm) + lens_forward_mm(optics, v_mm);
  return (1.0 / distance - 1.0 / distance_now(optics, optics.v_ref_mm)) / nearness_per_px(optics);
}

double image_distance_at(const Optics& optics, double q_px) {
  const double f = optics.focal_length_mm;
  const double distance = distance_mm(optics, q_px);
  if (optics.focusing != Focusing::body_fixed) return image_distance_mm(f, distance);
  const double sum = distance + optics.v_ref_mm;
  const double root = sum * sum - 4.0 * sum * f;
  if (!(distance > 0.0) || !(root >= 0.0)) {
    throw std::invalid_argument("with the body fixed the ring cannot focus as near as that");
  }
  const double side = optics.v_ref_mm > 2.0 * f ? 1.0 : -1.0;
  return (sum + side * std::sqrt(root)) / 2.0;
}

double sensor_scale(const Optics& optics, double v_mm) {
  const double breathing = optics.focusing == Focusing::internal ? optics.breathing : 1.0;
  return std::pow(v_mm / optics.v_ref_mm, breathing);
}

double picture_scale(const Optics& optics, double v_mm) {
  const double distance = distance_now(optics, optics.v_ref_mm);
  return sensor_scale(optics, v_mm) * (distance / (distance - lens_forward_mm(optics, v_mm)));
}

double blur_per_q(const Optics& optics, double q_px) {
  if (optics.focusing != Focusing::body_fixed) return 1.0;
  const double forward = lens_forward_mm(optics, image_distance_at(optics, q_px));
  const double there = distance_mm(optics, q_px), zero = distance_mm(optics, 0.0);
  const double s = there / (there - forward);
  return s * s / (zero / (zero - forward));
}

Approach approach(const Optics& optics, double nearer_mm, double q_per_u) {
  const double distance = distance_mm(optics, 0.0);
  return {nearer_mm / distance, q_per_u * nearness_per_px(optics) * distance};
}

}  // namespace ringsweep::maker
