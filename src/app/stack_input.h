#pragma once
/// Stack input: what the stack list is made from, taken from an analysis or a report.

#include <optional>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/stack_list.h"

namespace ringsweep::app {

/// To the thousandth, as report.json has it: a list made at home from a report is the list that was
/// made in the field.
[[nodiscard]] double as_reported(double value);

/// The depths that are to be covered: the subject's and up to a blur limit beside them, as far as
/// the verdict asks for them and, beside the subject, the burst goes. The only place that decides
/// it. Absent where there is no subject, or positions are not to be trusted.
[[nodiscard]] std::optional<DepthRange> wanted_depths(const BurstAnalysis& burst);

/// Steps between neighbouring usable frames that are wider than allowed and yet no gap: nothing of
/// the subject lies deep inside them. By rising position.
[[nodiscard]] std::vector<DepthRange> empty_depths(const BurstAnalysis& burst);

/// One for each frame of the burst.
[[nodiscard]] std::vector<StackFrame> stack_frames(const BurstAnalysis& burst);

}  // namespace ringsweep::app
