#pragma once
/// Action: the sentence that says what to do next.

#include <string>

#include "ringsweep/analyse.h"

namespace ringsweep::wording {

/// "about half as far"; for a factor of 0.9 or more "as far as before".
[[nodiscard]] std::string turn_words(double turn_factor);

/// What to do next, in plain words and one or two sentences, no numbers but those of frames.
[[nodiscard]] std::string action(const BurstAnalysis& burst);

}  // namespace ringsweep::wording
