#include "ringsweep/plan.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

constexpr double kAiry = 2.44;

bool within(double value, double low, double high) { return value >= low && value <= high; }

bool within(const std::optional<double>& value, double low, double high) {
  return !value || within(*value, low, high);
}

RingScale ring_scale_of(const PlanInput& input, double working_f_number) {
  return {.working_f_number = working_f_number,
          .pitch_mm = input.pitch_mm,
          .magnification = input.magnification,
          .degrees_per_mm = input.degrees_per_mm,
          .focus_by = input.focus_by};
}

/// The rate that camera and flash hold together.
void set_rate(const PlanInput& input, Plan& plan) {
  plan.frames_per_s = input.frames_per_s;
  if (!input.flash_wait_s) return;
  const double flash_rate = 1.0 / *input.flash_wait_s;
  if (plan.frames_per_s && *plan.frames_per_s <= flash_rate) return;
  plan.frames_per_s = flash_rate;
  plan.flash_sets_the_rate = true;
}

}  // namespace

double magnification_of(double extension_mm, double focal_length_mm) {
  return extension_mm / focal_length_mm;
}

double extension_loss_ev(double magnification, double pupil_ratio) {
  return 2.0 * std::log2(working_f_number(1.0, magnification, pupil_ratio));
}

double step_mm(double depth_of_field_mm, double overlap) {
  return depth_of_field_mm * (1.0 - overlap);
}

std::size_t frames_to_cover(double subject_mm, double depth_of_field_mm, double step_mm) {
  const double more = (subject_mm - depth_of_field_mm) / step_mm;
  // A whole number of steps that rounding made a little larger needs no further frame.
  constexpr double kRounding = 1e-9;
  return more <= 0.0 ? 1 : static_cast<std::size_t>(std::ceil(more - kRounding)) + 1;
}

double airy_diameter_mm(double wavelength_mm, double working_f_number) {
  return kAiry * wavelength_mm * working_f_number;
}

double wave_depth_mm(double wavelength_mm, double working_f_number, double magnification) {
  const double aperture = magnification / (2.0 * working_f_number);
  return wavelength_mm / (aperture * aperture);
}

double total_blur_mm(double depth_mm, double magnification, double working_f_number,
                     double wavelength_mm) {
  const double defocus = 0.5 * depth_mm * magnification * magnification / working_f_number;
  return std::hypot(defocus, airy_diameter_mm(wavelength_mm, working_f_number));
}

double least_blur_working_f_number(double depth_mm, double magnification, double wavelength_mm) {
  return magnification * std::sqrt(depth_mm / (2.0 * kAiry * wavelength_mm));
}

std::string why_not(const PlanInput& input) {
  if (!within(input.magnification, 0.01, 100.0)) return "the magnification must be 0.01 to 100";
  if (!within(input.f_number, 0.5, 1000.0)) return "the f-number must be 0.5 to 1000";
  if (!within(input.pupil_ratio, 0.1, 10.0)) return "the pupil ratio must be 0.1 to 10";
  if (!within(input.degrees_per_mm, 0.01, 10000.0))
    return "degrees per mm of extension must be 0.01 to 10000";
  if (!within(input.pitch_mm, 0.0002, 0.2))
    return "the pitch is the width of a pixel in thousandths of a mm, 0.2 to 200";
  if (!within(input.blur_limit_px, 0.1, 1000.0)) return "the blur limit must be 0.1 to 1000 px";
  if (!within(input.subject_mm, 0.001, 1000.0))
    return "the depth of the subject must be 0.001 to 1000 mm";
  if (!within(input.overlap, 0.0, 0.9)) return "the overlap must be 0 to 90 per cent";
  if (!within(input.frames_per_s, 0.01, 1000.0))
    return "the rate must be 0.01 to 1000 frames a second";
  if (!within(input.flash_wait_s, 0.001, 1000.0))
    return "the wait from flash to flash must be 0.001 to 1000 seconds";
  if (input.flashes && *input.flashes < 2) return "the flash must give 2 flashes in a row at least";
  return {};
}

Plan make_plan(const PlanInput& input) {
  if (const std::string why = why_not(input); !why.empty()) throw std::invalid_argument(why);
  const double m = input.magnification;
  const double marked_per_working = 1.0 / working_f_number(1.0, m, input.pupil_ratio.value_or(1.0));
  Plan plan;
  plan.working_f_number =
      input.f_number_is_marked ? input.f_number / marked_per_working : input.f_number;
  plan.marked_f_number = plan.working_f_number * marked_per_working;
  plan.extension_loss_ev = extension_loss_ev(m, input.pupil_ratio.value_or(1.0));

  const RingScale scale = ring_scale_of(input, plan.working_f_number);
  const double allowed_px = 2.0 * input.blur_limit_px;
  const double step_px = step_mm(allowed_px, input.overlap);
  plan.depth_of_field_mm = *ring_step(allowed_px, scale).subject_mm;
  plan.step = ring_step(step_px, scale);
  plan.subject_frames =
      frames_to_cover(input.subject_mm, plan.depth_of_field_mm, *plan.step.subject_mm);
  plan.frames = plan.subject_frames + 2;
  plan.sweep = ring_step(step_px * static_cast<double>(plan.frames - 1), scale);

  set_rate(input, plan);
  if (plan.frames_per_s) {
    plan.sweep_s = static_cast<double>(plan.frames - 1) / *plan.frames_per_s;
    if (plan.step.turn_deg) plan.turn_deg_per_s = *plan.step.turn_deg * *plan.frames_per_s;
  }
  if (input.flashes) plan.parts = (plan.frames + *input.flashes - 1) / *input.flashes;

  plan.quarter_wave_px =
      quarter_wave_blur_px(kPlanWavelengthMm, plan.working_f_number, input.pitch_mm);
  plan.wave_depth_mm = wave_depth_mm(kPlanWavelengthMm, plan.working_f_number, m);
  plan.diffraction_leads = plan.quarter_wave_px > input.blur_limit_px;
  plan.sharpest_working_f_number =
      plan.working_f_number * input.blur_limit_px / plan.quarter_wave_px;
  plan.sharpest_marked_f_number = plan.sharpest_working_f_number * marked_per_working;

  const double step = *plan.step.subject_mm;
  plan.total_blur_px = total_blur_mm(step, m, plan.working_f_number) / input.pitch_mm;
  plan.best_working_f_number = least_blur_working_f_number(step, m);
  plan.best_marked_f_number = plan.best_working_f_number * marked_per_working;
  plan.best_total_blur_px = total_blur_mm(step, m, plan.best_working_f_number) / input.pitch_mm;
  return plan;
}

}  // namespace ringsweep
