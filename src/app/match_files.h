#pragma once
/// Match files: the frames of a report, found again among pictures that may have been renamed or
/// developed since. Pure: no file is touched.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::app {

struct MatchedFiles {
  /// For each burst and each of its frames the index of its file; absent: it is not there.
  std::vector<std::vector<std::optional<std::size_t>>> files;
  std::size_t by_time = 0;  ///< frames found by their time, having lost their name
  std::size_t other_time =
      0;                    ///< files that have the name of a frame, but were shot at another time
  std::size_t unknown = 0;  ///< files that are no frame of the report
};

/// By the name without its extension, whatever its case; where both have a time it must be the same
/// to two seconds (a camera's numbers begin again), and of several files of one name the picture
/// goes before the raw unless `prefer_raw`. What is left then, by the time of capture: the same to
/// the thousandth, or, where the files have whole seconds only, as many files as frames in that
/// second, in their order. Each file is one frame at most.
[[nodiscard]] MatchedFiles match_files(std::span<const BurstAnalysis> bursts,
                                       std::span<const FrameRef> files, bool prefer_raw);

}  // namespace ringsweep::app
