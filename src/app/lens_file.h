#pragma once
/// Lens file: what was learnt of a lens, kept for the user under
/// ${XDG_CONFIG_HOME:-~/.config}/ringsweep/lenses/NAME.json (XDG Base Directory Specification).

#include <filesystem>
#include <optional>
#include <string>

#include "ringsweep/learn_lens.h"
#include "ringsweep/result.h"

namespace ringsweep::app {

/// Letters, digits, '-', '_' and '.', at most 64, no '.' at the beginning: a file's name
/// everywhere.
/// @return why a name is none, as a sentence without its full stop; empty where it is one
[[nodiscard]] std::string why_no_lens_name(const std::string& name);

/// Where a lens of that name is kept; an error where no home folder is known.
[[nodiscard]] Result<std::filesystem::path> lens_file(const std::string& name);

/// The lens of that name; absent where none was learnt.
/// @return an error where the file is broken, or is none of ours
[[nodiscard]] Result<std::optional<LearntLens>> find_lens(const std::string& name);

/// The lens of that name; an error with the names there are where none was learnt.
[[nodiscard]] Result<LearntLens> read_lens(const std::string& name);

/// Keeps it, whole or not at all; creates the folders.
[[nodiscard]] Result<void> write_lens(const std::string& name, const LearntLens& lens);

}  // namespace ringsweep::app
