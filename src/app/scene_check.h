#pragma once
/// Scene check: bursts that were analysed one by one -> scenes, and which bursts are complete
/// together.

#include <vector>

#include "app/analysis.h"
#include "ringsweep/session.h"

namespace ringsweep::app {

/// Groups the bursts to scenes. Where several bursts of one are sweeps and none is complete, their
/// frames are read once more and analysed as one burst. Of more than 300 frames they are not: that
/// would cost more time than another try.
[[nodiscard]] std::vector<Scene> check_scenes(const Analysed& analysed,
                                              const AnalysisRequest& request,
                                              const Console& console, const Stages& stages);

/// What the report shows: the bursts, then the scenes' wholes, all with their files.
[[nodiscard]] Analysed with_wholes(Analysed analysed, const std::vector<Scene>& scenes);

}  // namespace ringsweep::app
