#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "report/action.h"
#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using wording::flagged;
using wording::frames_shot;
using wording::frames_that_go_together;
using wording::list_of_frames;
using wording::plain_reason;
using wording::sentence;
using Labels = std::vector<std::string>;

/// A line of the summary; it is broken where there is no room for it at the very end.
std::string line(std::string text) { return text + "\n"; }

/// One line for each reason, up to six.
std::string reason_lines(const BurstAnalysis& burst, std::span<const Reason> reasons,
                         const Labels& labels) {
  constexpr std::size_t kMostLines = 6;
  const std::size_t lines = reasons.size() > kMostLines ? kMostLines - 1 : reasons.size();
  std::string text;
  for (std::size_t i = 0; i < lines; ++i) {
    text += line(fmt::format("  {}", sentence(plain_reason(burst, reasons[i], labels))));
  }
  if (lines < reasons.size()) {
    text += fmt::format("  And {} more places like these.\n", reasons.size() - lines);
  }
  return text;
}

/// The first line, and below it one line for each reason where there are several.
/// @param opening  "Not yet, 1207 to 1231"
std::string not_good(std::string_view opening, const BurstAnalysis& burst, const Labels& labels) {
  // In the order in which they were shot, as on the camera's screen.
  std::vector<Reason> reasons = burst.verdict.reasons;
  std::ranges::stable_sort(reasons, {}, &Reason::first_frame);
  if (reasons.empty()) return fmt::format("{}.\n", opening);
  if (reasons.size() == 1)
    return line(fmt::format("{}: {}.", opening, plain_reason(burst, reasons.front(), labels)));
  if (reasons.front().kind == ReasonKind::pictures_too_small) {
    // What it is about, and then what is seen all the same.
    return line(fmt::format("{}: {}.", opening, plain_reason(burst, reasons.front(), labels))) +
           reason_lines(burst, std::span(reasons).subspan(1), labels);
  }
  const bool soft_only = std::ranges::none_of(reasons, [](const Reason& r) {
    return r.kind == ReasonKind::moved || r.kind == ReasonKind::drop_lost;
  });
  std::string text = burst.verdict.kind == VerdictKind::reshoot && soft_only
                         ? fmt::format("{}: not sharp in {} places.\n", opening, reasons.size())
                         : fmt::format("{}: there are {} reasons.\n", opening, reasons.size());
  return text + reason_lines(burst, reasons, labels);
}

const Reason* note(const BurstAnalysis& burst, ReasonKind kind) {
  const auto found = std::ranges::find(burst.verdict.notes, kind, &Reason::kind);
  return found == burst.verdict.notes.end() ? nullptr : &*found;
}

/// "between 1214 and 1215, upper left"
std::string soft_place(const BurstAnalysis& burst, const Reason& reason, const Labels& labels) {
  const std::string_view where = wording::place_words(burst, reason.box_px);
  return fmt::format("between {} and {}{}{}", labels[reason.first_frame], labels[reason.last_frame],
                     where.empty() ? "" : ", ", where);
}

/// @param opening  "Good, 1207 to 1231"
std::string complete_line(const BurstAnalysis& burst, std::string_view opening,
                          const Labels& labels) {
  if (const Reason* ends = note(burst, ReasonKind::ends_not_told)) {
    return fmt::format("No gap from {} to {}; the ends are yours to judge.",
                       labels[ends->first_frame], labels[ends->last_frame]);
  }
  const auto soft = std::ranges::count(burst.verdict.notes, ReasonKind::soft_place, &Reason::kind);
  if (soft == 0) return fmt::format("{}: you may leave.", opening);
  if (soft > 1) return fmt::format("{}, {} soft places: you may leave.", opening, soft);
  return fmt::format("{}, one soft place: {}. You may leave.", opening,
                     soft_place(burst, *note(burst, ReasonKind::soft_place), labels));
}

/// What is worth knowing and changes nothing.
std::string note_lines(const BurstAnalysis& burst, const Labels& labels) {
  constexpr double kWorthSaying = 0.03;  // of the subject; less stands in the details
  std::vector<std::string> soft;
  std::string text;
  for (const Reason& reason : burst.verdict.notes) {
    const std::string_view side = wording::near_or_far(burst, reason.at_start);
    const std::string& frame = labels[reason.first_frame];
    if (reason.kind == ReasonKind::soft_place) {
      soft.push_back(soft_place(burst, reason, labels));
    } else if (reason.kind == ReasonKind::open_end && reason.subject_share >= kWorthSaying) {
      const std::string end = side.empty() ? "The end" : fmt::format("The {}end", side);
      text += line(fmt::format("{} stays soft {} {}: {}. Shoot on there if you want it.", end,
                               reason.at_start ? "before" : "past", frame,
                               wording::share_words(reason.subject_share)));
    } else if (reason.kind == ReasonKind::pictures_too_small) {
      text += line(fmt::format(
          "These pictures {} too small to show all that is soft: use the full-size files.",
          burst.full_size_from == FullSizeFrom::unknown ? "may be" : "are"));
    } else if (reason.kind == ReasonKind::outside_picture) {
      text +=
          line(fmt::format("A part of it leaves the picture just where it is in focus, "
                           "about {}: leave more room around it.",
                           frame));
    } else if (reason.kind == ReasonKind::perch_goes_on && side != "far ") {
      text += line(
          fmt::format("What runs out of the picture stays blurred {} {}: taken for stem or leaf.",
                      reason.at_start ? "before" : "past", frame));
    }
  }
  const bool in_first_line = soft.size() == 1 && burst.verdict.kind == VerdictKind::complete &&
                             note(burst, ReasonKind::ends_not_told) == nullptr;
  if (soft.empty() || in_first_line) return text;
  constexpr std::size_t kMostNamed = 3;
  const std::size_t more = soft.size() > kMostNamed ? soft.size() - kMostNamed : 0;
  soft.resize(soft.size() - more);
  return line(fmt::format("A little soft: {}{}.", fmt::join(soft, "; "),
                          more > 0 ? fmt::format("; and {} more", more) : "")) +
         text;
}

/// "1201 to 1220"
std::string sweep_name(const BurstAnalysis& burst, std::size_t sweep, const Labels& labels) {
  return fmt::format("{} to {}", labels[burst.sweeps[sweep].first],
                     labels[burst.sweeps[sweep].last]);
}

/// Of several sweeps, which one or which ones together are complete.
std::string sweeps_line(const BurstAnalysis& burst, const Labels& labels) {
  // Where frames do not go together, the last line says which are wanted.
  if (burst.sweeps.size() < 2 || burst.complete_sweeps.empty() ||
      burst.verdict.kind == VerdictKind::complete_without)
    return {};
  std::vector<std::string> names;
  for (const std::size_t sweep : burst.complete_sweeps)
    names.push_back(sweep_name(burst, sweep, labels));
  if (names.size() == 1) return fmt::format("The sweep {} would do alone.\n", names.front());
  SweepDifference all;
  for (const std::size_t sweep : burst.complete_sweeps) {
    const SweepDifference& own = burst.sweeps[sweep].difference;
    all.light_ev += std::abs(own.light_ev);
    all.size += std::abs(own.size);
    all.rotation_deg += std::abs(own.rotation_deg);
    all.shift += own.shift;
    all.viewpoint_px += own.viewpoint_px;
    all.light_from_elsewhere = all.light_from_elsewhere || own.light_from_elsewhere;
    all.blur += std::abs(own.blur);
    all.drop_size = all.drop_size || own.drop_size;
  }
  return line(fmt::format(
      "The sweeps {} fill each other's gaps{}.", wording::joined(names),
      all.any() ? fmt::format(", but they differ in {}: one whole sweep would be better",
                              wording::difference_words(all))
                : ""));
}

/// @param with_frames  names the frames that it is about
std::string verdict_lines(const BurstAnalysis& burst, const Labels& labels, bool with_frames) {
  const auto opening = [&](std::string_view word, const std::string& frames) {
    return with_frames ? fmt::format("{}, {}", word, frames) : std::string(word);
  };
  const std::string shot = frames_shot(burst, labels);
  switch (burst.verdict.kind) {
    case VerdictKind::complete:
      return line(complete_line(burst, opening("Good", shot), labels));
    case VerdictKind::complete_without:
      return line(fmt::format("{}: you may leave.",
                              opening("Good", frames_that_go_together(burst, labels).words)));
    case VerdictKind::reshoot:
      return not_good(opening("Not yet", shot), burst, labels);
    case VerdictKind::cannot_tell:
      break;
  }
  return not_good(opening("Cannot tell", shot), burst, labels);
}

/// What was only just enough, when all is well.
std::string close_calls(const BurstAnalysis& burst, const Labels& labels) {
  if (!is_complete(burst.verdict.kind)) return {};
  std::string text;
  for (const Reason& reason : burst.verdict.reasons) {
    if (!reason.close_call) continue;
    if (reason.kind == ReasonKind::open_end) {
      text += fmt::format("A close call where you {}: just sharp enough.\n",
                          reason.at_start ? "began" : "stopped");
    } else if (reason.first_frame != reason.last_frame) {
      text += fmt::format("A close call between {} and {}: just sharp enough.\n",
                          labels[reason.first_frame], labels[reason.last_frame]);
    } else {
      text += "A close call: just sharp enough.\n";
    }
  }
  return text;
}

/// Whether something that passes for sharp would not, were distances longer by two sd of their
/// scale.
bool hangs_on_scale(const BurstAnalysis& burst) {
  const double longer = 1.0 + 2.0 * burst.scale_sd.value_or(0.0);
  for (const End& end : burst.coverage.ends) {
    if (!end.open && end.beyond_px * longer > burst.blur_limit_px) return true;
  }
  return std::ranges::any_of(burst.coverage.steps, [&](const Step& step) {
    return step.width_px * longer > burst.allowed_step_px;
  });
}

/// Only where you might leave too soon: what is missing is missing in any case.
std::string lens_line(const BurstAnalysis& burst) {
  if (!burst.lens_doubt || !is_complete(burst.verdict.kind) || !hangs_on_scale(burst)) return {};
  return line(fmt::format("Less sure than usual: {}. Say {} to be surer.",
                          burst.lens_doubt->quarter_wave_px
                              ? "the lens itself blurs, and the ring may have gone farther from "
                                "frame to frame than it looks"
                              : "the pictures do not show how much the lens itself blurs",
                          wording::lens_options(*burst.lens_doubt)));
}

std::string frame_lines(const BurstAnalysis& burst, const Labels& labels) {
  static constexpr std::array<std::pair<FrameFlag, std::string_view>, 8> kLines{
      {{FrameFlag::dark, "Flash missed"},
       {FrameFlag::dim, "Flash weak"},
       {FrameFlag::partly_lit, "Flash on a part only"},
       {FrameFlag::shaken, "Camera shook"},
       {FrameFlag::idle, "Nothing new"},
       {FrameFlag::unreadable, "Cannot be read"},
       {FrameFlag::other_settings, "Other camera settings, left out"},
       {FrameFlag::other_picture, "Something else in the picture, left out"}}};
  std::string text;
  for (const auto& [flag, words] : kLines) {
    const std::vector<std::size_t> frames = flagged(burst, flag);
    if (!frames.empty()) {
      text += line(fmt::format("{}: {}.", words, list_of_frames(frames, labels)));
    }
  }
  return text;
}

/// What moved, where the first lines do not say it, and what that says of the animal.
std::string movement_lines(const BurstAnalysis& burst, const Labels& labels) {
  std::string text;
  const auto place = [&](const Reason& reason) {
    const std::string_view where = wording::place_words(burst, reason.box_px);
    return where.empty() ? std::string() : fmt::format(", {}", where);
  };
  if (burst.verdict.kind == VerdictKind::complete_without) {
    for (const Reason& reason : burst.verdict.reasons)
      if (reason.kind == ReasonKind::moved)
        text += line(fmt::format("The subject shifted{}, from {} on.", place(reason),
                                 labels[reason.first_frame]));
  }
  if (const Reason* trembled = note(burst, ReasonKind::trembled)) {
    text +=
        line(fmt::format("Antennae or hairs trembled{}{}.", place(*trembled),
                         trembled->calm_first == trembled->calm_last
                             ? ""
                             : fmt::format("; calmest in {} to {}", labels[trembled->calm_first],
                                           labels[trembled->calm_last])));
  }
  if (note(burst, ReasonKind::waking) != nullptr)
    text += "The animal is waking; leave it after this try.\n";
  return text;
}

/// A line for each time that drops went, where the first lines do not say it.
std::string drop_lines(const BurstAnalysis& burst, const Labels& labels) {
  std::string text;
  for (const DropEvent& event : drop_events(burst.drops.lost)) {
    if (event.conflict && burst.verdict.kind == VerdictKind::reshoot) continue;
    text += line(sentence(wording::drops_gone(burst,
                                              {.first_frame = event.before,
                                               .last_frame = event.after,
                                               .drops = event.count,
                                               .box_px = event.box_px},
                                              labels)));
  }
  return text;
}

std::string haze_line(const BurstAnalysis& burst, const Labels& labels) {
  if (!burst.haze) return {};
  const std::string& frame = labels[burst.haze->first_frame];
  const std::optional<std::string> time = wording::clock_time(burst, burst.haze->first_frame);
  return line(fmt::format("{} {}: look for dew on the front lens or the diffuser.",
                          burst.haze->grows ? "Softer and softer" : "Softer",
                          time ? fmt::format("since {}, from frame {} on", *time, frame)
                               : fmt::format("from frame {} on", frame)));
}

}  // namespace

std::string headline(const BurstAnalysis& burst) {
  const std::string text = verdict_lines(burst, wording::frame_labels(burst), false);
  return text.substr(0, text.find('\n'));
}

std::string summary_text(const BurstAnalysis& burst, std::size_t columns) {
  const Labels labels = wording::frame_labels(burst);
  const std::string text =
      verdict_lines(burst, labels, true) + sweeps_line(burst, labels) + note_lines(burst, labels) +
      close_calls(burst, labels) + movement_lines(burst, labels) + drop_lines(burst, labels) +
      lens_line(burst) + frame_lines(burst, labels) + haze_line(burst, labels) +
      wording::not_checked(burst) + line(wording::action(burst));
  return wording::wrapped_lines(text, columns);
}

}  // namespace ringsweep
