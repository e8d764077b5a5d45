#pragma once
/// Analyse: a burst and a function that reads a frame -> everything there is to say. Start reading
/// here: src/measured_burst.cpp, then src/judge.cpp run the arrows of the design in order, each on
/// one page.

#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/advice.h"
#include "ringsweep/coverage.h"
#include "ringsweep/drops.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/frame.h"
#include "ringsweep/haze.h"
#include "ringsweep/lens.h"
#include "ringsweep/measured_burst.h"
#include "ringsweep/movement.h"
#include "ringsweep/near_side.h"
#include "ringsweep/registration.h"
#include "ringsweep/result.h"
#include "ringsweep/subject.h"
#include "ringsweep/sweep_differences.h"
#include "ringsweep/verdict.h"
#include "ringsweep/whole_shift.h"

namespace ringsweep {

/// One frame of the burst, whether it could be used or not.
struct FrameAnalysis {
  std::string file;
  std::optional<double> time_s;  ///< since the first frame of the burst that has a time
  std::optional<double> focus_px;
  std::optional<double> focus_sd_px;
  /// Movement during the exposure, px; 0 where none is seen, absent where it cannot be told.
  std::optional<double> shake_px;
  /// What the picture's scale says of the position less `focus_px`, where both cannot be true.
  std::optional<double> scale_off_px;
  std::optional<double> gain_ev;  ///< exposure against the fully lit frames; negative is darker
  std::vector<FrameFlag> flags;
  bool usable = false;   ///< covers depth
  std::size_t pose = 0;  ///< frames of two poses do not go into one stack: poses.h
  std::string problem;   ///< unreadable: why and what to do, as one line
  cv::Matx33d reference_from_frame = cv::Matx33d::eye();  ///< full-size px, sensor orientation
  double scale = 1.0;  ///< of this frame's picture against the reference frame's
};

/// A run of frames in which the ring was turned one way. Frames by index in capture order.
struct Sweep {
  std::size_t first = 0;
  std::size_t last = 0;  ///< inclusive
  bool rising = true;    ///< positions grow from first to last
  Verdict verdict;
  std::vector<Gap> gaps;         ///< of this sweep alone
  SweepDifference difference{};  ///< from the first sweep
};

/// Where the picture is sharp, on a grid of tiles: what the depth picture is drawn from.
struct DepthMap {
  cv::Mat q_px;          ///< CV_32FC1, one value a tile, NaN where nothing can be told
  cv::Mat weight;        ///< CV_32FC1, 0..1
  cv::Mat role;          ///< CV_8UC1, TileRole; stray where there is no tile
  double tile_px = 0.0;  ///< edge of a tile, full-size px of the reference frame
  /// CV_32FC1, log of the tile's energy in the frame that focuses within a quarter of the blur
  /// limit of it, against the square of that picture's mean light; NaN where none does. Empty: not
  /// measured.
  cv::Mat log_contrast{};
  /// Column and row of a tile (its middle) to full-size px of the reference frame, sensor
  /// orientation.
  cv::Matx33d reference_from_tile = cv::Matx33d::eye();
};

/// How close it was: what another blur limit would have found.
struct LimitRow {
  double blur_limit_px = 0.0;
  std::size_t gaps = 0;  ///< that are more than soft places
  std::size_t soft = 0;  ///< soft places
  std::size_t open_ends = 0;
};

/// Which part of the picture must be sharp, as the user says it. Nothing said: it is found.
struct SubjectChoice {
  /// Corners of a polygon, full-size px of the upright reference frame; a box has four.
  std::vector<cv::Point2d> outline{};
  cv::Mat mask{};  ///< CV_8UC1 of any size over the upright reference frame, 0 where no subject is
  /// Frames by name, last four digits or number: the depth between the two is wanted, whatever the
  /// order. Both or none; a burst that lacks one of them is judged as if nothing were said.
  std::string from_frame{};
  std::string to_frame{};
  /// Everything in front of this frame may stay blurred. Needs the near side, else it is the end of
  /// the sweep that is closer to the frame.
  std::string leave_in_front_of{};
};

/// Distances are less certain than the pictures' own scatter says, since curves of discs know
/// nothing of the lens's own blur (diffraction, most likely).
struct LensDoubt {
  std::optional<double> quarter_wave_px;  ///< how much that is; absent: the pictures do not tell
  bool needs_working_f_number = true;     ///< what is not known of the lens and would mend it
  bool needs_pitch = true;
};

struct BurstAnalysis {
  std::string folder;
  std::vector<FrameAnalysis> frames;  ///< capture order
  /// Where the frames' times begin: seconds since 1970 of the camera's own clock. Absent: no frame
  /// has a time.
  std::optional<double> start_s;
  std::size_t reference = 0;
  int orientation = 1;  ///< Exif, the majority's
  cv::Size full_size;   ///< of the camera's picture, px, sensor orientation
  FullSizeFrom full_size_from = FullSizeFrom::file;
  double full_px_per_file_px = 1.0;  ///< more than 1: the files are reduced copies
  bool too_small = false;            ///< the files do not show what the blur limit asks for
  double working_px_per_px = 1.0;    ///< full-size px per working px
  FitStatus fit_status = FitStatus::not_run;
  std::string fit_reason;
  std::optional<double> scale_sd;  ///< relative sd of the px scale
  NearSide near_side;              ///< where it is known, positions grow towards near
  std::optional<Haze> haze;        ///< contrast lost from some frame on
  double blur_limit_px = 2.0;
  double allowed_step_px = 4.0;
  std::optional<double> quarter_wave_blur_px;  ///< 2 lambda N_w / p
  /// The working f-number in it was given; false: the files' f-number stands in for it, and it may
  /// be more.
  bool working_f_number_given = false;
  RingScale ring;           ///< what turns px into mm and degrees, as far as it is known
  bool wave_model = false;  ///< distances by defocus and diffraction together, not by discs
  std::optional<LensDoubt> lens_doubt;
  Coverage coverage;
  bool subject_trusted = false;  ///< Subject::trusted
  bool subject_said = false;     ///< Subject::said
  std::vector<LimitRow> limits;  ///< 2 px, diagonal / 3000, diagonal / 1500: by rising limit
  std::vector<Sweep> sweeps;
  /// Indices of the fewest sweeps that are complete together: one, where one is complete alone.
  /// Empty: the burst is not complete.
  std::vector<std::size_t> complete_sweeps;
  Verdict verdict;
  Drops drops;        ///< not looked for where the user does not care
  Movement movement;  ///< parts in the order of their frames
  std::vector<WholeShift> whole_shifts;
  RingAdvice advice;
  DepthMap depth;
  /// The reference frame, coarse: what tells bursts of one scene. No level: no frame could be used.
  Thumbnail look;
  std::vector<std::string> notes;  ///< whole sentences, for the details
};

struct AnalysisOptions {
  std::optional<double> blur_limit_px{};  ///< absent: default_blur_limit_px of the full-size frame
  LensOptions lens{};  ///< with N_w and pitch known, diffraction is reckoned with
  /// What the pictures that are held at once may take, about. >= kLeastMemoryBytes. Less means that
  /// pictures are read again, and that checks which need many at once are left out: the notes say
  /// which.
  std::size_t memory_bytes = kUsualMemoryBytes;
  int threads = 0;  ///< 0: as many as there are cores
  SubjectChoice subject{};
  bool ignore_drops = false;        ///< they are not looked for
  std::optional<Side> first_end{};  ///< where the first sweep of every burst began, if known
  /// A learnt lens: the side where the picture gets larger. It holds for one lens, one side of 1:1
  /// and one kind of focusing: where the whole lens moves and the body stays put, a longer
  /// extension makes the picture larger and focuses nearer below 1:1, farther beyond; inner
  /// focusing obeys neither. Absent: the picture's scale says nothing about near and far.
  std::optional<Side> larger_picture{};
};

/// The old handbooks' limit, diagonal / 1500: common practice, no source.
[[nodiscard]] double handbook_blur_limit_px(cv::Size full_size);

/// What of these must be known before anything is measured.
/// @throws std::invalid_argument for a blur limit out of range
[[nodiscard]] MeasureOptions measure_options(const AnalysisOptions& options);

/// Decides all there is to say of what was measured: quick, and no picture is opened for it.
/// @param burst  measured with measure_options(options)
[[nodiscard]] BurstAnalysis judge(const MeasuredBurst& burst, const AnalysisOptions& options = {});

/// Measures and judges one burst. A picture of something else in its middle parts it (scenes.h):
/// hence a list, in capture order, each with the frames, indices and times of its own. Empty only
/// where progress said stop. Same input, same result to the bit, whatever the number of threads.
/// @throws std::invalid_argument for options out of range. Never for what is in the pictures.
[[nodiscard]] std::vector<BurstAnalysis> analyse(const Burst& burst, const ReadFrame& read,
                                                 const AnalysisOptions& options = {},
                                                 const Progress& progress = {});

}  // namespace ringsweep
