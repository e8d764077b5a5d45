#include "report/stack_text.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>

#include "report/wording.h"

namespace ringsweep::wording {
namespace {

using Labels = std::vector<std::string>;

bool starts_low(const BurstAnalysis& burst) {
  return burst.sweeps.empty() || burst.sweeps.front().rising;
}

std::string first_to_last(const Labels& labels) {
  if (labels.empty()) return "no frames";
  return labels.size() == 1 ? labels.front()
                            : fmt::format("{} to {}", labels.front(), labels.back());
}

std::string lower_case(std::string_view text) {
  std::string result(text);
  if (!result.empty() && result.front() >= 'A' && result.front() <= 'Z')
    result.front() = static_cast<char>(result.front() - 'A' + 'a');
  return result;
}

std::string place_words(const BurstAnalysis& burst, const ThinPlace& place, const Labels& labels) {
  if (place.lower && place.upper) {
    const auto [first, second] = std::minmax(*place.lower, *place.upper);
    return fmt::format("between {} and {}", labels[first], labels[second]);
  }
  if (!place.lower && !place.upper) return "everywhere";
  const bool low = !place.lower;
  const bool at_start = low == starts_low(burst);
  const std::string side(near_or_far(burst, at_start));
  const std::string end = side.empty() ? "" : fmt::format(" (the {}end)", side);
  const std::string& label = labels[low ? *place.upper : *place.lower];
  return at_start ? fmt::format("where you began{}, before {}", end, label)
                  : fmt::format("where you stopped{}, past {}", end, label);
}

/// The places one after the other, or how many where they are too many to remember.
std::string places_words(const BurstAnalysis& burst, std::span<const ThinPlace> places,
                         const Labels& labels) {
  constexpr std::size_t kMostNamed = 6;
  if (places.size() > kMostNamed) return fmt::format("in {} places", places.size());
  Labels parts;
  for (const ThinPlace& place : places) parts.push_back(place_words(burst, place, labels));
  return joined(parts);
}

std::vector<ThinPlace> soft_places(const StackList& list) {
  std::vector<ThinPlace> soft;
  std::ranges::copy_if(list.thin, std::back_inserter(soft),
                       [](const ThinPlace& place) { return place.soft_px > 0.0; });
  return soft;
}

}  // namespace

std::string_view why_left_out(WhyLeftOut why) {
  switch (why) {
    case WhyLeftOut::in_the_list:
      return "In the stack";
    case WhyLeftOut::outside_range:
      return "Not at the depths wanted";
    case WhyLeftOut::idle:
      return "Nothing new";
    case WhyLeftOut::not_needed:
      return "Not needed";
    case WhyLeftOut::other_sweep:
      return "Of a sweep that looks otherwise";
    case WhyLeftOut::other_pose:
      return "Of another pose";
    case WhyLeftOut::dark:
      return "Flash missed";
    case WhyLeftOut::dim:
      return "Flash weak";
    case WhyLeftOut::partly_lit:
      return "Flash on a part only";
    case WhyLeftOut::shaken:
      return "Camera shook";
    case WhyLeftOut::moved:
      return "A part shifted";
    case WhyLeftOut::unreadable:
      return "Cannot be read";
    case WhyLeftOut::other_settings:
      return "Other camera settings";
    case WhyLeftOut::other_picture:
      return "Something else in the picture";
    case WhyLeftOut::no_position:
      break;
  }
  return "Nothing to tell where it is sharp";
}

std::string stack_label(WhyLeftOut why) {
  const std::string words = lower_case(why_left_out(why));
  return why == WhyLeftOut::in_the_list ? words : fmt::format("left out: {}", words);
}

std::vector<std::size_t> in_order_of_depth(const BurstAnalysis& burst, const StackList& list) {
  std::vector<std::size_t> order = list.frames;
  // Positions grow towards near where that is known.
  const bool falling = burst.near_side.known() || !starts_low(burst);
  if (falling) std::ranges::reverse(order);
  return order;
}

std::string stack_heading(const BurstAnalysis& burst, const StackList& list, std::size_t lists,
                          const StackWish& wish) {
  const Labels labels = frame_labels(burst);
  const std::vector<ThinPlace> soft = soft_places(list);
  std::string what = first_to_last(labels);
  if (wish.part) {
    what = fmt::format("{} to {} of {}", labels[wish.part->first], labels[wish.part->second], what);
  }
  if (lists > 1) what += fmt::format(", pose {} of {}", list.pose + 1, lists);
  std::string text = wrapped(fmt::format(
      "{}, {}: {} of {} frames go into the stack, {}.", soft.empty() ? "Complete" : "Not complete",
      what, list.frames.size(), burst.frames.size(),
      burst.near_side.known() ? "the nearest first" : "from where you began"));
  if (!soft.empty()) {
    text += wrapped(fmt::format("Stays soft: {}.", places_words(burst, soft, labels)));
  }
  if (wish.fewest) {
    std::vector<ThinPlace> thin;
    std::ranges::copy_if(list.thin, std::back_inserter(thin),
                         [](const ThinPlace& place) { return place.soft_px == 0.0; });
    if (!thin.empty()) {
      text += wrapped(
          fmt::format("Overlap below {:.0f} %: {}; the burst has no frame there, but it is sharp.",
                      100.0 * wish.overlap, places_words(burst, thin, labels)));
    }
  }
  return text;
}

std::string stack_left_out(const BurstAnalysis& burst, const StackList& list) {
  const Labels labels = frame_labels(burst);
  const std::size_t count = burst.frames.size() - list.frames.size();
  if (count == 0) return "Left out: none.\n";
  std::string text = fmt::format("Left out: {} of {} frames.\n", count, burst.frames.size());
  for (int value = 0; value <= static_cast<int>(WhyLeftOut::no_position); ++value) {
    const auto why = static_cast<WhyLeftOut>(value);
    if (why == WhyLeftOut::in_the_list) continue;
    std::vector<std::size_t> frames;
    for (std::size_t k = 0; k < list.left_out.size(); ++k) {
      if (list.left_out[k] == why) frames.push_back(k);
    }
    if (frames.empty()) continue;
    text += wrapped(fmt::format("  {}: {}.", why_left_out(why), list_of_frames(frames, labels)),
                    100, "    ");
  }
  return text;
}

std::string no_stack(const BurstAnalysis& burst) {
  std::string_view why = "the pictures do not say where each frame is sharp";
  for (const Reason& reason : burst.verdict.reasons) {
    if (reason.kind == ReasonKind::no_sweep) why = "all frames focus in the same place";
    if (reason.kind == ReasonKind::no_subject) why = "no frame is sharp anywhere";
    if (reason.kind == ReasonKind::too_few_frames) why = "too few frames are good enough";
  }
  return wrapped(fmt::format("No list, {}: {}.", first_to_last(frame_labels(burst)), why)) +
         "Choose its frames by eye, or shoot it again.\n";
}

bool is_all_sharp(const StackList& list) { return soft_places(list).empty(); }

std::string time_of_day(const BurstAnalysis& burst, std::size_t frame) {
  const std::optional<double>& since_start = burst.frames[frame].time_s;
  if (!burst.start_s || !since_start) return {};
  constexpr std::int64_t kDayTenths = 24 * 3600 * 10;
  // Half a hundredth: 0.3 is less than three tenths in binary.
  const auto tenths =
      static_cast<std::int64_t>(std::floor(10.0 * (*burst.start_s + *since_start) + 0.05));
  const std::int64_t of_day = (tenths % kDayTenths + kDayTenths) % kDayTenths;
  return fmt::format("{:02}:{:02}:{:02}.{}", of_day / 36000, of_day / 600 % 60, of_day / 10 % 60,
                     of_day % 10);
}

}  // namespace ringsweep::wording
