#pragma once
/// Frames on the burst's grid once more: for steps that need pixels when the positions are known.

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>

namespace ringsweep {

/// One frame, registered, on the grid at the middle scale. All three empty where it cannot be had.
struct GridPicture {
  cv::Mat luminance;  ///< CV_32FC1, grid.size, linear light, exposure evened out
  cv::Mat seen;       ///< CV_8UC1, 255 where the pixel lies inside the frame
  cv::Mat clipped;    ///< CV_8UC1, 255 where a channel was at its upper end
};

/// A grid picture in two bytes a pixel.
struct PackedPicture {
  cv::Mat values;     ///< CV_16UC1: 0 not seen; bit 0 clipped, the other 15 the root of the light
  double gain = 1.0;  ///< that the exposure was evened out by
};

/// A frame of the burst by its index. May be called from several threads at once.
using ReadPackedPicture = std::function<PackedPicture(std::size_t frame)>;

/// The root makes the steps as wide as photon noise, in dark and light alike: at white 7.6e-5 of
/// it, a hundredth of the noise of 8 bit. Light above 1.25 of white or below black is cut.
/// @param gain what the luminance was multiplied by, > 0.
[[nodiscard]] PackedPicture pack(const GridPicture& picture, double gain);
/// ... of which every px is seen. @param luminance, clipped  as in GridPicture
[[nodiscard]] PackedPicture pack(const cv::Mat& luminance, const cv::Mat& clipped, double gain);
[[nodiscard]] GridPicture unpack(const PackedPicture& packed);

}  // namespace ringsweep
