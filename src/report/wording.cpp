#include "report/wording.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>
#include <map>
#include <optional>
#include <utility>

#include "ringsweep/upright.h"

namespace ringsweep::wording {
namespace {

/// Whether the first sweep began at the end of the smaller positions.
bool starts_low(const BurstAnalysis& burst) {
  return burst.sweeps.empty() || burst.sweeps.front().rising;
}

constexpr std::string_view kReplacement = "\xEF\xBF\xBD";  // U+FFFD

/// Length of the well-formed UTF-8 sequence that begins at `at`, 0 if there is none. Table 3-7 of
/// the Unicode Standard: overlong forms, surrogates and values beyond U+10FFFF are ill-formed.
std::size_t utf8_length(std::string_view text, std::size_t at) {
  const auto byte = [&](std::size_t i) {
    return at + i < text.size() ? static_cast<unsigned char>(text[at + i]) : 0U;
  };
  const auto follows = [&](std::size_t i, unsigned low = 0x80, unsigned high = 0xBF) {
    return byte(i) >= low && byte(i) <= high;
  };
  const unsigned lead = byte(0);
  if (lead < 0x80) return 1;
  if (lead >= 0xC2 && lead <= 0xDF) return follows(1) ? 2 : 0;
  if (lead >= 0xE0 && lead <= 0xEF) {
    const bool second = follows(1, lead == 0xE0 ? 0xA0 : 0x80, lead == 0xED ? 0x9F : 0xBF);
    return second && follows(2) ? 3 : 0;
  }
  if (lead >= 0xF0 && lead <= 0xF4) {
    const bool second = follows(1, lead == 0xF0 ? 0x90 : 0x80, lead == 0xF4 ? 0x8F : 0xBF);
    return second && follows(2) && follows(3) ? 4 : 0;
  }
  return 0;
}

std::string_view stem(std::string_view file) {
  const std::size_t dot = file.rfind('.');
  return dot == std::string_view::npos || dot == 0 ? file : file.substr(0, dot);
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

std::optional<std::string> screen_number(std::string_view file) {
  const std::string_view name = stem(file);
  constexpr std::size_t kDigits = 4;  // DCF, CIPA DC-009: the file number is four digits
  if (name.size() < kDigits) return std::nullopt;
  const std::string_view number = name.substr(name.size() - kDigits);
  if (!std::ranges::all_of(number, is_digit)) return std::nullopt;
  return std::string(number);
}

std::vector<std::string> repeated(const std::vector<std::string>& labels) {
  std::map<std::string, int> seen;
  for (const std::string& label : labels) ++seen[label];
  std::vector<std::string> result;
  for (const auto& [label, times] : seen) {
    if (times > 1) result.push_back(label);
  }
  return result;
}

bool holds(const FrameAnalysis& frame, FrameFlag flag) {
  return std::ranges::find(frame.flags, flag) != frame.flags.end();
}

bool unlit(const FrameAnalysis& frame) {
  return holds(frame, FrameFlag::dark) || holds(frame, FrameFlag::partly_lit);
}

std::size_t previous_usable(const BurstAnalysis& burst, std::size_t frame) {
  for (std::size_t k = frame; k-- > 0;) {
    if (burst.frames[k].usable) return k;
  }
  return frame;
}

std::size_t next_usable(const BurstAnalysis& burst, std::size_t frame) {
  for (std::size_t k = frame + 1; k < burst.frames.size(); ++k) {
    if (burst.frames[k].usable) return k;
  }
  return frame;
}

bool neighbours_in_time(const BurstAnalysis& burst, std::size_t first, std::size_t last) {
  return next_usable(burst, first) == last;
}

/// A stretch that must be shot again, by frames of this burst.
struct Stretch {
  std::size_t from = 0;
  std::size_t to = 0;
  bool starts_before = false;  ///< from well before `from`
  bool goes_past = false;      ///< to well past `to`
};

/// How many frames more at the ring's present rate; nothing where the rate is unknown or the number
/// would help nobody.
std::optional<int> frames_beyond(const BurstAnalysis& burst, const Reason& reason) {
  constexpr double kMost = 30.0;
  if (!(burst.advice.largest_step_px > 0.0)) return std::nullopt;
  const double frames = std::ceil(reason.width_px / burst.advice.largest_step_px);
  if (!(frames >= 1.0) || frames > kMost) return std::nullopt;
  return static_cast<int>(frames);
}

struct Plan {
  std::vector<Stretch> stretches;
  std::vector<std::string> by_depth;  ///< gaps between frames of different sweeps
  std::optional<int> frames_before;
  std::optional<int> frames_past;
  bool turn_less = false;
  bool wait_for_flash = false;
};

Plan plan_reshoot(const BurstAnalysis& burst, std::span<const std::string> labels) {
  Plan plan;
  for (const Reason& reason : burst.verdict.reasons) {
    switch (reason.kind) {
      case ReasonKind::gap:
      case ReasonKind::gap_from_dark:
        if (reason.kind == ReasonKind::gap) {
          plan.turn_less = true;
        } else {
          plan.wait_for_flash = true;
        }
        if (neighbours_in_time(burst, reason.first_frame, reason.last_frame)) {
          // One frame of overlap on either side, so that the new frames join the old ones.
          plan.stretches.push_back({.from = previous_usable(burst, reason.first_frame),
                                    .to = next_usable(burst, reason.last_frame)});
        } else {
          plan.by_depth.push_back(
              fmt::format("{} and {}", labels[reason.first_frame], labels[reason.last_frame]));
        }
        break;
      case ReasonKind::open_end:
        if (reason.at_start) {
          plan.stretches.push_back({.from = reason.first_frame,
                                    .to = next_usable(burst, reason.first_frame),
                                    .starts_before = true});
          plan.frames_before = frames_beyond(burst, reason);
        } else {
          plan.stretches.push_back({.from = previous_usable(burst, reason.first_frame),
                                    .to = reason.first_frame,
                                    .goes_past = true});
          plan.frames_past = frames_beyond(burst, reason);
        }
        break;
      case ReasonKind::covered:
      case ReasonKind::soft_place:
      case ReasonKind::perch_goes_on:
      case ReasonKind::ends_not_told:
      case ReasonKind::too_few_frames:
      case ReasonKind::no_subject:
      case ReasonKind::no_sweep:
      case ReasonKind::fit_not_trusted:
        break;
    }
  }

  std::ranges::sort(plan.stretches, {}, &Stretch::from);
  std::vector<Stretch> merged;
  for (const Stretch& stretch : plan.stretches) {
    if (!merged.empty() && stretch.from <= merged.back().to) {
      merged.back().to = std::max(merged.back().to, stretch.to);
      merged.back().starts_before |= stretch.starts_before;
      merged.back().goes_past |= stretch.goes_past;
    } else {
      merged.push_back(stretch);
    }
  }
  plan.stretches = std::move(merged);
  return plan;
}

std::string frames_count(int count) {
  return count == 1 ? "1 frame" : fmt::format("{} frames", count);
}

std::string stretch_words(const Plan& plan, const Stretch& stretch,
                          std::span<const std::string> labels) {
  std::string from = labels[stretch.from];
  if (stretch.starts_before) {
    from = plan.frames_before
               ? fmt::format("at least {} before {}", frames_count(*plan.frames_before), from)
               : fmt::format("well before {}", from);
  }
  std::string to = labels[stretch.to];
  if (stretch.goes_past) {
    to = plan.frames_past ? fmt::format("at least {} past {}", frames_count(*plan.frames_past), to)
                          : fmt::format("well past {}", to);
  }
  return fmt::format("from {} to {}", from, to);
}

std::string where_again(const BurstAnalysis& burst, const Plan& plan,
                        std::span<const std::string> labels) {
  constexpr std::size_t kMostStretches = 3;  // more than this nobody remembers beside the tripod
  std::size_t frames = 0;
  bool before = false;
  bool past = false;
  for (const Stretch& stretch : plan.stretches) {
    frames += stretch.to - stretch.from + 1;
    before |= stretch.starts_before;
    past |= stretch.goes_past;
  }
  const std::size_t places = plan.stretches.size() + plan.by_depth.size();
  // Nor is it worth fiddling with ends where nearly all of it is wanted.
  const bool nearly_all = 4 * frames > 3 * burst.frames.size();
  if (places > kMostStretches || nearly_all || (places > 1 && 2 * frames > burst.frames.size())) {
    if (before && past) return "Again, all of it, beginning earlier and ending later";
    if (before) return "Again, all of it, beginning earlier";
    if (past) return "Again, all of it, ending later";
    return "Again, all of it";
  }
  std::vector<std::string> parts;
  for (const Stretch& stretch : plan.stretches) {
    parts.push_back(stretch_words(plan, stretch, labels));
  }
  for (const std::string& pair : plan.by_depth) {
    parts.push_back(fmt::format("across the depth between {}", pair));
  }
  if (parts.empty()) return "Again, all of it";
  return fmt::format("Again {}", joined(parts));
}

std::string reshoot_action(const BurstAnalysis& burst, std::span<const std::string> labels) {
  const Plan plan = plan_reshoot(burst, labels);
  std::string text = where_again(burst, plan, labels);
  std::vector<std::string> how;
  if (plan.turn_less) {
    constexpr double kAsBefore = 0.9;  // turn_words() has no word between this and "as before"
    const auto& factor = burst.advice.turn_factor;
    if (!factor) {
      how.push_back("turn the ring less per frame");
    } else if (*factor < kAsBefore) {
      how.push_back(fmt::format("turn the ring {} per frame", turn_words(*factor)));
    }
  }
  if (plan.wait_for_flash) how.push_back("wait for the flash before each frame");
  if (how.size() == 1) {
    text += fmt::format(", and {}", how.front());
  } else if (how.size() > 1) {
    text += fmt::format(": {}", joined(how));
  }
  return text + ".";
}

std::string cannot_tell_action(const BurstAnalysis& burst) {
  const std::size_t half = (burst.frames.size() + 1) / 2;
  const auto count = [&](auto matches) {
    return static_cast<std::size_t>(std::ranges::count_if(burst.frames, matches));
  };
  const ReasonKind kind = burst.verdict.reasons.empty() ? ReasonKind::fit_not_trusted
                                                        : burst.verdict.reasons.front().kind;
  if (kind == ReasonKind::too_few_frames || kind == ReasonKind::no_subject) {
    if (count([](const auto& f) { return holds(f, FrameFlag::unreadable); }) >= half) {
      return "Try another card or reader; while the animal stays, sweep again.";
    }
    if (count(unlit) >= half) {
      return "Check the flash, then sweep again and wait for it before each frame.";
    }
  }
  switch (kind) {
    case ReasonKind::too_few_frames:
      return "Sweep again with more frames, from a little before the subject to a little past it.";
    case ReasonKind::no_subject:
      return "Sweep again, from a little before the subject to a little past it.";
    case ReasonKind::no_sweep:
      return "Turn the ring while you shoot, from a little before the subject to a little past it.";
    default:
      return "Sweep again, one way and without stopping, camera and subject held still.";
  }
}

std::string keep_action(const BurstAnalysis& burst, std::span<const std::string> labels) {
  if (burst.frames.empty()) return "Nothing to shoot again.";
  std::size_t first = 0;
  std::size_t last = burst.frames.size() - 1;
  while (first < last && !burst.frames[first].usable) ++first;
  while (last > first && !burst.frames[last].usable) --last;
  std::vector<std::size_t> without;
  for (std::size_t k = first; k <= last; ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    if (!frame.usable && !holds(frame, FrameFlag::idle)) without.push_back(k);
  }
  std::string text = fmt::format("Keep {} to {} for the stack", labels[first], labels[last]);
  constexpr std::size_t kMostNamed = 8;
  if (without.size() > kMostNamed) {
    text += ", without the frames named above";
  } else if (!without.empty()) {
    text += fmt::format(", without {}", list_of_frames(without, labels));
  }
  return text + ".";
}

/// Ends a sentence that somebody else wrote, once.
std::string without_stop(std::string text) {
  while (!text.empty() && (text.back() == '.' || text.back() == ' ')) text.pop_back();
  return text;
}

}  // namespace

std::string printable(std::string_view text) {
  std::string result;
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = utf8_length(text, i);
    const auto byte = static_cast<unsigned char>(text[i]);
    const bool c1 = length == 2 && byte == 0xC2 && static_cast<unsigned char>(text[i + 1]) < 0xA0;
    if (length == 0 || byte < 0x20 || byte == 0x7F || c1) {
      result += '?';
    } else {
      result += text.substr(i, length);
    }
    i += std::max<std::size_t>(length, 1);
  }
  return result;
}

std::string valid_utf8(std::string_view text) {
  std::string result;
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = utf8_length(text, i);
    result += length == 0 ? kReplacement : text.substr(i, length);
    i += std::max<std::size_t>(length, 1);
  }
  return result;
}

std::vector<std::string> frame_labels(const BurstAnalysis& burst) {
  std::vector<std::string> labels;
  std::vector<std::string> stems;
  for (const FrameAnalysis& frame : burst.frames) {
    stems.push_back(printable(stem(frame.file)));
    labels.push_back(screen_number(frame.file).value_or(stems.back()));
  }
  // The same number twice would name the wrong frame.
  const auto take_where_repeated = [&](auto better) {
    const std::vector<std::string> twice = repeated(labels);
    for (std::size_t k = 0; k < labels.size(); ++k) {
      if (std::ranges::binary_search(twice, labels[k])) labels[k] = better(k);
    }
  };
  take_where_repeated([&](std::size_t k) { return stems[k]; });
  take_where_repeated([&](std::size_t k) { return printable(burst.frames[k].file); });
  return labels;
}

std::string joined(std::span<const std::string> parts, std::string_view last) {
  std::string text;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (i > 0) text += i + 1 == parts.size() ? fmt::format(" {} ", last) : ", ";
    text += parts[i];
  }
  return text;
}

std::string list_of_frames(std::span<const std::size_t> frames,
                           std::span<const std::string> labels) {
  std::vector<std::string> parts;
  for (std::size_t i = 0; i < frames.size();) {
    std::size_t j = i;
    while (j + 1 < frames.size() && frames[j + 1] == frames[j] + 1) ++j;
    if (j >= i + 2) {
      parts.push_back(fmt::format("{} to {}", labels[frames[i]], labels[frames[j]]));
    } else {
      for (std::size_t k = i; k <= j; ++k) parts.push_back(labels[frames[k]]);
    }
    i = j + 1;
  }
  return joined(parts);
}

std::string wrapped(std::string_view text, std::size_t columns, std::string_view indent) {
  const std::size_t start = std::min(text.find_first_not_of(' '), text.size());
  std::string result;
  std::string line(text.substr(0, start));
  bool begins = true;
  for (std::size_t i = start; i < text.size();) {
    const std::size_t end = std::min(text.find(' ', i), text.size());
    const std::string_view word = text.substr(i, end - i);
    if (!begins && line.size() + 1 + word.size() > columns) {
      result += line + "\n";
      line = indent;
      begins = true;
    }
    if (!begins) line += ' ';
    line += word;
    begins = false;
    i = end + 1;
  }
  return result + line + "\n";
}

std::string lens_options(const LensDoubt& doubt) {
  std::vector<std::string> options;
  if (doubt.needs_working_f_number) options.emplace_back("--working-f-number");
  if (doubt.needs_pitch) options.emplace_back("--pitch-um");
  return joined(options);
}

std::optional<std::string> clock_time(const BurstAnalysis& burst, std::size_t frame) {
  const std::optional<double> since_start = burst.frames[frame].time_s;
  if (!burst.start_s || !since_start) return std::nullopt;
  constexpr double kDayMinutes = 24.0 * 60.0;
  const double minutes = std::floor((*burst.start_s + *since_start) / 60.0);
  const int of_day = static_cast<int>(minutes - kDayMinutes * std::floor(minutes / kDayMinutes));
  return fmt::format("{:02}:{:02}", of_day / 60, of_day % 60);
}

std::vector<std::size_t> flagged(const BurstAnalysis& burst, FrameFlag flag) {
  std::vector<std::size_t> frames;
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    if (holds(burst.frames[k], flag)) frames.push_back(k);
  }
  return frames;
}

std::string_view json_word(VerdictKind kind) {
  switch (kind) {
    case VerdictKind::complete:
      return "complete";
    case VerdictKind::complete_without:
      return "complete-without";
    case VerdictKind::reshoot:
      return "reshoot";
    case VerdictKind::cannot_tell:
      break;
  }
  return "cannot-tell";
}

std::string_view json_word(FrameFlag flag) {
  switch (flag) {
    case FrameFlag::dark:
      return "dark";
    case FrameFlag::dim:
      return "dim";
    case FrameFlag::partly_lit:
      return "partly-lit";
    case FrameFlag::shaken:
      return "shaken";
    case FrameFlag::moved:
      return "moved";
    case FrameFlag::idle:
      return "idle";
    case FrameFlag::unreadable:
      return "unreadable";
    case FrameFlag::other_settings:
      return "other-settings";
    case FrameFlag::other_picture:
      break;
  }
  return "other-picture";
}

std::string_view json_word(NearSideSource source) {
  switch (source) {
    case NearSideSource::user:
      return "user";
    case NearSideSource::lens:
      return "lens";
    case NearSideSource::picture:
      return "picture";
    case NearSideSource::unknown:
      break;
  }
  return "unknown";
}

std::string_view json_word(const BurstAnalysis& burst, const End& end) {
  if (burst.near_side.known()) return end.low ? "far" : "near";
  return is_first_end(burst, end) ? "first" : "last";
}

std::string turn_words(double turn_factor) {
  struct Fraction {
    double value;
    std::string_view words;
  };
  static constexpr std::array<Fraction, 8> kFractions{{{1.0, "as far as before"},
                                                       {3.0 / 4.0, "about three quarters as far"},
                                                       {2.0 / 3.0, "about two thirds as far"},
                                                       {1.0 / 2.0, "about half as far"},
                                                       {1.0 / 3.0, "about a third as far"},
                                                       {1.0 / 4.0, "about a quarter as far"},
                                                       {1.0 / 5.0, "about a fifth as far"},
                                                       {1.0 / 10.0, "about a tenth as far"}}};
  if (!(turn_factor > 0.0)) return "far less";
  // A hand turns by ratios, so the nearest fraction is the one with the smallest ratio to it.
  const auto& nearest = *std::ranges::min_element(kFractions, {}, [&](const Fraction& fraction) {
    return std::abs(std::log(turn_factor / fraction.value));
  });
  if (turn_factor < 0.07) return "far less";
  if (turn_factor < 0.9 && nearest.value == 1.0) return std::string(kFractions[1].words);
  return std::string(nearest.words);
}

std::string action(const BurstAnalysis& burst) {
  const std::vector<std::string> labels = frame_labels(burst);
  switch (burst.verdict.kind) {
    case VerdictKind::complete:
      return keep_action(burst, labels);
    case VerdictKind::complete_without: {
      const std::vector<std::size_t> moved = flagged(burst, FrameFlag::moved);
      if (moved.empty()) return keep_action(burst, labels);
      return fmt::format("Stack the frames without {}.", list_of_frames(moved, labels));
    }
    case VerdictKind::reshoot:
      return reshoot_action(burst, labels);
    case VerdictKind::cannot_tell:
      break;
  }
  return cannot_tell_action(burst);
}

std::string_view near_or_far(const BurstAnalysis& burst, bool at_start) {
  if (!burst.near_side.known()) return {};
  return at_start == starts_low(burst) ? "far " : "near ";
}

std::string_view place_words(const BurstAnalysis& burst, const cv::Rect& box) {
  if (box.empty()) return {};
  const cv::Size size = upright_size(burst.full_size, burst.orientation);
  if (5 * box.width > 3 * size.width && 5 * box.height > 3 * size.height)
    return "all over the picture";
  if (5 * box.width > 3 * size.width) return "across the picture";
  const auto third = [](int from, int length, int whole) {
    return std::clamp(3 * (2 * from + length) / (2 * std::max(1, whole)), 0, 2);
  };
  static constexpr std::array<std::array<std::string_view, 3>, 3> kWords{
      {{"upper left", "at the top", "upper right"},
       {"on the left", "in the middle", "on the right"},
       {"lower left", "at the bottom", "lower right"}}};
  const auto row = static_cast<std::size_t>(third(box.y, box.height, size.height));
  const auto column = static_cast<std::size_t>(third(box.x, box.width, size.width));
  return kWords[row][column];
}

std::string_view share_words(double share) {
  if (share < 0.03) return "a little of it";
  if (share < 0.15) return "about a tenth of it";
  if (share < 0.22) return "about a fifth of it";
  if (share < 0.29) return "about a quarter of it";
  if (share < 0.42) return "about a third of it";
  if (share < 0.6) return "about half of it";
  return "most of it";
}

std::string reason_with_numbers(const BurstAnalysis& burst, const Reason& reason) {
  const auto file = [&](std::size_t frame) {
    return frame < burst.frames.size() ? printable(burst.frames[frame].file) : std::string("?");
  };
  const std::string close = reason.close_call ? " This is close." : "";
  switch (reason.kind) {
    case ReasonKind::covered:
      if (reason.close_call && reason.first_frame != reason.last_frame) {
        return fmt::format(
            "Every depth of the subject is sharp in a usable frame; close between {} and {}: "
            "{:.2f} px (sd {:.2f} px) of {:.2f} px allowed.",
            file(reason.first_frame), file(reason.last_frame), reason.width_px, reason.width_sd_px,
            burst.allowed_step_px);
      }
      return fmt::format(
          "Every depth of the subject is within the blur limit of {:.2f} px of a usable frame.{}",
          burst.blur_limit_px, close);
    case ReasonKind::gap:
    case ReasonKind::gap_from_dark: {
      std::string text = fmt::format(
          "Gap of {:.2f} px (sd {:.2f} px) between {} and {}, {:.2f} px allowed; {:.1f} % of the "
          "subject lies in it and is sharp in no usable frame.{}",
          reason.width_px, reason.width_sd_px, file(reason.first_frame), file(reason.last_frame),
          burst.allowed_step_px, 100.0 * reason.subject_share, close);
      if (reason.kind == ReasonKind::gap_from_dark) {
        text += " Frames between them that the flash did not light are the cause, not the ring.";
      }
      return text;
    }
    case ReasonKind::soft_place:
      return fmt::format(
          "Soft place: {:.2f} px (sd {:.2f} px) between {} and {}, {:.2f} px allowed; {:.1f} % of "
          "the subject.{}",
          reason.width_px, reason.width_sd_px, file(reason.first_frame), file(reason.last_frame),
          burst.allowed_step_px, 100.0 * reason.subject_share, close);
    case ReasonKind::perch_goes_on:
      return fmt::format(
          "Beyond {}, at the {}end where the {}, something goes on that runs out of the picture: "
          "taken for stem, blade or leaf, not for subject.",
          file(reason.first_frame), near_or_far(burst, reason.at_start),
          reason.at_start ? "first sweep began" : "first sweep ended");
    case ReasonKind::ends_not_told:
      return fmt::format(
          "No gap from {} to {}. What is subject beyond them cannot be told, since all that is "
          "sharp runs out of the picture, or too little is: the ends are yours to judge.",
          file(reason.first_frame), file(reason.last_frame));
    case ReasonKind::open_end:
      return fmt::format(
          "The subject goes on {:.2f} px (sd {:.2f} px) beyond {}, at the {}end where the {}; "
          "{:.2f} px allowed; {:.1f} % of the subject lie beyond.{}",
          reason.width_px, reason.width_sd_px, file(reason.first_frame),
          near_or_far(burst, reason.at_start),
          reason.at_start ? "first sweep began" : "first sweep ended", burst.blur_limit_px,
          100.0 * reason.subject_share, close);
    case ReasonKind::too_few_frames: {
      const auto usable = std::ranges::count_if(burst.frames, &FrameAnalysis::usable);
      return fmt::format("{} of {} frames can be used, 3 are needed.", usable, burst.frames.size());
    }
    case ReasonKind::no_subject:
      return "No subject was found: nothing is sharp in any usable frame.";
    case ReasonKind::no_sweep:
      return "This is no ring sweep: all frames focus in the same place.";
    case ReasonKind::fit_not_trusted:
      break;
  }
  const std::string detail = without_stop(printable(reason.detail));
  return detail.empty() ? "The focal positions are not trusted."
                        : fmt::format("The focal positions are not trusted: {}.", detail);
}

FramePair by_time(const Gap& gap) {
  return {.after = std::min(gap.lower, gap.upper), .before = std::max(gap.lower, gap.upper)};
}

bool is_first_end(const BurstAnalysis& burst, const End& end) {
  return end.low == starts_low(burst);
}

}  // namespace ringsweep::wording
