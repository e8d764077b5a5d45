#pragma once
/// Verdict: coverage (and, once built, conflicts) -> complete, reshoot or cannot tell, with
/// reasons.

#include <cstddef>
#include <string>
#include <vector>

#include "ringsweep/coverage.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

enum class VerdictKind { complete, complete_without, reshoot, cannot_tell };

enum class ReasonKind {
  covered,         ///< every depth of the subject is sharp in a usable frame
  gap,             ///< `first_frame` and `last_frame` are too far apart
  gap_from_dark,   ///< the same, and frames between them that the flash did not light are the cause
  open_end,        ///< subject beyond the outermost usable frame `first_frame`
  too_few_frames,  ///< fewer than 3 usable frames
  no_subject,      ///< nothing is sharp anywhere
  no_sweep,        ///< the ring was not turned
  fit_not_trusted,  ///< the positions do not agree with the pictures; `detail` says why
};

/// One reason, as values: report.h words it, plainly or with numbers.
struct Reason {
  ReasonKind kind = ReasonKind::covered;
  std::size_t first_frame = 0;  ///< index in capture order; the frame shot earlier
  std::size_t last_frame = 0;   ///< the frame shot later; the same for an open end
  double width_px = 0.0;        ///< gap width, or how far the subject goes on beyond the end
  double width_sd_px = 0.0;
  double subject_share = 0.0;
  bool close_call = false;  ///< between 0.85 and 1.15 of what is allowed
  bool at_start = false;    ///< open_end: the end where the first sweep began
  std::string detail{};     ///< fit_not_trusted: the fit's own words
};

struct Verdict {
  VerdictKind kind = VerdictKind::cannot_tell;
  std::vector<Reason> reasons;  ///< never empty
};

/// @param dark N, capture order: true for frames that the flash did not light.
/// @param allowed_step_px 2 x blur limit.
[[nodiscard]] Verdict decide(const FocalPositions& focus, const Coverage& coverage,
                             const std::vector<SweepRange>& sweeps, const std::vector<bool>& dark,
                             double allowed_step_px);

}  // namespace ringsweep
