#pragma once
/// First look: every frame of a burst opened once -> light, thumbnail, size, and the picture itself
/// for the second look where there is room; and what of the burst shows the same.

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/exposure.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/measured_burst.h"
#include "ringsweep/registration.h"
#include "telling.h"

namespace ringsweep {

/// A picture that need not be read again.
struct HeldPicture {
  PackedPicture packed;  ///< empty: not held
  int reduction = 1;     ///< that was asked for
  double full_px_per_px = 1.0;
};

/// @param reduction  that the frame was asked for with
[[nodiscard]] HeldPicture hold(const LinearFrame& frame, int reduction);

/// What the first look at a frame leaves behind.
struct FirstLook {
  std::optional<LightGrid> light;
  cv::Mat fine_light;  // CV_32FC1, the same with 8 x 8 px for each block
  Thumbnail thumbnail;
  cv::Size full_size;
  double full_px_per_px = 1.0;
  double full_px_per_file_px = 1.0;
  std::string problem;
  HeldPicture held;
  bool other_picture = false;  // of something else than the burst
};

/// How much frames of this size are shrunk to a thumbnail.
[[nodiscard]] int thumbnail_reduction(cv::Size full);

/// Opens every frame once, at the size of the second look, and holds as many for it as there is
/// room for.
[[nodiscard]] std::vector<FirstLook> look_at_all(const std::vector<FrameRef>& frames,
                                                 const ReadFrame& read,
                                                 const MeasureOptions& options, Telling& telling);

/// Frames whose exposure time, f-number or ISO differ from most of the burst's own: test shots.
[[nodiscard]] std::vector<bool> other_settings(const std::vector<FrameRef>& frames,
                                               const std::vector<FirstLook>& looks);

/// A burst as it was found, or a part of one, and what the first look left.
struct BurstPart {
  Burst burst;
  std::vector<FirstLook> looks;
};

/// Parts a burst where something else was shot.
[[nodiscard]] std::vector<BurstPart> part_by_scene(const Burst& burst, std::vector<FirstLook> looks,
                                                   const ForEach& for_each);

}  // namespace ringsweep
