#pragma once
/// Transfer function of a round pupil for light waves: defocus and diffraction together.

namespace ringsweep {

/// Transfer function of a round pupil, one wavelength.
/// @param s        frequency over the cut-off 1 / (lambda N_w): 0 and above; nothing passes from 1
/// @param diameter of the geometric blur disc over lambda N_w
/// Integrated numerically, to 1e-6.
[[nodiscard]] double defocus_transfer(double s, double diameter);

/// The same in white light as luminance sees it.
/// @param f_number_per_um working f-number over pitch, 1 / um
[[nodiscard]] double white_transfer(double cycles_per_px, double diameter_px,
                                    double f_number_per_um);

/// What defocus leaves of a frequency in a picture that was in focus, white light.
/// @param cycles_per_px   frequency
/// @param diameter_px     of the geometric blur disc
/// @param f_number_per_um working f-number over pitch, 1 / um; > 0
[[nodiscard]] double wave_blur_transfer(double cycles_per_px, double diameter_px,
                                        double f_number_per_um);

}  // namespace ringsweep
