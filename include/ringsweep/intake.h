#pragma once
/// Intake: paths -> bursts. Files are opened here (for their metadata) and in decode.h, nowhere
/// else.

#include <filesystem>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "ringsweep/frame.h"
#include "ringsweep/result.h"

namespace ringsweep {

struct IntakeOptions {
  /// Of a raw and a JPEG of one name, take the raw. Else, for all pairs of a folder that are alike:
  /// of the JPEG and the raw's preview those that have half of the sensor's width or more, and of
  /// those the one with fewer bytes to read; the raw where neither has.
  bool prefer_raw = false;
  double pause_s = 4.0;        ///< a longer pause ends a burst; > 0. DESIGN section 2
  double pause_factor = 3.0;   ///< or one longer than this many median intervals, if that is more
  double slow_median_s = 8.0;  ///< ...where the median interval is below this
};

/// What was found. A file that cannot be opened as a picture stays in its burst (decode names the
/// reason, the report flags it), so that nothing that was shot vanishes from the list.
struct Intake {
  std::vector<Burst> bursts;  ///< in capture order; frames sorted by time, then number (9999 wraps)
  std::vector<Error> problems;  ///< paths that do not exist, folders that cannot be read
  std::size_t other_files = 0;  ///< files that are no pictures, left alone
  /// Path of a frame -> paths of the other files that are the same frame: the raw of a JPEG, or the
  /// other way. Frames without such files are not in it.
  std::map<std::string, std::vector<std::string>> twins;
};

/// Walks the paths (cards, folders, files), reads metadata in parallel, and separates bursts.
/// Hidden files and folders are left alone, links to folders are not followed, nothing is written.
/// Never throws for what is on the disk.
[[nodiscard]] Intake find_bursts(std::span<const std::filesystem::path> paths,
                                 const IntakeOptions& options = {});

/// Separates frames of one folder and camera by their pauses. Pure; exported for the tests. While
/// fewer than three intervals have passed since the last pause, the median takes in those that
/// follow, so that a series pressed every 6 s is one burst and a stray frame before a fast one is
/// not in it.
/// @param frames sorted; frames without a time stay with their neighbours.
[[nodiscard]] std::vector<std::vector<FrameRef>> split_at_pauses(std::vector<FrameRef> frames,
                                                                 const IntakeOptions& options);

/// Takes `full_size` for that of the camera's picture, of which the file may be a reduced copy.
/// Sensor data have their own, and are left as they are.
/// @return false: the picture is larger, or of another shape, and nothing was taken
bool take_full_size(FrameRef& frame, cv::Size full_size, FullSizeFrom from);

/// The root of the card or disk that holds `path`, when that root has a DCIM folder: we never write
/// there. Nothing, when it has none. `path` itself need not exist.
[[nodiscard]] std::optional<std::filesystem::path> card_root(const std::filesystem::path& path);

/// Where the removable disk (a card in a reader, a stick) that holds `path` is mounted: nothing is
/// written on it either where pictures are read from it. Nothing, when the disk is none, and for
/// the disk the system itself runs from, which may be a card, too. `path` itself need not exist.
/// @param sys  where the kernel describes its devices; another folder in the tests
[[nodiscard]] std::optional<std::filesystem::path> removable_root(
    const std::filesystem::path& path, const std::filesystem::path& sys = "/sys");

/// Where disks are mounted whose root has a DCIM folder, sorted; each disk once. Network shares are
/// left alone: one that does not answer would stop everything.
/// @param mountinfo  the kernel's list (proc_pid_mountinfo(5)); another file in the tests
[[nodiscard]] std::vector<std::filesystem::path> mounted_cards(
    const std::filesystem::path& mountinfo = "/proc/self/mountinfo");

}  // namespace ringsweep
