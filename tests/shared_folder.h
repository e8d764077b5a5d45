#pragma once
/// Where pictures lie that are not part of the project: $RINGSWEEP_SHARED, or the folder "shared"
/// beside it. Tests that need them skip where they are absent.

#include <cstdlib>
#include <filesystem>

namespace ringsweep {

inline std::filesystem::path shared_folder() {
  const char* set = std::getenv("RINGSWEEP_SHARED");
  return set != nullptr ? set : RINGSWEEP_SHARED_DEFAULT;
}

}  // namespace ringsweep
