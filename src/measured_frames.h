#pragma once
/// Second look: the frames of a burst, lit alike and registered -> what each shows on one grid.

#include <cstddef>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "first_look.h"
#include "memory_shares.h"
#include "ringsweep/drops.h"
#include "ringsweep/exposure.h"
#include "ringsweep/grid_picture.h"
#include "ringsweep/measured_burst.h"
#include "ringsweep/profiles.h"
#include "ringsweep/registration.h"
#include "telling.h"

namespace ringsweep {

/// Vectors have one entry a frame. What was not measured is empty.
struct MeasuredFrames {
  cv::Size full_size;
  std::vector<FrameExposure> exposure;
  Registration registration;
  std::vector<Thumbnail> coarse;     ///< the coarse levels, which alike() compares
  double thumbnail_px = 1.0;         ///< full-size px per thumbnail px
  double to_middle = 0.0;            ///< log of the middle scale over the registration's reference
  std::vector<bool> measured;        ///< frames that can be compared with the others
  std::vector<std::string> problem;  ///< why a frame could not be read this time
  std::vector<std::vector<FrameFlag>> flags;
  TileGrid grid;
  int reduction = 1;  ///< full-size px per px of the grid
  std::vector<TileMeasures> tiles;
  Mosaic mosaic;
  std::vector<PackedPicture> kept;  ///< as many as there is room for
  std::vector<std::vector<Spot>> spots;
  std::vector<cv::Mat> edge_pictures;  ///< small, for the depth edges
  int edge_reduction = 1;              ///< px of the grid per px of those

  /// Whether anything was.
  [[nodiscard]] bool any() const { return !mosaic.luminance.empty(); }
  /// What evens the exposure out.
  [[nodiscard]] double gain(std::size_t k) const;
  /// Brings a frame of any reduction to the grid, at the middle scale. A reader may give fewer px
  /// than asked for (the half-size mosaic of a raw): px of the frame are counted as they are.
  [[nodiscard]] cv::Matx33d grid_from_frame(cv::Size size, double full_px_per_px,
                                            std::size_t k) const;
  /// Full-size px of the frame to those of the reference, which is the registration's.
  [[nodiscard]] cv::Matx33d reference_from_frame(std::size_t k) const;
  /// CV_8UC1, 255 where all measured frames see the tile; empty where none was measured.
  [[nodiscard]] cv::Mat all_see() const;
  /// Log of the mean light, where all measured frames see the grid; NaN for others.
  [[nodiscard]] std::vector<double> log_light() const;
};

/// How much frames of this size are shrunk: the blur limit stays at least one working px, small
/// pictures stay whole. Of reduced copies there is nothing finer than their own px.
[[nodiscard]] int working_reduction(cv::Size full, double blur_limit_px,
                                    double full_px_per_file_px);

struct SecondLookOptions {
  cv::Size full_size;
  double blur_limit_px = 2.0;
  double full_px_per_file_px = 1.0;
  bool spots = true;  ///< look for what may be a drop
  MemoryShares memory{};
};

/// Measures every frame that the flash lit, at the working scale; reads it once more where the
/// first look does not hold it.
/// @param looks one a frame; thumbnails and pictures are taken out
[[nodiscard]] MeasuredFrames measure_frames(const std::vector<FrameRef>& frames,
                                            std::vector<FirstLook>& looks, const ReadFrame& read,
                                            const SecondLookOptions& options, Telling& telling);

/// A measured frame on the grid, from what was kept or from its file.
[[nodiscard]] PackedPicture picture_again(const MeasuredFrames& measured, const FrameRef& frame,
                                          const ReadFrame& read, std::size_t k);

}  // namespace ringsweep
