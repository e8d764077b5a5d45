#include "ringsweep/ring_scale.h"

#include <cmath>
#include <stdexcept>
#include <string>

namespace ringsweep {
namespace {

void check_positive(const std::optional<double>& value, const char* name) {
  if (value && !(*value > 0.0)) throw std::invalid_argument(std::string(name) + " must be > 0");
}

void check(const RingScale& scale) {
  check_positive(scale.working_f_number, "working_f_number");
  check_positive(scale.pitch_mm, "pitch_mm");
  check_positive(scale.magnification, "magnification");
  check_positive(scale.degrees_per_mm, "degrees_per_mm");
}

}  // namespace

double image_shift_mm(double blur_px, double working_f_number, double pitch_mm) {
  return blur_px * working_f_number * pitch_mm;
}

double subject_depth_mm(double image_shift_mm, double magnification) {
  return image_shift_mm / (magnification * magnification);
}

double plane_shift_per_extension(double magnification, FocusBy focus_by) {
  check_positive(magnification, "magnification");
  const double from_lens = -1.0 / (magnification * magnification);
  if (focus_by == FocusBy::body) return from_lens;
  if (focus_by == FocusBy::lens) return 1.0 + from_lens;
  throw std::invalid_argument("there is an extension only where lens or body move");
}

bool ring_hardly_moves_plane(double magnification, FocusBy focus_by) {
  return focus_by == FocusBy::lens && magnification > 0.9 && magnification < 1.1;
}

StepSize ring_step(double step_px, const RingScale& scale) {
  if (!(step_px >= 0.0)) throw std::invalid_argument("step_px must be >= 0");
  check(scale);
  StepSize step;
  const std::optional<double>& m = scale.magnification;
  step.hardly_moves = m && ring_hardly_moves_plane(*m, scale.focus_by);
  if (!scale.working_f_number || !scale.pitch_mm) return step;
  const double image_mm = image_shift_mm(step_px, *scale.working_f_number, *scale.pitch_mm);
  if (m) step.subject_mm = subject_depth_mm(image_mm, *m);
  if (scale.focus_by == FocusBy::body) step.extension_mm = image_mm;
  if (scale.focus_by == FocusBy::lens && m && !step.hardly_moves)
    step.extension_mm = *step.subject_mm / std::abs(plane_shift_per_extension(*m, FocusBy::lens));
  if (step.extension_mm && scale.degrees_per_mm)
    step.turn_deg = *step.extension_mm * *scale.degrees_per_mm;
  return step;
}

}  // namespace ringsweep
