#include <sys/stat.h>

#include <algorithm>
#include <cctype>
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

}  // namespace

std::optional<fs::path> card_root(const fs::path& path) {
  std::error_code code;
  fs::path folder = fs::weakly_canonical(fs::absolute(path, code), code);
  if (code) folder = fs::absolute(path, code).lexically_normal();
  while (folder.has_relative_path() && !fs::exists(folder, code)) folder = folder.parent_path();
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

}  // namespace ringsweep
