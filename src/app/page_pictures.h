#pragma once
/// Page pictures: every frame opened once more, small, for the page.

#include <cstddef>
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

/// Places for pictures that cannot be made, or are left away.
[[nodiscard]] BurstPictures no_pictures(std::size_t frames, std::size_t proofs);

/// The same pictures as one of several bursts has them on a page of so many frames in all.
/// @param own_frames  of the burst, which they were taken for alone
[[nodiscard]] BurstPictures as_one_of(const BurstPictures& pictures, std::size_t own_frames,
                                      std::size_t frames, std::size_t bursts);

/// The same pictures, each side so many times as long.
/// @param factor  > 0, less than 1
[[nodiscard]] BurstPictures shrunk(const BurstPictures& pictures, double factor);

}  // namespace ringsweep::app
