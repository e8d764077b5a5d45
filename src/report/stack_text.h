#pragma once
/// Stack text: a stack list in words, for somebody who sorts pictures.

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/stack_list.h"

namespace ringsweep::wording {

/// What a list was made for.
struct StackWish {
  bool fewest = false;
  double overlap = 0.25;
  /// The frames that the user named as the ends of what he wants, in capture order.
  std::optional<std::pair<std::size_t, std::size_t>> part{};
};

/// Why a frame is left out, as a sentence begins: "Flash missed".
[[nodiscard]] std::string_view why_left_out(WhyLeftOut why);

/// "in the stack", "left out: flash missed".
[[nodiscard]] std::string stack_label(WhyLeftOut why);

/// The frames of a list in the order in which they are told: near first where that is known, else
/// from where the first sweep began.
[[nodiscard]] std::vector<std::size_t> in_order_of_depth(const BurstAnalysis& burst,
                                                         const StackList& list);

/// Above the names: whether what is wanted is all sharp, where not, and how many frames go into the
/// stack. @param lists how many lists the burst has, one for each pose.
[[nodiscard]] std::string stack_heading(const BurstAnalysis& burst, const StackList& list,
                                        std::size_t lists, const StackWish& wish);

/// Below the names: how many frames are left out, and why.
[[nodiscard]] std::string stack_left_out(const BurstAnalysis& burst, const StackList& list);

/// Instead of a list, where there can be none.
[[nodiscard]] std::string no_stack(const BurstAnalysis& burst);

/// Nothing of what is wanted stays soft.
[[nodiscard]] bool is_all_sharp(const StackList& list);

/// Time of day on the camera's clock to the tenth, "04:52:00.5"; empty where it is not known.
[[nodiscard]] std::string time_of_day(const BurstAnalysis& burst, std::size_t frame);

}  // namespace ringsweep::wording
