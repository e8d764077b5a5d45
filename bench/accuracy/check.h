#pragma once
/// The way of `ringsweep check` from a folder to report.json, without writing anything.

#include <filesystem>
#include <nlohmann/json.hpp>

#include "ringsweep/lens.h"

namespace ringsweep::accuracy {

struct Answer {
  nlohmann::json said;  ///< merged(report); null: no burst was found
  double seconds = 0.0;
};

/// Opens the pictures below the folder. Never throws for what is in them.
[[nodiscard]] Answer check(const std::filesystem::path& folder, const LensOptions& lens = {});

}  // namespace ringsweep::accuracy
