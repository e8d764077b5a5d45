#pragma once
/// Frames found on disk -> capture order. Pure: no file is touched.

#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/frame.h"

namespace ringsweep {

/// A frame and where it was found.
struct Shot {
  FrameRef frame;
  std::string folder;  ///< path of the folder, for telling folders apart
  std::string camera;  ///< empty where the file does not say
};

/// A stem split into what stays and what counts. Eight characters of the DCF set that end in four
/// digits, not 0000, split there (CIPA DC-009: P1019999 is followed by P1020001 or P1010001, and
/// the counter is 9999 and 1); any other stem before the digits that end it.
struct NumberedName {
  std::string prefix;
  std::optional<int> counter;
  bool wraps = false;  ///< the counter has four digits or more, so 9999 may be followed by 1
};
[[nodiscard]] NumberedName numbered_name(std::string_view file);

/// The digits that end the stem, at most the last nine of them.
[[nodiscard]] std::optional<int> trailing_number(std::string_view file);

/// Is it a folder's name of the DCF standard: 100 to 999 and five of [0-9A-Z_]?
[[nodiscard]] bool is_dcf_folder(std::string_view name);

/// a2 before a10; letters without regard to case. <0, 0, >0.
[[nodiscard]] int natural_compare(std::string_view a, std::string_view b);

/// Gives shots of one group of folders that name no camera the camera of their neighbours by name,
/// of their series or named alike: their metadata are damaged. Five or more of one series that name
/// none, but have a time, or have nobody in the series to ask, come from a program that writes
/// none, and stay as they are.
void fill_in_cameras(std::vector<Shot>& shots);

/// Puts the shots of one group of folders and one camera in capture order: by time, then by number,
/// 9999 before 0001. Shots without a time go beside their neighbours by number; where no shot of a
/// folder has a time, or their name is not made after one that has, they are a sequence of theirs.
/// @param folders_with_times  where shots of other cameras have a time
[[nodiscard]] std::vector<std::vector<Shot>> in_capture_order(
    std::vector<Shot> shots, std::set<std::string> folders_with_times = {});

/// Frames of one pause-free run by their known size: those of the most frequent size (the first of
/// several) and of unknown size, then the others, one list for each size. A picture of another size
/// is no frame of the sweep, but a copy or another program's; unless no size is frequent enough for
/// a burst: frames cut to what they have in common may differ by a few px each.
[[nodiscard]] std::vector<std::vector<FrameRef>> split_by_size(std::vector<FrameRef> frames);

}  // namespace ringsweep
