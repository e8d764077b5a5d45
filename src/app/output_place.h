#pragma once
/// Output place: where the report may go, and putting it there whole or not at all.
///
/// Never on a card, never under what was given to be read: pictures are the one thing that cannot
/// be made again.

#include <filesystem>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "ringsweep/result.h"

namespace ringsweep::app {

using RootOf = std::function<std::optional<std::filesystem::path>(const std::filesystem::path&)>;

inline std::optional<std::filesystem::path> no_root(const std::filesystem::path&) { return {}; }

/// How disks are known that nothing is written on (intake.h).
struct Roots {
  RootOf card = no_root;       ///< no place for anything
  RootOf removable = no_root;  ///< no place for what is made of pictures on it
};

struct ReportFolder {
  std::filesystem::path path;
  bool moved_off_card = false;  ///< the usual place was on a card or under an input
};

/// Why nothing may be written at `place`, in words; nothing where it may.
/// @param place need not exist.
[[nodiscard]] std::optional<Error> why_not_there(const std::filesystem::path& place,
                                                 std::span<const std::filesystem::path> inputs,
                                                 const Roots& roots);

/// Chooses the report folder: `wanted` or an error; else ./ringsweep-report, and where that lies on
/// a card or under an input, ${XDG_DATA_HOME:-~/.local/share}/ringsweep/NAME with the input's name
/// (XDG Base Directory Specification). Creates nothing.
[[nodiscard]] Result<ReportFolder> choose_report_folder(
    const std::optional<std::filesystem::path>& wanted,
    std::span<const std::filesystem::path> inputs, const Roots& roots);

/// A folder made ready for a report. What it had to create and nothing was written to is removed
/// again at the end.
class ReportPlace {
 public:
  /// Creates the folder if need be, and makes sure that a file can be written there and that
  /// nothing would be overwritten but an earlier report.
  [[nodiscard]] static Result<ReportPlace> prepare(const std::filesystem::path& folder);

  ReportPlace(ReportPlace&& other) noexcept;
  ReportPlace& operator=(ReportPlace&&) = delete;
  ReportPlace(const ReportPlace&) = delete;
  ReportPlace& operator=(const ReportPlace&) = delete;
  ~ReportPlace();

  /// Removes what prepare() had to create, where nothing was written to it.
  void leave();

  /// Writes all files, name and bytes, or none of them: first beside their places, then into them.
  /// Depth pictures of an earlier report that this one does not have are removed.
  [[nodiscard]] Result<void> write(std::span<const std::pair<std::string, std::string>> files);

 private:
  explicit ReportPlace(std::filesystem::path folder) : folder_(std::move(folder)) {}

  std::filesystem::path folder_;
  std::vector<std::filesystem::path> created_;  ///< folders, outermost first
  std::vector<std::string> earlier_;            ///< names of the files of an earlier report
};

/// Whether a report can be written to this one file (--json), before the analysis.
[[nodiscard]] std::optional<Error> why_not_this_file(const std::filesystem::path& file,
                                                     std::span<const std::filesystem::path> inputs,
                                                     const Roots& roots);

/// Whether a picture is one that an earlier report put there: no picture of the camera's.
[[nodiscard]] bool is_from_report(const std::filesystem::path& picture);

/// Writes one file beside its place and moves it there.
[[nodiscard]] Result<void> write_whole(const std::filesystem::path& file, std::string_view bytes);

}  // namespace ringsweep::app
