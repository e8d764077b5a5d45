#pragma once
/// New files: copies of pictures, lists and sidecars, all of them put in place or none.

#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <span>
#include <string>

#include "ringsweep/result.h"

namespace ringsweep::app {

struct NewFile {
  std::filesystem::path place;
  std::string bytes{};                              ///< what goes into it, unless it is a copy
  std::optional<std::filesystem::path> original{};  ///< the file to copy byte for byte
};

/// Why these files cannot be put there, as far as it can be told without writing: one exists
/// already, two have the same place, or the disk has too little room. Nothing where they can.
[[nodiscard]] std::optional<Error> why_not_new(std::span<const NewFile> files);

/// Writes every file under another name beside its place, reads copies back and compares them with
/// their originals, then gives all of them their names. Makes the folders it needs. Where anything
/// fails, or `stopped` says so, everything it put there is taken away again. Overwrites nothing.
/// Copies keep the time of last change.
/// @return the number of bytes written; an error, one for all.
[[nodiscard]] Result<std::uintmax_t> put_new_files(std::span<const NewFile> files,
                                                   const std::function<bool()>& stopped);

/// Whether two files hold the same bytes, read from the disk where the system lets us; an error
/// where they do not, or cannot be read.
[[nodiscard]] Result<void> compare_files(const std::filesystem::path& original,
                                         const std::filesystem::path& copy);

}  // namespace ringsweep::app
