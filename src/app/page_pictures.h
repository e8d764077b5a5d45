#pragma once
/// Page pictures: every frame opened once more, small, for the page.

#include <vector>

#include "app/analysis.h"
#include "app/console.h"
#include "ringsweep/page.h"

namespace ringsweep::app {

/// One a burst, with a place for each frame, empty where it cannot be read; stopped by a signal,
/// with what there is so far. The more frames there are in all, the smaller they get, so that the
/// page stays small enough to be carried about.
[[nodiscard]] std::vector<BurstPictures> take_pictures(const Analysed& analysed,
                                                       const AnalysisRequest& request,
                                                       const Console& console,
                                                       const Stages& stages);

}  // namespace ringsweep::app
