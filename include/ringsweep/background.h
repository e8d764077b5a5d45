#pragma once
/// Background: what lies beyond the subject's outlines and is sharp in no frame. Where an outline
/// is sharp, what it borders on lies behind it: a near part's blur would spread over it (DESIGN
/// section 4). The background is less blurred the nearer to it a frame focuses, so the end of the
/// positions towards which its structure gains contrast is the far one.

#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/depth_look.h"

namespace ringsweep {

/// A square of the background.
struct BackgroundPart {
  cv::Point at;  ///< its first pixel, px of the pictures
  /// N - 1: the square of its relative contrast in each two neighbouring frames, over the mean.
  std::vector<double> contrast;
};

struct Background {
  std::vector<double> q_px;  ///< N, rising
  std::vector<BackgroundPart> parts;
};

struct BackgroundOptions {
  double sharp = 6.0;     ///< energy over the noise from which on a pixel is sharp in some frame
  double outline = 60.0;  ///< the same for an outline
  double abrupt = 0.4;    ///< of the amplitude about it, at an outline: a blur's border fades
  /// Beyond the largest disc of what is sharp in some frame: filters reach as far.
  double clear_px = 48.0;
  double margin = 0.06;        ///< of the picture's longer edge, where some frames see nothing
  double structure = 3.0;      ///< a part's contrast, squared, over the noise
  double least_of_part = 0.6;  ///< share of it that must be background
};

/// @param pictures N, CV_8UC1 as edge_picture() makes them, one size, by rising position.
/// @param q_px N, rising, px of these pictures. @param look of these pictures.
/// @return parts by rows. None where there are fewer than 5 pictures, or no depth.
/// @throws std::invalid_argument where sizes differ.
/// Cost O(N x pixels).
[[nodiscard]] Background find_background(std::span<const cv::Mat> pictures,
                                         std::span<const double> q_px, const DepthLook& look,
                                         const BackgroundOptions& options = {},
                                         const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
