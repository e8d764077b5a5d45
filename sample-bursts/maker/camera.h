#pragma once
/// The picture a thin lens throws on the sensor: layered blur from far to near, then pixels.

#include <opencv2/core.hpp>

#include "maker/scene.h"

namespace ringsweep::maker {

/// The scene blurred for one position of the sensor, CV_32FC3 linear RGB, on the scene's raster.
///
/// The scene is cut into layers half a px of blur thick near the focus, thicker where a layer more
/// or less is not seen. Each is blurred by its own disc together with its alpha and laid over what
/// is behind it, so a blurred near part spreads over what lies behind and a blurred far part never
/// over a near one. Where a surface runs on from layer to layer, the layer behind also holds what
/// lies under the soft rim of the next one: a surface cut in slices stays closed.
/// @param focus_q_px  focal position of the frame at the reference scale
[[nodiscard]] cv::Mat blurred(const Scene& scene, double focus_q_px);

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

}  // namespace ringsweep::maker
