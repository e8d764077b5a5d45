#pragma once
/// Measured burst: a burst and a function that reads a frame -> all that its pictures tell, before
/// anybody has said what must be sharp, how sharp, and which end is near. This is the slow part,
/// and what it gives is a plain value that can be kept and judged again: analyse.h.

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/drops.h"
#include "ringsweep/exposure.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/frame.h"
#include "ringsweep/haze.h"
#include "ringsweep/lens.h"
#include "ringsweep/lights.h"
#include "ringsweep/movement.h"
#include "ringsweep/profiles.h"
#include "ringsweep/registration.h"
#include "ringsweep/result.h"
#include "ringsweep/subject.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

enum class FrameFlag {
  dark,        ///< more than 2.5 EV below the lit frames: covers nothing
  dim,         ///< 0.7 to 2.5 EV below
  partly_lit,  ///< only a part of the frame got the flash: covers nothing
  shaken,      ///< moved by clearly more than the blur limit while exposed: covers nothing
  moved,       ///< of another pose than the one that covers most
  idle,        ///< nothing in it that the previous usable frame of the sweep does not show
  unreadable,
  other_settings,  ///< exposure time, f-number or ISO differ: a test shot, not part of the sweep
  other_picture    ///< shows something else than the burst
};

/// What is known of one frame once it was measured.
struct MeasuredFrame {
  std::string problem;           ///< unreadable: why and what to do, as one line
  std::vector<FrameFlag> flags;  ///< those that its light and what it shows give
  FrameExposure exposure;
  Similarity reference_from_frame;  ///< px of the thumbnails; its reference is the registration's
  cv::Matx33d full_reference_from_frame = cv::Matx33d::eye();  ///< the same in full-size px
  double log_light = 0.0;  ///< log of the mean light where all frames see the grid; NaN: not known
  /// CV_8UC1, 255 where the whole tile lies inside the frame; empty where it was not measured.
  cv::Mat valid;
  cv::Mat energy;  ///< CV_32FC1, of the coarsest band, a value a tile; empty as above
};

struct MeasuredSweep;

/// What the pictures of a burst tell. Positions are those of the fit: which way they grow is open.
/// Frames are indices in capture order.
struct MeasuredBurst {
  std::string folder;
  std::vector<FrameRef> refs;         ///< N, the frames as they were found
  std::vector<MeasuredFrame> frames;  ///< N
  int orientation = 1;                ///< Exif, the majority's
  /// Of the camera's picture, px, sensor orientation; empty: nothing can be read.
  cv::Size full_size;
  double full_px_per_file_px = 1.0;  ///< more than 1: the files are reduced copies
  double blur_limit_px = 2.0;        ///< that frames were held against in measuring
  double thumbnail_px = 1.0;         ///< full-size px per px of the thumbnails
  bool any = false;                  ///< some frame was measured; what follows is empty if not
  TileGrid grid;
  int reduction = 1;          ///< full-size px per px of the grid
  std::size_t reference = 0;  ///< a usable frame near the middle of the positions
  cv::Matx33d reference_from_grid = cv::Matx33d::eye();  ///< px of the grid to full-size px of it
  Thumbnail look;                                        ///< of the reference frame, coarse
  Profiles profiles;
  FocalPositions focus;  ///< a frame that shook is still usable in it
  std::optional<Haze> haze;
  double picture_tells_near = 0.5;  ///< picture_tells(): near_side.h
  SubjectView view;
  std::vector<SweepRange> sweeps;      ///< at `blur_limit_px`
  std::vector<std::size_t> lit_alike;  ///< one a sweep, groups_lit_alike()
  Movement movement;                   ///< boxes on the grid, conflicts not judged
  Drops drops;                         ///< px of the grid, conflicts not judged
  std::vector<Light> lights;           ///< empty where drops were not looked for
  /// Of a step that was left out for want of memory: what would do, bytes. 0: it was not.
  std::size_t movement_needs_bytes = 0;
  std::size_t drops_need_bytes = 0;
  /// Where the frames do not agree, and those of each sweep do: each measured as a burst. Empty
  /// where the burst is to be judged as a whole.
  std::vector<MeasuredSweep> apart;

  /// N, when the frames were taken.
  [[nodiscard]] std::vector<std::optional<double>> time_s() const;
};

/// One sweep, its frames counted from `first` of the burst.
struct MeasuredSweep {
  std::size_t first = 0;
  MeasuredBurst burst;
};

/// Reads one frame shrunk by `reduction` (1, 2, 4 or 8): decode() in the tool, a fake in the tests.
using ReadFrame = std::function<Result<LinearFrame>(const FrameRef&, int reduction)>;

/// Called now and then, never by two threads at once. False stops the analysis at its next step.
using Progress = std::function<bool(const char* stage, std::size_t done, std::size_t total)>;

/// Pictures kept, those of one later step, and those on their way: of a burst of 60 frames of 24
/// megapixels all fit. Ours, no source.
inline constexpr std::size_t kUsualMemoryBytes = 2'000'000'000;

/// What two frames on their way take at 60 megapixels, a third of it for everything else.
inline constexpr std::size_t kLeastMemoryBytes = 300'000'000;

struct MeasureOptions {
  LensOptions lens{};  ///< with N_w and pitch known, diffraction is reckoned with
  /// A blur limit below 2 px takes more px to judge; absent, or more: measured for the default.
  std::optional<double> finer_limit_px{};
  bool drops = true;  ///< look for drops
  /// What the pictures that are held at once may take, about. >= kLeastMemoryBytes. Less means that
  /// pictures are read again, and that checks which need many at once are left out.
  std::size_t memory_bytes = kUsualMemoryBytes;
  int threads = 0;  ///< 0: as many as there are cores
};

/// Threads to work with: as many as asked for (0: as many as there are cores), fewer where there is
/// not the memory for a picture in each.
[[nodiscard]] int threads_for(int threads, std::size_t memory_bytes);

/// max(2 px, diagonal / 3000): DESIGN section 2.
[[nodiscard]] double default_blur_limit_px(cv::Size full_size);

/// How much frames of this size are shrunk when they are read: 1, 2, 4 or 8.
/// @param full_size  px; 1 where it is empty
/// @param full_px_per_file_px  as in LinearFrame
[[nodiscard]] int reduction_read(cv::Size full_size, double full_px_per_file_px,
                                 const MeasureOptions& options);

/// Measures one burst. A picture of something else in its middle parts it (scenes.h): hence a list,
/// in capture order, each with the frames and indices of its own. Empty only where progress said
/// stop.
/// Same input, same result to the bit, whatever the number of threads.
/// @throws std::invalid_argument for options out of range. Never for what is in the pictures.
[[nodiscard]] std::vector<MeasuredBurst> measure(const Burst& burst, const ReadFrame& read,
                                                 const MeasureOptions& options = {},
                                                 const Progress& progress = {});

}  // namespace ringsweep
