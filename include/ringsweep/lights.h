#pragma once
/// Lights: bright spots, glints in drops and on wet skin, followed through a burst; and those that
/// lie beyond what some frames show sharp.
///
/// A smooth, wet body that is blurred has no texture left that tells its depth, but its glints are
/// still there, as discs, and how these shrink towards the frames tells where they would be sharp.

#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"
#include "ringsweep/spot_light.h"
#include "ringsweep/subject.h"

namespace ringsweep {

/// One light where it is brightest, and how large it is seen in the frames around.
struct Light {
  struct Size {
    std::size_t frame = 0;
    double sigma_px = 0.0;  ///< px of the grid, of the Gaussian it is most like
  };
  cv::Point at{};       ///< px of the grid
  double height = 0.0;  ///< as in Spot
  std::vector<Size> sizes{};
};

/// @param q_px   N, where frames focus, px of blur of the grid's picture; absent: not usable
/// @param spots  N, of find_spots()
/// @return by rising position of the frame in which they are brightest, then by row; a light that
/// is bright in two places of the sweep is there twice.
/// @throws std::invalid_argument where there are not N of each.
/// Cost O(spots x frames within 16 px).
[[nodiscard]] std::vector<Light> find_lights(std::span<const std::optional<double>> q_px,
                                             std::span<const std::vector<Spot>> spots);

/// How many lights lie beyond, each with what is near it counted once.
struct LightsBeyond {
  std::size_t count = 0;
  double beyond_px = 0.0;  ///< median distance from the end, full-size px
  double sd_px = 0.0;      ///< 1 sigma, of one light's: the median
};

/// Beyond the end of a sweep: on the subject, where its depth comes close to that end.
/// @param focus  N frames: those that are usable are the sweep
/// @param blur_limit_px  full-size px; where it is so large that nothing could be told to lie
/// beyond it, none does
[[nodiscard]] LightsBeyond lights_beyond_sweep(std::span<const Light> lights,
                                               const Profiles& profiles,
                                               const FocalPositions& focus, const Subject& subject,
                                               bool low, double blur_limit_px);

/// Beyond the end of a pose, in a part that has moved: other frames show them.
/// @param focus  N frames: all usable ones
/// @param pose   N, frames of the pose
/// @param boxes_on_grid  of what moved, px of the grid
/// @param px     full-size px per px of the grid
[[nodiscard]] LightsBeyond lights_beyond_pose(std::span<const Light> lights,
                                              const FocalPositions& focus,
                                              const std::vector<bool>& pose,
                                              std::span<const cv::Rect2d> boxes_on_grid, bool low,
                                              double blur_limit_px, double px);

}  // namespace ringsweep
