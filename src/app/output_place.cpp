#include "app/output_place.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <system_error>

#include "app/json_field.h"
#include "app/user_folders.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

constexpr const char* kUsualName = "ringsweep-report";

/// Absolute, links and ".." resolved as far as the path exists.
fs::path resolved(const fs::path& path) {
  std::error_code failed;
  fs::path absolute = fs::absolute(path, failed);
  if (failed) absolute = path;
  fs::path result = fs::weakly_canonical(absolute, failed);
  if (failed) result = absolute.lexically_normal();
  // "a/" and "a" are one folder.
  return result.has_filename() || !result.has_relative_path() ? result : result.parent_path();
}

bool is_within(const fs::path& path, const fs::path& folder) {
  const auto [in_folder, in_path] =
      std::mismatch(folder.begin(), folder.end(), path.begin(), path.end());
  return in_folder == folder.end();
}

/// The file system that holds the path, or the nearest of its parents that exists.
std::optional<dev_t> device_of(fs::path path) {
  for (;;) {
    struct stat status {};
    if (stat(path.c_str(), &status) == 0) return status.st_dev;
    if (!path.has_relative_path()) return std::nullopt;
    path = path.parent_path();
  }
}

/// Whether the path is on the file system mounted at `root`, perhaps by way of another mount point.
/// A folder that is no mount point shares its device with everything around it, and tells nothing.
bool on_same_mount(const fs::path& path, const fs::path& root) {
  const auto device = device_of(root);
  return device && device != device_of(root.parent_path()) && device == device_of(path);
}

Error error_at(const fs::path& place, std::string problem, std::string remedy) {
  return {.file = place.string(), .problem = std::move(problem), .remedy = std::move(remedy)};
}

std::string system_words(std::error_code code) { return code.message(); }

/// What the user would call the input: the folder's name, for a card its own rather than "DCIM".
fs::path name_of(const fs::path& input) {
  fs::path path = resolved(input);
  std::error_code failed;
  if (fs::is_regular_file(path, failed)) path = path.parent_path();
  if (path.filename() == "DCIM") path = path.parent_path();
  return path.has_filename() ? path.filename() : fs::path("card");
}

/// What every report has beside its depth pictures.
constexpr std::array<std::string_view, 5> kTextFiles{"report.json", "report.txt", "report.html",
                                                     "frames.csv", "latest.html"};

std::optional<int> depth_picture_number(const std::string& name) {
  constexpr std::string_view kBegin = "depth-";
  constexpr std::string_view kEnd = ".png";
  if (!name.starts_with(kBegin) || !name.ends_with(kEnd)) return std::nullopt;
  if (name.size() <= kBegin.size() + kEnd.size()) return std::nullopt;
  int number = 0;
  const char* first = name.data() + kBegin.size();
  const char* last = name.data() + name.size() - kEnd.size();
  const auto [end, problem] = std::from_chars(first, last, number);
  if (problem != std::errc() || end != last || number < 1) return std::nullopt;
  return number;
}

/// Number of bursts in a report of ours; nothing if the file is none.
std::optional<std::size_t> bursts_in_report(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  if (!stream) return std::nullopt;
  const auto report = nlohmann::json::parse(stream, nullptr, /*allow_exceptions=*/false);
  if (!has_field(report, "format", "ringsweep-report")) return std::nullopt;
  const auto bursts = report.find("bursts");
  return bursts != report.end() && bursts->is_array() ? bursts->size() : 0;
}

/// A name beside `file` that nobody else uses.
fs::path beside(const fs::path& file) {
  return file.parent_path() / fmt::format(".{}.{}.part", file.filename().string(), getpid());
}

Result<void> write_bytes(const fs::path& file, std::string_view bytes) {
  const auto failed = [&](int number) {
    std::error_code ignored;
    fs::remove(file, ignored);
    return tl::unexpected(error_at(
        file.parent_path(),
        fmt::format("cannot be written to ({})", system_words({number, std::generic_category()})),
        "choose another folder with --out"));
  };
  constexpr mode_t kMode = 0666;  // the user's umask decides
  const int descriptor = open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, kMode);
  if (descriptor < 0) return failed(errno);
  while (!bytes.empty()) {
    const ssize_t written = ::write(descriptor, bytes.data(), bytes.size());
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) {
      const int number = written < 0 ? errno : ENOSPC;
      close(descriptor);
      return failed(number);
    }
    bytes.remove_prefix(static_cast<std::size_t>(written));
  }
  // Some file systems tell only here that there was no room.
  if (close(descriptor) != 0) return failed(errno);
  return {};
}

Result<void> can_write_in(const fs::path& folder) {
  const fs::path probe = folder / fmt::format(".ringsweep-probe.{}.part", getpid());
  Result<void> result = write_bytes(probe, "?");
  std::error_code ignored;
  fs::remove(probe, ignored);
  return result;
}

void remove_if_empty(std::span<const fs::path> created) {
  std::error_code ignored;
  for (auto it = created.rbegin(); it != created.rend(); ++it) fs::remove(*it, ignored);
}

}  // namespace

std::optional<Error> why_not_there(const fs::path& place, std::span<const fs::path> inputs,
                                   const Roots& roots) {
  const fs::path target = resolved(place);
  constexpr const char* kRemedy = "choose a folder elsewhere with --out";
  for (const fs::path& input : inputs) {
    if (is_within(target, resolved(input))) {
      return error_at(place, "lies under the pictures to be read, where nothing is written",
                      kRemedy);
    }
    const auto lies_on = [&](const std::optional<fs::path>& root) {
      return root && (is_within(target, resolved(*root)) || on_same_mount(target, resolved(*root)));
    };
    if (lies_on(roots.card(input)))
      return error_at(place, "lies on the card, where nothing is written", kRemedy);
    if (lies_on(roots.removable(input))) {
      return error_at(
          place, "lies on the disk the pictures are read from, where nothing is written", kRemedy);
    }
  }
  if (roots.card(target)) {
    return error_at(place, "lies on a card, where nothing is written", kRemedy);
  }
  return std::nullopt;
}

Result<ReportFolder> choose_report_folder(const std::optional<fs::path>& wanted,
                                          std::span<const fs::path> inputs, const Roots& roots) {
  if (wanted) {
    if (auto why = why_not_there(*wanted, inputs, roots)) return tl::unexpected(*why);
    return ReportFolder{.path = *wanted};
  }
  std::error_code no_folder;
  const fs::path here = fs::current_path(no_folder);
  if (!no_folder && !why_not_there(here / kUsualName, inputs, roots)) {
    return ReportFolder{.path = here / kUsualName};
  }
  const auto home = user_folder("XDG_DATA_HOME", ".local/share");
  if (!home) {
    return tl::unexpected(error_at(kUsualName, "has no place: no home folder is known",
                                   "choose a folder with --out"));
  }
  const fs::path name = inputs.empty() ? fs::path("card") : name_of(inputs.front());
  const fs::path place = *home / "ringsweep" / name;
  if (auto why = why_not_there(place, inputs, roots)) return tl::unexpected(*why);
  return ReportFolder{.path = place, .moved_off_card = true};
}

Result<ReportPlace> ReportPlace::prepare(const fs::path& folder) {
  std::error_code failed;
  if (fs::exists(folder, failed) && !fs::is_directory(folder, failed)) {
    return tl::unexpected(
        error_at(folder, "is a file, not a folder", "choose another folder with --out"));
  }
  ReportPlace place(folder);
  std::vector<fs::path> missing;
  for (fs::path path = fs::absolute(folder, failed).lexically_normal(); !fs::exists(path, failed);
       path = path.parent_path()) {
    if (path.has_filename()) missing.push_back(path);
    if (!path.has_relative_path()) break;
  }
  for (auto it = missing.rbegin(); it != missing.rend(); ++it) {
    if (!fs::create_directory(*it, failed) && !fs::is_directory(*it)) {
      return tl::unexpected(error_at(folder,
                                     fmt::format("cannot be created ({})", system_words(failed)),
                                     "choose another folder with --out"));
    }
    place.created_.push_back(*it);
  }
  if (const auto bursts = bursts_in_report(folder / "report.json")) {
    place.earlier_.assign(kTextFiles.begin(), kTextFiles.end());
    for (std::size_t i = 1; i <= *bursts; ++i) {
      place.earlier_.push_back(fmt::format("depth-{}.png", i));
    }
  }
  for (auto it = fs::directory_iterator(folder, failed); !failed && it != fs::directory_iterator();
       it.increment(failed)) {
    const std::string name = it->path().filename().string();
    const bool name_of_ours = std::ranges::find(kTextFiles, name) != kTextFiles.end() ||
                              depth_picture_number(name).has_value();
    if (name_of_ours && std::ranges::find(place.earlier_, name) == place.earlier_.end()) {
      return tl::unexpected(error_at(folder,
                                     fmt::format("holds {}, which is from no earlier report", name),
                                     "choose another folder with --out, or move that file away"));
    }
  }
  // Last, so that a folder that is refused has not been touched.
  if (auto writable = can_write_in(folder); !writable) return tl::unexpected(writable.error());
  return place;
}

ReportPlace::ReportPlace(ReportPlace&& other) noexcept
    : folder_(std::move(other.folder_)),
      created_(std::exchange(other.created_, {})),
      earlier_(std::move(other.earlier_)) {}

ReportPlace::~ReportPlace() { leave(); }

void ReportPlace::leave() { remove_if_empty(created_); }

Result<void> ReportPlace::write(std::span<const std::pair<std::string, std::string>> files) {
  std::error_code failed;
  std::vector<fs::path> parts;
  const auto give_up = [&](Error error) {
    std::error_code ignored;
    for (const fs::path& part : parts) fs::remove(part, ignored);
    return tl::unexpected(std::move(error));
  };
  for (const auto& [name, bytes] : files) {
    const fs::path part = beside(folder_ / name);
    if (auto written = write_bytes(part, bytes); !written) return give_up(written.error());
    parts.push_back(part);
  }
  for (std::size_t i = 0; i < files.size(); ++i) {
    fs::rename(parts[i], folder_ / files[i].first, failed);
    if (failed) {
      return give_up(error_at(folder_ / files[i].first,
                              fmt::format("cannot be replaced ({})", system_words(failed)),
                              "choose another folder with --out"));
    }
  }
  created_.clear();
  for (const std::string& name : earlier_) {
    const auto same = [&](const auto& file) { return file.first == name; };
    if (std::ranges::none_of(files, same)) fs::remove(folder_ / name, failed);
  }
  return {};
}

std::optional<Error> why_not_this_file(const fs::path& file, std::span<const fs::path> inputs,
                                       const Roots& roots) {
  constexpr const char* kRemedy = "choose another file with --json";
  if (auto why = why_not_there(file, inputs, roots)) {
    why->remedy = kRemedy;
    return why;
  }
  std::error_code failed;
  const fs::path folder = resolved(file).parent_path();
  if (!fs::is_directory(folder, failed)) {
    return error_at(file, "lies in a folder that does not exist", "create it first");
  }
  if (fs::is_directory(file, failed)) return error_at(file, "is a folder", kRemedy);
  if (fs::is_regular_file(file, failed) && fs::file_size(file, failed) > 0 &&
      !bursts_in_report(file)) {
    return error_at(file, "exists and is no report of ringsweep; it is left as it is", kRemedy);
  }
  if (fs::exists(file, failed) && !fs::is_regular_file(file, failed)) return std::nullopt;
  if (auto writable = can_write_in(folder); !writable) {
    Error error = writable.error();
    error.remedy = kRemedy;
    return error;
  }
  return std::nullopt;
}

bool is_from_report(const fs::path& picture) {
  return depth_picture_number(picture.filename().string()).has_value() &&
         bursts_in_report(picture.parent_path() / "report.json").has_value();
}

Result<void> write_whole(const fs::path& file, std::string_view bytes) {
  std::error_code failed;
  if (fs::exists(file, failed) && !fs::is_regular_file(file, failed)) {
    // A pipe or /dev/null: there is no place beside it to move from.
    std::ofstream stream(file, std::ios::binary);
    stream << bytes << std::flush;
    if (!stream) {
      return tl::unexpected(error_at(file, "cannot be written to", "choose another file"));
    }
    return {};
  }
  const fs::path place = resolved(file);
  const fs::path part = beside(place);
  if (auto written = write_bytes(part, bytes); !written) return written;
  fs::rename(part, place, failed);
  if (!failed) return {};
  std::error_code ignored;
  fs::remove(part, ignored);
  return tl::unexpected(error_at(file, fmt::format("cannot be replaced ({})", system_words(failed)),
                                 "choose another file"));
}

}  // namespace ringsweep::app
