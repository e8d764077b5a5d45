#pragma once
/// The picture a thin lens throws on the sensor: blur slice by slice, then pixels.

#include <opencv2/core.hpp>

#include "maker/pupil.h"
#include "maker/scene.h"

namespace ringsweep::maker {

/// The scene blurred for one position of the sensor, CV_32FC3 linear RGB, on the scene's raster.
///
/// The scene is cut into slices half a px of blur thick near the focus, thicker where a slice more
/// or less is not seen. Each is blurred by its own disc together with its alpha. From near to far,
/// slices that follow each other add up, as the discs of one surface do, until nothing is left to
/// hide; what comes after a hole in depth shows as far as what is in front lets light through. So a
/// blurred near part spreads over what lies behind and a blurred far part never over a near one.
/// What it does not tell apart: two surfaces less than 1.5 px of blur behind each other.
/// With diffraction each colour is blurred by itself: three times the work, and more for its
/// kernels.
/// @param focus_q_px  focal position of the frame at the reference scale
[[nodiscard]] cv::Mat blurred(const Scene& scene, double focus_q_px, const Pupil& pupil = {});

/// Where the scene lies in a frame: x_frame = scale * R(rotation) * x_scene + centre + shift.
struct Placement {
  double scale = 1.0;
  double rotation_deg = 0.0;
  double shift_x_px = 0.0;
  double shift_y_px = 0.0;
};

/// [a, b, tx, ty]: scene px (X, Y), origin in the picture's centre, is at (a X - b Y + tx,
/// b X + a Y + ty), counted from the centre of the upper left pixel.
[[nodiscard]] cv::Vec4d frame_from_scene(const Placement& placement, cv::Size frame_px);

/// A frame of the given size: every pixel is the mean light over its area.
[[nodiscard]] cv::Mat on_sensor(const cv::Mat& raster, double raster_per_px,
                                const Placement& placement, cv::Size frame_px);

/// The same while the picture moves along a straight line, evenly, around its place.
/// @param shake_px  the whole way
[[nodiscard]] cv::Mat on_sensor(const cv::Mat& raster, double raster_per_px,
                                const Placement& placement, cv::Size frame_px,
                                cv::Point2d shake_px);

/// What changes the light on the sensor from place to place.
struct Illumination {
  double lit_to = 1.0;      ///< share of the height, from the top, that the flash lights; soft
                            ///< over 2 %
  double ambient = 0.0;     ///< light that is there without it, everywhere; of the flash's
  double vignetting = 0.0;  ///< share that the corners lose, below 1; as the cosine's fourth power
  double haze = 0.0;        ///< share that is spread evenly over the picture
};

/// Multiplies and adds in the order of the members. The default changes nothing.
/// @throws std::invalid_argument  vignetting not from 0 to below 1
void illuminate(cv::Mat& light, const Illumination& by);

}  // namespace ringsweep::maker
