#pragma once
/// The formulas of the thin lens, DESIGN section 3. Lengths in mm, blur in px.

#include <cmath>

namespace ringsweep {

/// A lens as its blur sees it: pupil and pixel.
struct ThinLens {
  double pupil_mm = 0.0;  ///< entrance-pupil diameter D
  double pitch_mm = 0.0;  ///< pixel pitch p
};

/// 1/u + 1/v = 1/f (Gauss), image distance v of an object at u. u > f.
[[nodiscard]] inline double image_distance_mm(double focal_length_mm, double object_distance_mm) {
  return 1.0 / (1.0 / focal_length_mm - 1.0 / object_distance_mm);
}

/// Diameter of the blur circle, px of the frame itself, of a point imaged at `v_point_mm` when the
/// sensor stands at `v_frame_mm`: D |v_k - v_t| / (v_t p), from similar triangles.
[[nodiscard]] inline double blur_diameter_px(const ThinLens& lens, double v_point_mm,
                                             double v_frame_mm) {
  return lens.pupil_mm * std::abs(v_frame_mm - v_point_mm) / (v_point_mm * lens.pitch_mm);
}

/// Focal position q = (D v_0 / p) (1/v_0 - 1/v), px of blur at the middle scale v_0; 0 at v = v_0.
/// |q_k - q_t| is the blur circle of the frame once it is brought to the middle scale, exactly.
[[nodiscard]] inline double focal_position_px(const ThinLens& lens, double v_middle_mm,
                                              double v_mm) {
  return lens.pupil_mm * v_middle_mm / lens.pitch_mm * (1.0 / v_middle_mm - 1.0 / v_mm);
}

/// Distance from sensor to the plane in focus, f (2 + m + 1/m), unit focusing.
[[nodiscard]] inline double sensor_to_plane_mm(double focal_length_mm, double magnification) {
  return focal_length_mm * (2.0 + magnification + 1.0 / magnification);
}

/// Working f-number, N (1 + m / P), of a marked one N (P pupil ratio, exit over entrance).
/// J. Conrad, Depth of Field in Depth, 2006 (from memory).
[[nodiscard]] inline double working_f_number(double f_number, double magnification,
                                             double pupil_ratio = 1.0) {
  return f_number * (1.0 + magnification / pupil_ratio);
}

/// Total depth of field in object space, 2 N c (1 + m/P) / m^2 (c mm, P pupil ratio).
[[nodiscard]] inline double depth_of_field_mm(double f_number, double circle_mm,
                                              double magnification, double pupil_ratio = 1.0) {
  return 2.0 * f_number * circle_mm * (1.0 + magnification / pupil_ratio) /
         (magnification * magnification);
}

/// Blur whose wavefront error is a quarter wave: 2 lambda N_w / p px. No lens shows less.
[[nodiscard]] inline double quarter_wave_blur_px(double wavelength_mm, double working_f_number,
                                                 double pitch_mm) {
  return 2.0 * wavelength_mm * working_f_number / pitch_mm;
}

}  // namespace ringsweep
