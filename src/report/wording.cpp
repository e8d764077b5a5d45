#include "report/wording.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <map>
#include <optional>

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

/// Ends a sentence that somebody else wrote, once.
std::string without_stop(std::string text) {
  while (!text.empty() && (text.back() == '.' || text.back() == ' ')) text.pop_back();
  return text;
}

/// ", upper left,"; "" for nowhere.
std::string aside(std::string_view where) {
  return where.empty() ? std::string() : fmt::format(", {},", where);
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

std::string wrapped_lines(std::string_view text, std::size_t columns) {
  std::string result;
  while (!text.empty()) {
    const std::string_view line = text.substr(0, text.find('\n'));
    const std::size_t indent = std::min(line.find_first_not_of(' '), line.size());
    result += wrapped(line, columns, std::string(indent + 2, ' '));
    text.remove_prefix(std::min(line.size() + 1, text.size()));
  }
  return result;
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

namespace {

struct Run {
  std::size_t first = 0, last = 0;  ///< inclusive
};

/// @param burst  with frames
Run run_shot(const BurstAnalysis& burst) {
  const auto foreign = [&](std::size_t k) {
    return holds(burst.frames[k], FrameFlag::other_settings) ||
           holds(burst.frames[k], FrameFlag::other_picture);
  };
  Run run{.first = 0, .last = burst.frames.size() - 1};
  while (run.first < run.last && foreign(run.first)) ++run.first;
  while (run.last > run.first && foreign(run.last)) --run.last;
  return run;
}

std::string run_words(const Run& run, std::span<const std::string> labels) {
  return run.first == run.last ? labels[run.first]
                               : fmt::format("{} to {}", labels[run.first], labels[run.last]);
}

}  // namespace

std::string frames_shot(const BurstAnalysis& burst, std::span<const std::string> labels) {
  return labels.empty() ? "no frames" : run_words(run_shot(burst), labels);
}

FramesThatGo frames_that_go_together(const BurstAnalysis& burst,
                                     std::span<const std::string> labels) {
  if (labels.empty()) return {.words = "no frames"};
  const Run shot = run_shot(burst);
  const auto moved = [&](std::size_t k) { return holds(burst.frames[k], FrameFlag::moved); };
  Run go = shot;
  while (go.first < go.last && moved(go.first)) ++go.first;
  while (go.last > go.first && moved(go.last)) --go.last;
  std::vector<std::size_t> inside;
  for (std::size_t k = go.first; k <= go.last; ++k)
    if (moved(k)) inside.push_back(k);
  if (inside.empty())
    return {.words = run_words(go, labels),
            .one_run = go.first != shot.first || go.last != shot.last};
  return {.words =
              fmt::format("{} without {}", run_words(go, labels), list_of_frames(inside, labels))};
}

std::string beyond_the_end(double beyond_px, double sd_px) {
  constexpr double kRoundingPx = 0.005;
  return std::abs(beyond_px - SubjectOptions{}.reach_px) < kRoundingPx
             ? fmt::format("{:.2f} px or more", beyond_px)
             : fmt::format("{:.2f} px (sd {:.2f} px)", beyond_px, sd_px);
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

std::string_view json_word(FullSizeFrom from) {
  switch (from) {
    case FullSizeFrom::file:
      return "file";
    case FullSizeFrom::exif:
      return "exif";
    case FullSizeFrom::raw:
      return "raw";
    case FullSizeFrom::user:
      return "user";
    case FullSizeFrom::unknown:
      break;
  }
  return "unknown";
}

std::string_view json_word(MoveKind kind) {
  switch (kind) {
    case MoveKind::stays:
      return "stays";
    case MoveKind::drifts:
      return "drifts";
    case MoveKind::to_and_fro:
      break;
  }
  return "to-and-fro";
}

std::string_view json_word(DropFate fate) {
  switch (fate) {
    case DropFate::gone:
      return "gone";
    case DropFate::rolled:
      return "rolled";
    case DropFate::came:
      break;
  }
  return "came";
}

std::string not_checked(const BurstAnalysis& burst) {
  if (burst.movement.looked && burst.drops.looked) return "";
  if (burst.movement.looked) return "Not checked: lost drops.\n";
  return burst.drops.looked ? "Not checked: movement.\n" : "Not checked: movement, lost drops.\n";
}

std::string drops_gone(const BurstAnalysis& burst, const Reason& reason,
                       std::span<const std::string> labels) {
  const std::string_view where = place_words(burst, reason.box_px);
  return fmt::format(
      "{} fell or dried{}{}, between {} and {}",
      reason.drops == 1 ? "1 water drop" : fmt::format("{} water drops", reason.drops),
      where.empty() ? "" : ", ", where, labels[reason.first_frame], labels[reason.last_frame]);
}

std::string_view json_word(const BurstAnalysis& burst, const End& end) {
  if (burst.near_side.known()) return end.low ? "far" : "near";
  return is_first_end(burst, end) ? "first" : "last";
}

std::string_view near_or_far(const BurstAnalysis& burst, bool at_start) {
  if (!burst.near_side.known()) return {};
  return at_start == starts_low(burst) ? "far " : "near ";
}

std::string difference_words(const SweepDifference& difference) {
  std::vector<std::string> words;
  if (difference.light_ev != 0.0 || difference.light_from_elsewhere) words.emplace_back("light");
  if (difference.size != 0.0) words.emplace_back("size");
  if (difference.rotation_deg != 0.0) words.emplace_back("the camera's tilt");
  if (difference.shift != 0.0) words.emplace_back("place in the picture");
  if (difference.viewpoint_px != 0.0) words.emplace_back("viewpoint");
  if (difference.blur != 0.0) words.emplace_back("aperture");
  if (difference.drop_size) words.emplace_back("the size of drops");
  return joined(words);
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
       {"on the left", "in the middle of the picture", "on the right"},
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
    case ReasonKind::moved: {
      const std::string_view where = place_words(burst, reason.box_px);
      return fmt::format(
          "A part of the subject{} is elsewhere from {} on, by {:.2f} px (sd {:.2f} px), {:.2f} px "
          "allowed; frames before and after show it sharp and do not go into one stack.",
          aside(where), file(reason.first_frame), reason.width_px, reason.width_sd_px,
          burst.blur_limit_px);
    }
    case ReasonKind::trembled: {
      const std::string_view where = place_words(burst, reason.box_px);
      return fmt::format("A part{} goes to and fro by {:.2f} px (sd {:.2f} px), from {} on{}.",
                         aside(where), reason.width_px, reason.width_sd_px,
                         file(reason.first_frame),
                         reason.calm_first == reason.calm_last
                             ? ""
                             : fmt::format("; least from {} to {}", file(reason.calm_first),
                                           file(reason.calm_last)));
    }
    case ReasonKind::waking:
      return "Parts of the subject move more often from sweep to sweep.";
    case ReasonKind::drop_lost: {
      const std::string_view where = place_words(burst, reason.box_px);
      return fmt::format(
          "{} {} lost{}{}, between {} and {}; frames before and after show the place sharp and do "
          "not go into one stack.",
          reason.drops, reason.drops == 1 ? "drop was" : "drops were", where.empty() ? "" : ", ",
          where, file(reason.first_frame), file(reason.last_frame));
    }
    case ReasonKind::perch_goes_on:
      return fmt::format(
          "Beyond {}, at the {}end where the {}, something goes on that runs out of the picture: "
          "taken for stem, blade or leaf, not for subject.",
          file(reason.first_frame), near_or_far(burst, reason.at_start),
          reason.at_start ? "first sweep began" : "first sweep ended");
    case ReasonKind::outside_picture:
      return fmt::format(
          "{:.1f} % of the subject lie outside the picture in all frames from {} to {} that would "
          "show them sharp.",
          100.0 * reason.subject_share, file(reason.first_frame), file(reason.last_frame));
    case ReasonKind::ends_not_told:
      return fmt::format(
          "No gap from {} to {}. What is subject beyond them cannot be told, since all that is "
          "sharp runs out of the picture, or too little is: the ends are yours to judge.",
          file(reason.first_frame), file(reason.last_frame));
    case ReasonKind::open_end:
      if (reason.lights > 0)
        return fmt::format(
            "The subject goes on beyond {}, at the {}end where the {}, too blurred there to show "
            "its texture: {} glints on it would be sharp about {} beyond; {:.2f} px allowed.",
            file(reason.first_frame), near_or_far(burst, reason.at_start),
            reason.at_start ? "first sweep began" : "first sweep ended", reason.lights,
            beyond_the_end(reason.width_px, reason.width_sd_px), burst.blur_limit_px);
      // Within the limit it is open for being cut off there: End::cut_off.
      if (reason.width_px <= burst.blur_limit_px)
        return fmt::format(
            "The subject goes on beyond {}, at the {}end where the {}, as far as {:.2f} px are "
            "allowed, and is cut off there: what lies beyond passes for what runs out of the "
            "picture.",
            file(reason.first_frame), near_or_far(burst, reason.at_start),
            reason.at_start ? "first sweep began" : "first sweep ended", burst.blur_limit_px);
      return fmt::format(
          "The subject goes on {} beyond {}, at the {}end where the {}; {:.2f} px allowed; {:.1f} "
          "% of the subject lie beyond.{}",
          beyond_the_end(reason.width_px, reason.width_sd_px), file(reason.first_frame),
          near_or_far(burst, reason.at_start),
          reason.at_start ? "first sweep began" : "first sweep ended", burst.blur_limit_px,
          100.0 * reason.subject_share, close);
    case ReasonKind::too_few_frames: {
      const auto usable = std::ranges::count_if(burst.frames, &FrameAnalysis::usable);
      return fmt::format("{} of {} frames can be used, 3 are needed.", usable, burst.frames.size());
    }
    case ReasonKind::pictures_too_small:
      if (burst.full_size_from == FullSizeFrom::unknown)
        return "The pictures are too small, use the full-size files: these may be reduced copies, "
               "since nothing tells that they have the camera's full size. Where they have, say it "
               "with --full-size.";
      return fmt::format(
          "The pictures are too small, use the full-size files: of these, reduced copies of {} x "
          "{} px, one px is {:.2f} of the full size, and the blur limit of {:.2f} px does not "
          "show.",
          burst.full_size.width, burst.full_size.height, burst.full_px_per_file_px,
          burst.blur_limit_px);
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
