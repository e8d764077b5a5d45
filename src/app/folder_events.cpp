#include "app/folder_events.h"

#include <fmt/format.h>
#include <poll.h>
#include <sys/inotify.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstddef>
#include <cstring>
#include <system_error>
#include <utility>

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

constexpr std::uint32_t kFiles =
    IN_CREATE | IN_MODIFY | IN_CLOSE_WRITE | IN_MOVED_TO | IN_MOVED_FROM | IN_DELETE;
constexpr std::uint32_t kItself = IN_DELETE_SELF | IN_MOVE_SELF | IN_ONLYDIR | IN_DONT_FOLLOW;

bool is_hidden(const fs::path& file) { return file.filename().string().starts_with('.'); }

/// What happened to a file; nothing where it is of no interest.
std::optional<FolderEvent::Kind> kind_of(std::uint32_t mask) {
  if ((mask & (IN_DELETE | IN_MOVED_FROM)) != 0) return FolderEvent::Kind::gone;
  if ((mask & (IN_CLOSE_WRITE | IN_MOVED_TO)) != 0) return FolderEvent::Kind::closed;
  if ((mask & (IN_CREATE | IN_MODIFY)) != 0) return FolderEvent::Kind::written;
  return std::nullopt;
}

}  // namespace

FolderEvents::FolderEvents(int descriptor, fs::path folder)
    : descriptor_(descriptor), folder_(std::move(folder)) {}

FolderEvents::FolderEvents(FolderEvents&& other) noexcept
    : descriptor_(std::exchange(other.descriptor_, -1)),
      folder_(std::move(other.folder_)),
      folders_(std::move(other.folders_)),
      over_(other.over_) {}

FolderEvents::~FolderEvents() {
  if (descriptor_ >= 0) close(descriptor_);
}

Result<FolderEvents> FolderEvents::of(const fs::path& folder) {
  std::error_code failed;
  const fs::path resolved = fs::canonical(folder, failed);  // a link to the folder is meant
  if (failed || !fs::is_directory(resolved, failed))
    return tl::unexpected(Error{.file = folder.string(),
                                .problem = "is no folder that can be watched",
                                .remedy = "name the folder that the pictures arrive in"});
  FolderEvents events(inotify_init1(IN_NONBLOCK | IN_CLOEXEC), resolved);
  if (events.descriptor_ < 0 || !events.add(resolved, nullptr)) {
    const std::error_code why(errno, std::generic_category());
    return tl::unexpected(Error{.file = folder.string(),
                                .problem = fmt::format("cannot be watched ({})", why.message()),
                                .remedy = "check it once the pictures are there: ringsweep check"});
  }
  return events;
}

bool FolderEvents::add(const fs::path& folder, std::vector<FolderEvent>* files) {
  const int watch = inotify_add_watch(descriptor_, folder.c_str(), kFiles | kItself);
  if (watch < 0) return false;
  folders_[watch] = folder;
  std::error_code failed;
  bool all = true;
  for (auto it = fs::directory_iterator(folder, failed); !failed && it != fs::directory_iterator();
       it.increment(failed)) {
    if (is_hidden(it->path())) continue;
    std::error_code gone;
    if (it->is_directory(gone) && !it->is_symlink(gone))
      all = add(it->path(), files) && all;
    else if (files != nullptr)
      files->push_back({.kind = FolderEvent::Kind::closed, .file = it->path()});
  }
  return all;
}

std::vector<FolderEvent> FolderEvents::next(int timeout_ms) {
  std::vector<FolderEvent> events;
  pollfd waiting{.fd = descriptor_, .events = POLLIN, .revents = 0};
  if (poll(&waiting, 1, timeout_ms) <= 0) return events;
  constexpr std::size_t kBufferBytes = 65536;
  alignas(inotify_event) std::array<char, kBufferBytes> buffer;
  for (;;) {
    const ssize_t got = read(descriptor_, buffer.data(), buffer.size());
    if (got <= 0) return events;
    for (std::size_t at = 0; at < static_cast<std::size_t>(got);) {
      inotify_event event{};
      std::memcpy(&event, buffer.data() + at, sizeof event);
      const std::string name =
          event.len > 0 ? std::string(buffer.data() + at + sizeof event) : std::string();
      at += sizeof event + event.len;
      if ((event.mask & IN_Q_OVERFLOW) != 0) {
        static_cast<void>(add(folder_, &events));
        continue;
      }
      const auto folder = folders_.find(event.wd);
      if (folder == folders_.end()) continue;
      if ((event.mask & (IN_DELETE_SELF | IN_MOVE_SELF | IN_UNMOUNT | IN_IGNORED)) != 0) {
        over_ = over_ || folder->second == folder_;
        if ((event.mask & IN_IGNORED) != 0) folders_.erase(folder);
        continue;
      }
      const fs::path file = folder->second / name;
      if (is_hidden(file)) continue;
      if ((event.mask & IN_ISDIR) != 0) {
        if ((event.mask & (IN_CREATE | IN_MOVED_TO)) != 0) static_cast<void>(add(file, &events));
        continue;
      }
      if (const auto kind = kind_of(event.mask)) events.push_back({.kind = *kind, .file = file});
    }
  }
}

}  // namespace ringsweep::app
