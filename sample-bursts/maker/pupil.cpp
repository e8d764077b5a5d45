#include "maker/pupil.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "maker/disc.h"

namespace ringsweep::maker {
namespace {

/// Intensity 1 + slope (2 r^2 - 1) over the radius r, 0..1, in rings of equal area. Within a ring
/// the intensity is level, which loses 1 / rings^2 of its share in the second moment; the slope is
/// steeper by as much.
std::vector<WeightedDisc> rings_of(double radius, double slope) {
  const int rings = radius < 2.0 ? 2 : (radius < 6.0 ? 4 : 6);
  const double steep = slope / (1.0 - 1.0 / (rings * rings));
  std::vector<WeightedDisc> discs;
  for (int k = 1; k <= rings; ++k) {
    const double area = static_cast<double>(k) / rings;
    const double level = k == rings ? 1.0 + steep * (1.0 - 1.0 / rings) : -2.0 * steep / rings;
    discs.push_back({radius * std::sqrt(area), level * area});
  }
  return discs;
}

}  // namespace

Pupil pupil_of(const Optics& optics, double factor) {
  if (!(factor > 0.0)) throw std::invalid_argument("the pupil's factor is not above 0");
  if (!(std::abs(optics.spherical) <= 1.0)) {
    throw std::invalid_argument("the spherical aberration is not between -1 and 1");
  }
  Pupil pupil{.shape = optics.pupil, .spherical = optics.spherical, .factor = factor};
  if (!optics.diffraction) return pupil;
  if (pupil.shape != PupilShape::round || pupil.spherical != 0.0) {
    throw std::invalid_argument(
        "diffraction is made for a round pupil without spherical aberration");
  }
  const std::vector<double> waves =
      optics.waves_um.empty() ? std::vector<double>{0.60, 0.55, 0.47} : optics.waves_um;
  if (waves.size() != 3 || !std::ranges::all_of(waves, [](double w) { return w > 0.0; })) {
    throw std::invalid_argument("diffraction needs three wavelengths above 0");
  }
  const double f_number = optics.v_ref_mm / (optics.pupil_mm * factor);
  for (std::size_t c = 0; c < 3; ++c) {
    pupil.lambda_n_px[c] = waves[c] * 1e-3 * f_number / optics.pitch_mm;
  }
  return pupil;
}

std::vector<WeightedDisc> blur_of(const Pupil& pupil, double defocus_px, double raster_per_px,
                                  int channel) {
  const double diameter = std::abs(defocus_px) * pupil.factor * raster_per_px;
  const double lambda_n = pupil.lambda_n_px[static_cast<std::size_t>(channel)] * raster_per_px;
  // Waves shorter than a tenth of a raster pixel move less of the light than the raster does.
  if (lambda_n > 0.1) return wave_discs(diameter, lambda_n);
  const double radius = std::abs(defocus_px) * raster_per_px / 2.0 * pupil.factor;
  if (pupil.spherical == 0.0 || radius < 1e-3) return {{radius, 1.0}};
  // Focal positions grow to near: a point beyond the focus lies at a smaller one.
  return rings_of(radius, defocus_px < 0.0 ? pupil.spherical : -pupil.spherical);
}

cv::Mat shape_kernel(PupilShape shape, double radius_px) {
  return shape == PupilShape::hexagonal ? hexagon_kernel(radius_px) : disc_kernel(radius_px);
}

cv::Mat sum_kernel(PupilShape shape, const std::vector<WeightedDisc>& blur) {
  std::vector<cv::Mat> kernels;
  int side = 1;
  for (const WeightedDisc& disc : blur) {
    kernels.push_back(shape_kernel(shape, disc.radius_px));
    side = std::max(side, kernels.back().rows);
  }
  cv::Mat sum(side, side, CV_32F, cv::Scalar(0.0));
  for (std::size_t k = 0; k < blur.size(); ++k) {
    const int edge = (side - kernels[k].rows) / 2;
    cv::Mat middle = sum(cv::Rect(edge, edge, kernels[k].cols, kernels[k].rows));
    middle += blur[k].weight * kernels[k];
  }
  return sum;
}

}  // namespace ringsweep::maker
