#include "report/action.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include "report/wording.h"

namespace ringsweep::wording {
namespace {

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

}  // namespace

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

}  // namespace ringsweep::wording
