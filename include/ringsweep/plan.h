#pragma once
/// Plan: magnification, f-number, subject depth and flash -> frames, steps and time, before a
/// picture is taken. Lengths in mm, all f-numbers said to be marked or working.

#include <cstddef>
#include <optional>
#include <string>

#include "ringsweep/ring_scale.h"

namespace ringsweep {

inline constexpr double kPlanWavelengthMm = 0.00055;  ///< green, the eye's best

/// Magnification by extension, e / f: the scale is the extension over the focal length (a bellows
/// maker's table, macrobellows.com/dof_table.php; exact for a thin lens focused at infinity at 0).
[[nodiscard]] double magnification_of(double extension_mm, double focal_length_mm);

/// Light that the extension costs, 2 log2(1 + m / P) stops: (N_w / N)^2 of it is missing.
[[nodiscard]] double extension_loss_ev(double magnification, double pupil_ratio = 1.0);

/// Step from frame to frame, D (1 - o): depth of field D, overlap o from 0 to below 1 (20 to 50 %
/// is common practice, no source).
[[nodiscard]] double step_mm(double depth_of_field_mm, double overlap);

/// Frames whose depths of field D, `step_mm` apart, cover a subject `subject_mm` deep: ceil((Z - D)
/// / s) + 1, at least 1.
[[nodiscard]] std::size_t frames_to_cover(double subject_mm, double depth_of_field_mm,
                                          double step_mm);

/// Diameter of the Airy disc, 2.44 lambda N_w (G. B. Airy, 1835; a maker of optics prints a table,
/// "Limitations on resolution and contrast: the Airy disk").
[[nodiscard]] double airy_diameter_mm(double wavelength_mm, double working_f_number);

/// Depth that diffraction alone leaves sharp, lambda / NA^2 = 4 lambda N_w^2 / m^2, NA = m / (2
/// N_w): the wave term of the microscopes' depth of field (microscopyu.com, "depth of field").
[[nodiscard]] double wave_depth_mm(double wavelength_mm, double working_f_number,
                                   double magnification);

/// Total blur, diameter on the sensor, at the ends of a depth with the focus in its middle: the
/// circle of defocus, depth m^2 / (2 N_w), and the Airy disc, in quadrature (P. K. Hansma, View
/// camera focusing in practice, Photo Techniques, March 1996, from memory).
[[nodiscard]] double total_blur_mm(double depth_mm, double magnification, double working_f_number,
                                   double wavelength_mm = kPlanWavelengthMm);

/// The working f-number at which that is least: m sqrt(depth / (4.88 lambda)); both parts are equal
/// there. Hansma's rule N = sqrt(375 focus spread / mm), at 0.546 um.
[[nodiscard]] double least_blur_working_f_number(double depth_mm, double magnification,
                                                 double wavelength_mm = kPlanWavelengthMm);

/// What the photographer says. Ranges in why_not().
struct PlanInput {
  double magnification = 0.0;  ///< at the middle of the subject
  double f_number = 0.0;
  bool f_number_is_marked = false;
  std::optional<double> pupil_ratio{};  ///< absent: 1
  FocusBy focus_by = FocusBy::not_said;
  std::optional<double> degrees_per_mm{};  ///< of extension
  double pitch_mm = 0.0;
  double blur_limit_px = 2.0;  ///< largest blur that counts as sharp, diameter
  double subject_mm = 0.0;     ///< depth that must be sharp
  double overlap = 0.25;       ///< of the depth of field; DESIGN: 0.75 of the allowed step
  std::optional<double> frames_per_s{};  ///< the camera's
  std::optional<std::size_t> flashes{};  ///< most flashes in a row
  std::optional<double> flash_wait_s{};  ///< from one flash to the next, at the power used
};

/// Why no plan can be made of it, as a sentence without its full stop; empty where it can.
[[nodiscard]] std::string why_not(const PlanInput& input);

struct Plan {
  double working_f_number = 0.0;
  double marked_f_number = 0.0;  ///< by the pupil ratio, or 1
  double extension_loss_ev = 0.0;
  double depth_of_field_mm = 0.0;        ///< of one frame: the allowed step
  StepSize step{};                       ///< from frame to frame; subject_mm always there
  std::size_t subject_frames = 0;        ///< that cover the subject
  std::size_t frames = 0;                ///< with one before it and one after it
  StepSize sweep{};                      ///< from the first of these to the last
  std::optional<double> frames_per_s{};  ///< as the flash lets it
  bool flash_sets_the_rate = false;      ///< the camera could be quicker, or its rate is not known
  std::optional<double> sweep_s{};
  std::optional<double> turn_deg_per_s{};
  std::size_t parts = 1;                   ///< runs of frames with a pause for the flash between
  double quarter_wave_px = 0.0;            ///< 2 lambda N_w / p: no lens shows less
  double wave_depth_mm = 0.0;              ///< what diffraction leaves sharp
  bool diffraction_leads = false;          ///< quarter_wave_px above the blur limit
  double sharpest_working_f_number = 0.0;  ///< at which quarter_wave_px is the blur limit
  double sharpest_marked_f_number = 0.0;
  double total_blur_px = 0.0;          ///< midway between two frames
  double best_working_f_number = 0.0;  ///< with the least of it at the same step
  double best_marked_f_number = 0.0;
  double best_total_blur_px = 0.0;
};

/// @throws std::invalid_argument where why_not() has a reason
[[nodiscard]] Plan make_plan(const PlanInput& input);

}  // namespace ringsweep
