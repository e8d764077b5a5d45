#include <fmt/format.h>

#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

std::string count_of(std::size_t count, const char* what) {
  return fmt::format("{} {}{}", count, what, count == 1 ? "" : "s");
}

/// "1201 to 1229"
std::string name_of(const BurstAnalysis& burst) {
  const std::vector<std::string> labels = wording::frame_labels(burst);
  if (labels.empty()) return "no frames";
  return labels.size() == 1 ? labels.front()
                            : fmt::format("{} to {}", labels.front(), labels.back());
}

std::string_view standing(VerdictKind kind) {
  switch (kind) {
    case VerdictKind::complete:
    case VerdictKind::complete_without:
      return "it is complete";
    case VerdictKind::reshoot:
      return "something is missing in each";
    case VerdictKind::cannot_tell:
      break;
  }
  return "none can be told";
}

std::string line(std::string text) { return text + "\n"; }

}  // namespace

std::string scenes_text(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes,
                        std::size_t columns) {
  std::string text;
  for (const Scene& scene : scenes) {
    if (scene.bursts.size() < 2) continue;
    if (const std::optional<Softer>& softer = scene.softer)
      text +=
          line(fmt::format("{} is softer than {}: look for dew on the front lens or the diffuser.",
                           name_of(bursts[softer->burst]), name_of(bursts[softer->than])));
    const auto named = [&](const std::vector<std::size_t>& members) {
      std::vector<std::string> names;
      for (const std::size_t i : members) names.push_back(name_of(bursts[i]));
      return wording::joined(names);
    };
    if (!scene.together.empty()) {
      const bool all = scene.together.size() == scene.bursts.size();
      text += line(fmt::format(
          "{} show the same: none is complete alone, but {} are together. For their frames in one "
          "list: ringsweep stacklist --as-one, and these pictures.",
          named(scene.bursts), all ? "they" : named(scene.together)));
      continue;
    }
    text += line(fmt::format("{} show the same: the best so far is {}; {}.", named(scene.bursts),
                             name_of(bursts[scene.best]), standing(scene.verdict)));
  }
  return wording::wrapped_lines(text, columns);
}

std::string session_text(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes,
                         std::size_t columns) {
  const Session s = sum_up(bursts, scenes);
  std::string text =
      line(fmt::format("All in all: {} of {}, {} of {} and {} of {} complete.", s.complete_scenes,
                       count_of(s.scenes, "scene"), s.complete_bursts, count_of(s.bursts, "burst"),
                       s.complete_sweeps, count_of(s.sweeps, "sweep")));
  std::vector<std::string> causes;
  const auto cause = [&](std::size_t count, const char* what) {
    if (count > 0) causes.push_back(fmt::format("{} in {}", what, count_of(count, "burst")));
  };
  cause(s.too_quick, "the ring went too far from one frame to the next");
  cause(s.flash, "the flash missed");
  cause(s.began_late, "the sweep began too late");
  cause(s.stopped_early, "the sweep stopped too soon");
  cause(s.not_told, "the pictures did not tell");
  if (!causes.empty()) text += line(fmt::format("What was wrong: {}.", wording::joined(causes)));
  if (s.first_half_widest && s.second_half_widest) {
    constexpr double kSame = 0.1;  // less is no difference of hand
    const double change = *s.second_half_widest / *s.first_half_widest - 1.0;
    text += std::abs(change) < kSame ? "The hand turned as evenly at the end as at the start.\n"
            : change < 0.0 ? "Towards the end the hand turned less far per frame: better.\n"
                           : "Towards the end the hand turned farther per frame: slow down.\n";
  }
  return wording::wrapped_lines(text, columns);
}

}  // namespace ringsweep
