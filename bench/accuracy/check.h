#pragma once
/// The way of `ringsweep check` from a folder to report.json, without writing anything.

#include <cstddef>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <span>

#include "ringsweep/analyse.h"
#include "ringsweep/lens.h"

namespace ringsweep::accuracy {

inline constexpr std::size_t kFewestFrames = 5;  ///< fewer are no burst: as in `ringsweep check`

struct Answer {
  /// merged(report); null: no burst was found. With `steps`, which no report has: those of the
  /// coverage, the fields as in `gaps`.
  nlohmann::json said;
  double seconds = 0.0;
};

/// What a report says of these, and the steps.
[[nodiscard]] nlohmann::json said_of(std::span<const BurstAnalysis> bursts);

/// Opens the pictures below the folder. Never throws for what is in them.
[[nodiscard]] Answer check(const std::filesystem::path& folder, const LensOptions& lens = {});

}  // namespace ringsweep::accuracy
