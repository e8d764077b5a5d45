#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <algorithm>
#include <cctype>
#include <fstream>
#include <optional>
#include <set>
#include <sstream>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

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

/// A path of the kernel's list: spaces and the like stand there as three octal digits.
std::string unescaped(std::string_view text) {
  const auto octal = [](char c) { return c >= '0' && c <= '7'; };
  std::string plain;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\\' && i + 3 < text.size() && std::all_of(&text[i + 1], &text[i + 4], octal)) {
      plain += static_cast<char>((text[i + 1] - '0') * 64 + (text[i + 2] - '0') * 8 +
                                 (text[i + 3] - '0'));
      i += 3;
    } else {
      plain += text[i];
    }
  }
  return plain;
}

struct Mount {
  std::string device;  // major:minor
  fs::path place;
  bool is_disk = false;
};

/// "36 35 98:0 /part /place rw,noatime master:1 - ext3 /dev/root rw": proc_pid_mountinfo(5).
std::optional<Mount> mount_in(const std::string& line) {
  std::istringstream fields(line);
  std::string id, parent, part, place, word, kind, source;
  Mount mount;
  fields >> id >> parent >> mount.device >> part >> place;
  while (fields >> word && word != "-") {
  }
  if (!(fields >> kind >> source)) return std::nullopt;
  mount.place = unescaped(place);
  mount.is_disk = source.starts_with("/dev/");  // a share has none, whatever mounts it
  return mount;
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

std::vector<fs::path> mounted_cards(const fs::path& mountinfo) {
  std::ifstream list(mountinfo);
  std::set<std::string> seen;
  std::vector<fs::path> cards;
  for (std::string line; std::getline(list, line);) {
    const auto mount = mount_in(line);
    if (mount && mount->is_disk && holds_dcim(mount->place) && seen.insert(mount->device).second)
      cards.push_back(mount->place);
  }
  std::ranges::sort(cards);
  return cards;
}

std::optional<fs::path> removable_root(const fs::path& path, const fs::path& sys) {
  fs::path folder = existing(path);
  const auto device = device_of(folder);
  if (!device || device == device_of("/") || !is_removable(*device, sys)) return std::nullopt;
  while (device_of(folder.parent_path()) == device) folder = folder.parent_path();
  return folder;
}

}  // namespace ringsweep
