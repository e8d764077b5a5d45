#include "app/new_files.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdio>
#include <set>
#include <string_view>
#include <system_error>
#include <utility>
#include <vector>

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kChunk = std::size_t{1} << 20;

/// An open file, closed at the end.
class Descriptor {
 public:
  explicit Descriptor(int number) : number_(number) {}
  ~Descriptor() { close_now(); }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;

  [[nodiscard]] bool is_open() const { return number_ >= 0; }
  [[nodiscard]] int number() const { return number_; }
  int close_now() { return number_ < 0 ? 0 : ::close(std::exchange(number_, -1)); }

 private:
  int number_;
};

std::string words(int number) { return std::generic_category().message(number); }

tl::unexpected<Error> cannot_read(const fs::path& file, int number) {
  return tl::unexpected(Error{.file = file.string(),
                              .problem = fmt::format("cannot be read ({})", words(number)),
                              .remedy = "try another reader, or leave it out"});
}

tl::unexpected<Error> cannot_write(const fs::path& file, int number) {
  return tl::unexpected(Error{.file = file.parent_path().string(),
                              .problem = fmt::format("cannot be written to ({})", words(number)),
                              .remedy = "nothing was left there; choose another place"});
}

tl::unexpected<Error> already_there(const fs::path& file) {
  return tl::unexpected(Error{.file = file.string(),
                              .problem = "is there already and is left as it is",
                              .remedy = "choose another place, or move it away"});
}

/// @return bytes read, 0 at the end, -1 with errno.
ssize_t read_some(int descriptor, std::vector<char>& buffer) {
  std::size_t filled = 0;
  while (filled < buffer.size()) {
    const ssize_t got = ::read(descriptor, buffer.data() + filled, buffer.size() - filled);
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return -1;
    if (got == 0) break;
    filled += static_cast<std::size_t>(got);
  }
  return static_cast<ssize_t>(filled);
}

/// @return 0 or an errno.
int write_all(int descriptor, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t written = ::write(descriptor, bytes.data(), bytes.size());
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) return written < 0 ? errno : ENOSPC;
    bytes.remove_prefix(static_cast<std::size_t>(written));
  }
  return 0;
}

Error stopped_error() {
  return {.file = "", .problem = "stopped; nothing was left behind", .remedy = ""};
}

/// Takes away at its end what was put somewhere, unless it is to stay.
class Traces {
 public:
  Traces() = default;
  ~Traces() {
    std::error_code ignored;
    if (!stay_) {
      for (const fs::path& file : files) fs::remove(file, ignored);
      for (auto it = folders.rbegin(); it != folders.rend(); ++it) fs::remove(*it, ignored);
    }
  }
  Traces(const Traces&) = delete;
  Traces& operator=(const Traces&) = delete;
  void stay() { stay_ = true; }

  std::vector<fs::path> files;
  std::vector<fs::path> folders;  // outermost first

 private:
  bool stay_ = false;
};

Result<std::uintmax_t> write_part(const NewFile& file, const fs::path& part, Traces& traces,
                                  const std::function<bool()>& stopped) {
  constexpr mode_t kMode = 0666;  // the user's umask decides
  Descriptor out(::open(part.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, kMode));
  if (!out.is_open()) return cannot_write(file.place, errno);
  traces.files.push_back(part);  // only from here on it is ours to take away
  std::uintmax_t size = 0;
  if (file.original) {
    const Descriptor in(::open(file.original->c_str(), O_RDONLY | O_CLOEXEC));
    if (!in.is_open()) return cannot_read(*file.original, errno);
    std::vector<char> buffer(kChunk);
    for (;;) {
      if (stopped()) return tl::unexpected(stopped_error());
      const ssize_t got = read_some(in.number(), buffer);
      if (got < 0) return cannot_read(*file.original, errno);
      if (got == 0) break;
      const int failed = write_all(out.number(), {buffer.data(), static_cast<std::size_t>(got)});
      if (failed != 0) return cannot_write(file.place, failed);
      size += static_cast<std::uintmax_t>(got);
    }
    struct stat status {};
    if (::fstat(in.number(), &status) == 0) {
      const timespec times[2] = {status.st_atim, status.st_mtim};
      ::futimens(out.number(), times);  // nice to have: not every file system can
    }
  } else {
    if (const int failed = write_all(out.number(), file.bytes); failed != 0)
      return cannot_write(file.place, failed);
    size = file.bytes.size();
  }
  // Some file systems tell only here that there was no room; some cannot do it at all.
  if (::fsync(out.number()) != 0 && errno != EINVAL && errno != ENOTSUP)
    return cannot_write(file.place, errno);
  if (out.close_now() != 0) return cannot_write(file.place, errno);
  if (file.original) {
    if (auto same = compare_files(*file.original, part); !same) {
      Error error = std::move(same.error());
      if (error.file == part.string()) error.file = file.place.string();
      return tl::unexpected(std::move(error));
    }
  }
  return size;
}

/// @return 0 or an errno; never replaces a file.
int rename_to_new(const fs::path& from, const fs::path& to) {
  if (::renameat2(AT_FDCWD, from.c_str(), AT_FDCWD, to.c_str(), RENAME_NOREPLACE) == 0) return 0;
  if (errno != EINVAL && errno != ENOSYS) return errno;
  // A file system that cannot promise it.
  std::error_code failed;
  if (fs::exists(fs::symlink_status(to, failed))) return EEXIST;
  return ::rename(from.c_str(), to.c_str()) == 0 ? 0 : errno;
}

Result<void> make_folder(const fs::path& folder, Traces& traces) {
  std::error_code failed;
  if (folder.empty() || fs::is_directory(folder, failed)) return {};
  if (auto parent = make_folder(folder.parent_path(), traces); !parent) return parent;
  if (!fs::create_directory(folder, failed) && !fs::is_directory(folder)) {
    return tl::unexpected(
        Error{.file = folder.string(),
              .problem = failed ? fmt::format("cannot be created ({})", failed.message())
                                : "is a file, not a folder",
              .remedy = "choose another place"});
  }
  traces.folders.push_back(folder);
  return {};
}

}  // namespace

std::optional<Error> why_not_new(std::span<const NewFile> files) {
  std::set<fs::path> places;
  std::uintmax_t needed = 0;
  std::error_code failed;
  for (const NewFile& file : files) {
    if (fs::exists(fs::symlink_status(file.place, failed)))
      return already_there(file.place).value();
    if (!places.insert(file.place).second) {
      return Error{.file = file.place.string(),
                   .problem = "would be written twice: two of the pictures have this name",
                   .remedy = "take one folder of pictures at a time"};
    }
    needed += file.original ? fs::file_size(*file.original, failed) : file.bytes.size();
  }
  if (files.empty()) return std::nullopt;
  fs::path folder = fs::absolute(files.front().place, failed).parent_path();
  while (!fs::exists(folder, failed) && folder.has_relative_path()) folder = folder.parent_path();
  const fs::space_info space = fs::space(folder, failed);
  if (!failed && space.available < needed) {
    constexpr double kMegabyte = 1e6;
    return Error{
        .file = folder.string(),
        .problem = fmt::format("has too little room: {:.0f} MB are needed, {:.0f} are free",
                               std::ceil(static_cast<double>(needed) / kMegabyte),
                               static_cast<double>(space.available) / kMegabyte),
        .remedy = "choose another place"};
  }
  return std::nullopt;
}

Result<std::uintmax_t> put_new_files(std::span<const NewFile> files,
                                     const std::function<bool()>& stopped) {
  if (auto why = why_not_new(files)) return tl::unexpected(std::move(*why));
  Traces traces;
  std::vector<fs::path> parts;
  std::uintmax_t bytes = 0;
  for (const NewFile& file : files) {
    if (auto made = make_folder(file.place.parent_path(), traces); !made)
      return tl::unexpected(made.error());
    const fs::path part = file.place.parent_path() /
                          fmt::format(".{}.{}.part", file.place.filename().string(), ::getpid());
    const Result<std::uintmax_t> written = write_part(file, part, traces, stopped);
    if (!written) return written;
    bytes += *written;
    parts.push_back(part);
  }
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (const int failed = rename_to_new(parts[i], files[i].place); failed != 0)
      return failed == EEXIST ? Result<std::uintmax_t>(already_there(files[i].place))
                              : Result<std::uintmax_t>(cannot_write(files[i].place, failed));
    traces.files.push_back(files[i].place);
  }
  traces.stay();
  return bytes;
}

Result<void> compare_files(const fs::path& original, const fs::path& copy) {
  const Descriptor a(::open(original.c_str(), O_RDONLY | O_CLOEXEC));
  if (!a.is_open()) return cannot_read(original, errno);
  const Descriptor b(::open(copy.c_str(), O_RDONLY | O_CLOEXEC));
  if (!b.is_open()) return cannot_read(copy, errno);
  // What is still in memory proves nothing about the disk.
  ::posix_fadvise(b.number(), 0, 0, POSIX_FADV_DONTNEED);
  std::vector<char> of_a(kChunk);
  std::vector<char> of_b(kChunk);
  for (;;) {
    const ssize_t in_a = read_some(a.number(), of_a);
    if (in_a < 0) return cannot_read(original, errno);
    const ssize_t in_b = read_some(b.number(), of_b);
    if (in_b < 0) return cannot_read(copy, errno);
    if (in_a != in_b || !std::equal(of_a.begin(), of_a.begin() + in_a, of_b.begin())) {
      return tl::unexpected(Error{.file = copy.string(),
                                  .problem = "came out other than " + original.string(),
                                  .remedy = "nothing was left there; check the disk, copy again"});
    }
    if (in_a == 0) return {};
  }
}

}  // namespace ringsweep::app
