#pragma once
/// Kept views: pictures to look at, made while frames are measured, so that for the report's
/// pictures most files need not be opened again.

#include "app/analysis.h"

namespace ringsweep::app {

/// Stages of which decode() keeps a view of each frame, as a JPEG in memory, up to a bound, and
/// view() gives it where it is large enough for what is asked for, shrunk to that; else it opens
/// the file. Unchanged where the stages cannot make views by the way.
[[nodiscard]] Stages with_views_kept(Stages stages);

}  // namespace ringsweep::app
