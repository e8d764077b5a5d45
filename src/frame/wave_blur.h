#pragma once
/// Blur as light waves make it: defocus and diffraction together, for pictures that hold the
/// diffraction of the lens in focus already.
///
/// A picture in focus is the object times the transfer function of the pupil in focus; out of focus
/// it is the object times that of the defocused pupil. So a sharp picture is blurred by the ratio
/// of the two (round pupil, incoherent light: J. W. Goodman, Introduction to Fourier Optics,
/// ch. 6). Where little gets through in focus the ratio says little: there it goes over to the
/// disc.

#include <opencv2/core.hpp>

namespace ringsweep {

/// Blurs one picture by many diameters.
class WaveBlur {
 public:
  /// @param picture CV_32FC1; goes on beyond its edges as in a mirror.
  /// @param f_number_per_um working f-number over pitch, 1 / um, of the pixels of `picture`; > 0
  WaveBlur(const cv::Mat& picture, double f_number_per_um);

  /// @return CV_32FC1, as large as the picture; the picture itself for a diameter of 0. Cost of a
  /// Fourier transform.
  [[nodiscard]] cv::Mat blurred(double diameter_px) const;

 private:
  cv::Mat picture_;
  cv::Mat spectrum_;  // of the picture with its margins, packed as cv::dft does
  double f_number_per_um_;
};

}  // namespace ringsweep
