#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <algorithm>
#include <cctype>
#include <fstream>
#include <optional>
#include <string>
#include <system_error>

#include "ringsweep/intake.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;

bool holds_dcim(const fs::path& folder) {
  std::error_code code;
  fs::directory_iterator it(folder, fs::directory_options::skip_permission_denied, code);
  for (; !code && it != fs::directory_iterator(); it.increment(code)) {
    std::string name = it->path().filename().string();
    std::ranges::transform(name, name.begin(),
                           [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
    std::error_code type_code;
    if (name == "DCIM" && it->is_directory(type_code)) return true;
  }
  return false;
}

std::optional<dev_t> device_of(const fs::path& path) {
  struct stat status {};
  if (stat(path.c_str(), &status) != 0) return std::nullopt;
  return status.st_dev;
}

/// Links resolved; of what does not exist, the nearest of its parents that does.
fs::path existing(const fs::path& path) {
  std::error_code code;
  fs::path folder = fs::weakly_canonical(fs::absolute(path, code), code);
  if (code) folder = fs::absolute(path, code).lexically_normal();
  while (folder.has_relative_path() && !fs::exists(folder, code)) folder = folder.parent_path();
  return folder;
}

std::string first_word(const fs::path& file) {
  std::string word;
  std::ifstream(file) >> word;
  return word;
}

/// What the kernel says of a block device, a whole disk or a partition of one: `removable` is 1
/// where the medium can be taken out of its drive, `device/type` is SD for a card in a built-in
/// reader (sysfs of Linux, from memory).
bool is_removable(dev_t device, const fs::path& sys) {
  std::error_code code;
  const fs::path block = fs::canonical(
      sys / "dev/block" / (std::to_string(major(device)) + ':' + std::to_string(minor(device))),
      code);
  if (code) return false;
  for (const fs::path& disk : {block, block.parent_path()})
    if (first_word(disk / "removable") == "1" || first_word(disk / "device/type") == "SD")
      return true;
  return false;
}

}  // namespace

std::optional<fs::path> card_root(const fs::path& path) {
  fs::path folder = existing(path);
  const auto device = device_of(folder);
  if (!device) return std::nullopt;
  // Up to the root of the file system, where the device changes. A folder on the way that holds
  // DCIM is a card too, or a copy of one.
  while (true) {
    if (holds_dcim(folder)) return folder;
    const fs::path parent = folder.parent_path();
    if (parent == folder || device_of(parent) != device) return std::nullopt;
    folder = parent;
  }
}

std::optional<fs::path> removable_root(const fs::path& path, const fs::path& sys) {
  fs::path folder = existing(path);
  const auto device = device_of(folder);
  if (!device || device == device_of("/") || !is_removable(*device, sys)) return std::nullopt;
  while (device_of(folder.parent_path()) == device) folder = folder.parent_path();
  return folder;
}

}  // namespace ringsweep
