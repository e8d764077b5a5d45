#include <fmt/format.h>

#include <algorithm>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "report/wording.h"

namespace ringsweep::wording {
namespace {

bool holds(const FrameAnalysis& frame, FrameFlag flag) {
  return std::ranges::find(frame.flags, flag) != frame.flags.end();
}

/// " (the near end)", or nothing where that is not known.
std::string which_end(const BurstAnalysis& burst, const Reason& reason) {
  const std::string_view side = wording::near_or_far(burst, reason.at_start);
  return side.empty() ? std::string{} : fmt::format(" (the {}end)", side);
}

}  // namespace

std::string plain_reason(const BurstAnalysis& burst, const Reason& reason,
                         std::span<const std::string> labels) {
  const std::string close = reason.close_call ? ", a close call" : "";
  const std::string_view nothing = reason.close_call ? "nothing quite sharp" : "nothing sharp";
  switch (reason.kind) {
    case ReasonKind::covered:
      return fmt::format("every depth is sharp{}", close);
    case ReasonKind::gap:
      return fmt::format("{} between {} and {}{}", nothing, labels[reason.first_frame],
                         labels[reason.last_frame], close);
    case ReasonKind::gap_from_dark: {
      std::vector<std::size_t> missed;
      for (std::size_t k = reason.first_frame + 1; k < reason.last_frame; ++k) {
        if (holds(burst.frames[k], FrameFlag::dark) ||
            holds(burst.frames[k], FrameFlag::partly_lit)) {
          missed.push_back(k);
        }
      }
      return fmt::format("the flash missed{}{}",
                         missed.empty() ? "" : fmt::format(" {}", list_of_frames(missed, labels)),
                         close);
    }
    case ReasonKind::open_end:
      if (reason.at_start) {
        return fmt::format("started too late, {} where you began{}, before {}{}", nothing,
                           which_end(burst, reason), labels[reason.first_frame], close);
      }
      return fmt::format("stopped too soon, {} where you stopped{}, past {}{}", nothing,
                         which_end(burst, reason), labels[reason.first_frame], close);
    case ReasonKind::too_few_frames: {
      const auto good = std::ranges::count_if(burst.frames, &FrameAnalysis::usable);
      if (good == 0) return "no frame is good enough";
      return good == 1 ? "only 1 frame is good enough"
                       : fmt::format("only {} frames are good enough", good);
    }
    case ReasonKind::no_subject:
      return "no frame is sharp anywhere";
    case ReasonKind::no_sweep:
      return "all frames focus in the same place";
    case ReasonKind::moved: {
      const std::string_view where = place_words(burst, reason.box_px);
      return fmt::format("the subject shifted{}{}, from {} on", where.empty() ? "" : ", ", where,
                         labels[reason.first_frame]);
    }
    case ReasonKind::drop_lost:
      return drops_gone(burst, reason, labels);
    case ReasonKind::pictures_too_small:
      return "pictures too small, use the full-size files";
    case ReasonKind::soft_place:
    case ReasonKind::perch_goes_on:
    case ReasonKind::outside_picture:
    case ReasonKind::ends_not_told:
    case ReasonKind::trembled:
    case ReasonKind::waking:
    case ReasonKind::fit_not_trusted:
      break;
  }
  return "the frames do not agree with one another";
}

std::string sentence(std::string text) {
  if (!text.empty() && text.front() >= 'a' && text.front() <= 'z') {
    text.front() = static_cast<char>(text.front() - 'a' + 'A');
  }
  return text + ".";
}

}  // namespace ringsweep::wording
