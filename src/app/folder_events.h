#pragma once
/// Folder events: what happens to the files below a folder, as the kernel tells it (inotify(7)).

#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <vector>

#include "ringsweep/result.h"

namespace ringsweep::app {

struct FolderEvent {
  enum class Kind {
    written,  ///< somebody began to write, or goes on
    closed,   ///< closed after writing, or moved there
    gone,     ///< deleted, or moved away
  };
  Kind kind = Kind::written;
  std::filesystem::path file;
};

/// Hidden files and folders are left alone, links to folders not followed, as by find_bursts().
class FolderEvents {
 public:
  /// Begins to watch, the folders below it too.
  /// @return an error where that is no folder, or the system has no watches left
  [[nodiscard]] static Result<FolderEvents> of(const std::filesystem::path& folder);

  FolderEvents(FolderEvents&& other) noexcept;
  FolderEvents& operator=(FolderEvents&&) = delete;
  FolderEvents(const FolderEvents&) = delete;
  FolderEvents& operator=(const FolderEvents&) = delete;
  ~FolderEvents();

  /// Waits until something happens, at most so long, ms. Files that lie in a folder when it appears
  /// are told as closed; after an overflow of the kernel's queue, all files are.
  [[nodiscard]] std::vector<FolderEvent> next(int timeout_ms);
  /// The folder, its links resolved: files are told by it.
  [[nodiscard]] const std::filesystem::path& folder() const { return folder_; }
  /// Whether the folder itself was deleted, moved away, or its disk pulled out.
  [[nodiscard]] bool over() const { return over_; }

 private:
  FolderEvents(int descriptor, std::filesystem::path folder);
  [[nodiscard]] bool add(const std::filesystem::path& folder, std::vector<FolderEvent>* files);

  int descriptor_ = -1;
  std::filesystem::path folder_;
  std::map<int, std::filesystem::path> folders_;  ///< by watch
  bool over_ = false;
};

}  // namespace ringsweep::app
