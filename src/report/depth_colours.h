#pragma once
/// The colours of depth, and pictures turned upright: what the depth picture and the page share.

#include <array>
#include <opencv2/core.hpp>

#include "ringsweep/analyse.h"

namespace ringsweep {

inline constexpr int kDepthColours = 256;

/// Our colours, from the lower position to the higher: dark violet over red to pale yellow.
/// A path through CIE L*C*h (CIE 15): lightness rises evenly, so that the order can be read without
/// any colour vision and in a grey print; the hue goes the long way round, by way of red, so that
/// no colour comes near the grey that says "unknown". Chroma stays inside sRGB all along.
/// BGR.
[[nodiscard]] std::array<cv::Vec3b, kDepthColours> depth_colours();

/// What a tile of the map is; the subject's where that is not known.
[[nodiscard]] TileRole role_at(const DepthMap& depth, int row, int col);

/// Full-size px of the picture as it was stored to those of the upright one.
[[nodiscard]] cv::Matx33d upright_matrix(cv::Size sensor, int orientation);

/// Exif orientation 1 to 8 (CIPA DC-008, tag 0x0112) -> upright.
[[nodiscard]] cv::Mat upright(const cv::Mat& picture, int orientation);

}  // namespace ringsweep
