#pragma once
/// Cache: what was measured of bursts, and the pictures made of them for the page, kept in
/// ${XDG_CACHE_HOME:-~/.cache}/ringsweep (XDG Base Directory Specification), so that the same
/// pictures can be judged again with another blur limit or subject without being opened.
///
/// Entries are whole or not there: they are written under another name and renamed, with a check
/// sum over their bytes. Two runs may use one cache at once, and any run may be killed. Whatever is
/// wrong with the cache, the check goes on without it.

#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::app {

/// A name for what files hold, whatever disk they lie on: their names, sizes, times of change and
/// samples of their bytes; and of this program, so that another version measures anew.
/// @return 32 hexadecimal digits (XXH3, 128 bits); nothing where a file cannot be read
[[nodiscard]] std::optional<std::string> identity_of(std::span<const FrameRef> frames);

class Cache {
 public:
  /// @param most_bytes  all entries together; the ones that were not used for longest go first
  explicit Cache(std::filesystem::path folder, std::uintmax_t most_bytes = 1'000'000'000);

  /// What is kept under a name; nothing where there is none, or it is damaged.
  [[nodiscard]] std::optional<std::string> find(const std::string& name) const;
  void keep(const std::string& name, std::string_view bytes) const;
  [[nodiscard]] const std::filesystem::path& folder() const { return folder_; }

 private:
  void make_room() const;

  std::filesystem::path folder_;
  std::uintmax_t most_bytes_;
};

/// Where the cache is; nothing where no home folder is known.
[[nodiscard]] std::optional<std::filesystem::path> cache_folder();

/// analyse() that takes from the cache what was measured before, and keeps there what it measures.
[[nodiscard]] std::vector<BurstAnalysis> analyse_or_find(const Cache& cache, const Burst& burst,
                                                         const ReadFrame& read,
                                                         const AnalysisOptions& options,
                                                         const Progress& progress);

}  // namespace ringsweep::app
