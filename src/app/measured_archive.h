#pragma once
/// Measured archive: measured bursts as bytes, and back, to the bit.

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/measured_burst.h"

namespace ringsweep::app {

/// What is known of the frames before they are measured is left out: whoever reads the bytes again
/// has found the burst again.
/// @param parts  of measure(burst)
[[nodiscard]] std::string archived(const std::vector<MeasuredBurst>& parts, const Burst& burst);

/// @param bytes  of archived(), by the same program, for a burst of the same frames
/// @return nothing where they are not that; bytes that were changed on purpose are not noticed
[[nodiscard]] std::optional<std::vector<MeasuredBurst>> from_archive(std::string_view bytes,
                                                                     const Burst& burst);

}  // namespace ringsweep::app
