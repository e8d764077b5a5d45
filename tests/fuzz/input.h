#pragma once
/// What the fuzz targets share. Files are opened by path, so the bytes of a run are written into
/// one; on a file system in memory (TMPDIR=/dev/shm) that costs little.

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <filesystem>

#include "app/scratch_folder.h"

namespace ringsweep::fuzz {

/// A file of that name with these bytes, in a folder that is kept until the program ends.
inline std::filesystem::path input_file(const std::filesystem::path& name, const std::uint8_t* data,
                                        std::size_t size) {
  static const testing_app::ScratchFolder folder;
  return folder.put(name, std::string(reinterpret_cast<const char*>(data), size));
}

/// Ends the program where a promise is broken, as a sanitizer does.
inline void require(bool promise) {
  if (!promise) std::abort();
}

}  // namespace ringsweep::fuzz
