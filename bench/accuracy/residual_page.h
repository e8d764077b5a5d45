#pragma once
/// One page of plots of a burst's residuals: values -> picture. Pure.

#include <opencv2/core.hpp>
#include <span>
#include <string>
#include <vector>

#include "residuals.h"
#include "score.h"

namespace ringsweep::accuracy {

/// Residuals that fall into one bin.
struct Bin {
  double at = 0.0;  ///< its middle
  std::size_t count = 0;
  double low = 0.0, middle = 0.0, high = 0.0;  ///< quantiles 0.16, 0.5, 0.84
};

/// Against the distance from focus, signed, of one band. Bins of `width_px`; empty ones are left
/// out.
[[nodiscard]] std::vector<Bin> by_distance(std::span<const Residual> residuals, std::size_t band,
                                           double width_px = 1.0);
/// Against the frame, of one band, within `reach_px` of focus: what is farther off hardly counts.
[[nodiscard]] std::vector<Bin> by_frame(std::span<const Residual> residuals, std::size_t band,
                                        double reach_px = 6.0);
/// What a frame whose position is off leaves: all bands, tiles above it less tiles below it,
/// halved. Distances of 1 to `reach_px`. `low` and `high` are 0.
[[nodiscard]] std::vector<Bin> sides_by_frame(std::span<const Residual> residuals,
                                              double reach_px = 6.0);

struct PageInput {
  std::string title;
  const Profiles& profiles;
  std::span<const Residual> residuals;
  std::span<const FrameError> errors;  ///< of positions; empty where there is no truth
};

/// CV_8UC3. Rows: each band against the distance from focus; all bands against the frame, and the
/// sides' difference; mean and scatter over the picture, and positions against truth.
[[nodiscard]] cv::Mat residual_page(const PageInput& input);

}  // namespace ringsweep::accuracy
