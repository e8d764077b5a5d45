#pragma once
/// User folders: where programs keep what is the user's (XDG Base Directory Specification).

#include <filesystem>
#include <optional>

namespace ringsweep::app {

/// @param variable     that may name the folder; ignored unless it is an absolute path
/// @param below_home   where it lies in the home folder otherwise
/// @return nothing where no home folder is known
[[nodiscard]] std::optional<std::filesystem::path> user_folder(
    const char* variable, const std::filesystem::path& below_home);

}  // namespace ringsweep::app
