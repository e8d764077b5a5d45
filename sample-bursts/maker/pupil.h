#pragma once
/// What the pupil makes of a point that is out of focus: blur kernels as sums of few discs or
/// hexagons, so that one way of convolving serves them all.

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "maker/recipe.h"
#include "maker/wave.h"

namespace ringsweep::maker {

/// A pupil as the blur sees it. The default is a round one without faults.
struct Pupil {
  PupilShape shape = PupilShape::round;
  double spherical = 0.0;  ///< as Optics::spherical
  double factor = 1.0;     ///< of the diameter: q px out of focus are a disc of factor * |q|
  std::array<double, 3> lambda_n_px{};  ///< red, green, blue: wavelength times working f-number at
                                        ///< v_ref, px; 0: no diffraction

  [[nodiscard]] bool diffracts() const { return lambda_n_px[1] > 0.0; }
};

/// @throws std::invalid_argument  a factor or wavelength not above 0, a share beyond +-1, other
/// than three wavelengths, diffraction together with a hexagon or spherical aberration
[[nodiscard]] Pupil pupil_of(const Optics& optics, double factor);

/// The blur as a sum of shapes of unit light (discs or, for a hexagonal pupil, hexagons), weights
/// sum to 1. Without diffraction its variance is that of the profile itself.
/// @param defocus_px     focal position of the point less that of the frame, px
/// @param raster_per_px  radii come out in raster px
/// @param channel        0 red, 1 green, 2 blue; matters to diffraction only
[[nodiscard]] std::vector<WeightedDisc> blur_of(const Pupil& pupil, double defocus_px,
                                                double raster_per_px, int channel = 1);

/// Kernel of one of those shapes: disc_kernel or hexagon_kernel.
[[nodiscard]] cv::Mat shape_kernel(PupilShape shape, double radius_px);

/// All of them together, side odd, CV_32F, sum 1.
[[nodiscard]] cv::Mat sum_kernel(PupilShape shape, const std::vector<WeightedDisc>& blur);

}  // namespace ringsweep::maker
