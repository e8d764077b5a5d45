#pragma once
/// Names of frames as people say them: the file's name, or the number on the camera's screen.

#include <string_view>

namespace ringsweep {

/// Whether `name` means this file: its name, its name without the extension, or the digits that end
/// the latter (DCF, CIPA DC-009: four). Capitals and small letters are the same.
[[nodiscard]] bool is_called(std::string_view file, std::string_view name);

}  // namespace ringsweep
