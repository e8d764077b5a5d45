#pragma once
/// Frames found on disk -> capture order. Pure: no file is touched.

#include <optional>
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

/// Gives shots of one group of folders that name no camera the camera of their neighbours by name.
void fill_in_cameras(std::vector<Shot>& shots);

/// Puts the shots of one group of folders and one camera in capture order: by time, then by number,
/// 9999 before 0001. Shots without a time go beside their neighbours by number; where no shot of a
/// folder has a time, or five or more of them share a name of their own, they are a sequence of
/// theirs.
[[nodiscard]] std::vector<std::vector<Shot>> in_capture_order(std::vector<Shot> shots);

}  // namespace ringsweep
