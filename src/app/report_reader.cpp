#include "app/report_reader.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>

#include "app/json_field.h"
#include "app/stack_input.h"
#include "report/wording.h"
#include "ringsweep/poses.h"

namespace ringsweep::app {
namespace {

using nlohmann::json;

double number_from(const json& value) {
  constexpr double kLargest = 1e12;  // px, EV or s since 1970: far more than any of them can be
  const auto number = value.get<double>();
  if (!(std::abs(number) <= kLargest)) throw std::runtime_error("has a number out of all bounds");
  return number;
}

std::optional<double> number(const json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || found->is_null()) return std::nullopt;
  return number_from(*found);
}

/// The value that wording::json_word gives this word for.
template <class Value, std::size_t n>
Value from_word(const std::string& word, const std::array<Value, n>& values) {
  for (const Value value : values)
    if (wording::json_word(value) == word) return value;
  throw std::runtime_error("unknown word " + word);
}

FrameFlag flag_of(const std::string& word) {
  static constexpr std::array kFlags{
      FrameFlag::dark,         FrameFlag::dim,  FrameFlag::partly_lit, FrameFlag::shaken,
      FrameFlag::moved,        FrameFlag::idle, FrameFlag::unreadable, FrameFlag::other_settings,
      FrameFlag::other_picture};
  return from_word(word, kFlags);
}

VerdictKind verdict_of(const std::string& word) {
  static constexpr std::array kKinds{VerdictKind::complete, VerdictKind::complete_without,
                                     VerdictKind::reshoot, VerdictKind::cannot_tell};
  return from_word(word, kKinds);
}

FrameAnalysis frame_from(const json& object) {
  FrameAnalysis frame;
  frame.file = object.at("file").get<std::string>();
  frame.time_s = number(object, "time_s");
  frame.focus_px = number(object, "focus_px");
  frame.focus_sd_px = number(object, "focus_sd_px");
  frame.shake_px = number(object, "shake_px");
  frame.gain_ev = number(object, "gain_ev");
  // Reports of the time before movement was looked for have one pose.
  const auto found = object.find("pose");
  const std::size_t pose = found == object.end() ? 1 : count_from(*found);
  if (pose < 1) throw std::runtime_error("counts poses from 1");
  frame.pose = pose - 1;
  for (const json& word : object.at("flags")) frame.flags.push_back(flag_of(word));
  frame.usable = object.at("usable").get<bool>() && frame.focus_px;
  return frame;
}

std::size_t index_of(const BurstAnalysis& burst, const std::string& file) {
  const auto found = std::ranges::find(burst.frames, file, &FrameAnalysis::file);
  if (found == burst.frames.end()) throw std::runtime_error("names a frame that it does not have");
  return static_cast<std::size_t>(found - burst.frames.begin());
}

Gap gap_from(const json& object, const BurstAnalysis& burst) {
  Gap gap{.lower = index_of(burst, object.at("after")),
          .upper = index_of(burst, object.at("before")),
          .width_px = number_from(object.at("width_px")),
          .subject_share = number_from(object.at("subject_share"))};
  if (burst.frames[gap.lower].focus_px > burst.frames[gap.upper].focus_px)
    std::swap(gap.lower, gap.upper);
  return gap;
}

std::size_t frame_number(const json& value, const BurstAnalysis& burst) {
  const std::size_t index = count_from(value);
  if (index < 1 || index > burst.frames.size())
    throw std::runtime_error("counts beyond its frames");
  return index - 1;
}

/// Whether positions grow over the frames of a sweep; the report says it where it knows near.
bool rises(const BurstAnalysis& burst, const Sweep& sweep, const std::string& direction) {
  if (direction != "unknown") return direction == "nearer";
  std::optional<double> first;
  std::optional<double> last;
  for (std::size_t k = sweep.first; k <= sweep.last; ++k) {
    if (!burst.frames[k].focus_px) continue;
    if (!first) first = burst.frames[k].focus_px;
    last = burst.frames[k].focus_px;
  }
  return first <= last;
}

void read_coverage(const json& object, BurstAnalysis& burst) {
  const json& subject = object.at("subject_px");
  burst.coverage.has_subject = !subject.is_null();
  if (burst.coverage.has_subject) {
    burst.coverage.subject_low_px = number_from(subject.at(0));
    burst.coverage.subject_high_px = number_from(subject.at(1));
  }
  for (const json& gap : object.at("gaps")) burst.coverage.gaps.push_back(gap_from(gap, burst));
  const bool starts_low = burst.sweeps.empty() || burst.sweeps.front().rising;
  for (const json& end : object.at("ends")) {
    const auto which = end.at("end").get<std::string>();
    burst.coverage.ends.push_back({.low = which == "far" || (which == "first" && starts_low) ||
                                          (which == "last" && !starts_low),
                                   .open = end.at("state") == "open",
                                   .beyond_px = number_from(end.at("beyond_px")),
                                   .beyond_sd_px = number(end, "beyond_sd_px").value_or(0.0),
                                   .frame = index_of(burst, end.at("file"))});
  }
}

void read_movement(const json& object, BurstAnalysis& burst) {
  static constexpr std::array kKinds{MoveKind::stays, MoveKind::drifts, MoveKind::to_and_fro};
  const auto moved = object.find("moved");
  burst.movement.looked = moved != object.end();
  if (!burst.movement.looked) return;
  for (const json& entry : *moved) {
    MovedPart part;
    part.kind = from_word(entry.at("kind").get<std::string>(), kKinds);
    part.frame = index_of(burst, entry.at("file"));
    part.shift_px = number_from(entry.at("shift_px"));
    part.conflict = entry.at("conflict").get<bool>();
    burst.movement.parts.push_back(std::move(part));
  }
}

void read_drops(const json& object, BurstAnalysis& burst) {
  static constexpr std::array kFates{DropFate::gone, DropFate::rolled};
  const auto drops = object.find("drops");
  burst.drops.looked = drops != object.end();
  if (!burst.drops.looked) return;
  burst.drops.tracked = count_from(drops->at("tracked"));
  for (const json& entry : drops->at("lost"))
    burst.drops.lost.push_back({.fate = from_word(entry.at("how").get<std::string>(), kFates),
                                .at = {number_from(entry.at("x")), number_from(entry.at("y"))},
                                .radius_px = number_from(entry.at("radius_px")),
                                .q_px = number_from(entry.at("focus_px")),
                                .before = index_of(burst, entry.at("last_seen")),
                                .after = index_of(burst, entry.at("first_missing")),
                                .probability = number_from(entry.at("probability")),
                                .conflict = entry.at("conflict").get<bool>()});
}

/// The same reasons as values, as far as the report has them.
void read_verdict(const json& object, BurstAnalysis& burst) {
  burst.verdict.kind = verdict_of(object.at("verdict"));
  const bool starts_low = burst.sweeps.empty() || burst.sweeps.front().rising;
  if (burst.verdict.kind == VerdictKind::reshoot) {
    for (const Gap& gap : burst.coverage.gaps) {
      const auto [after, before] = wording::by_time(gap);
      burst.verdict.reasons.push_back(
          {.kind = ReasonKind::gap, .first_frame = after, .last_frame = before});
    }
    for (const End& end : burst.coverage.ends)
      if (end.open)
        burst.verdict.reasons.push_back({.kind = ReasonKind::open_end,
                                         .first_frame = end.frame,
                                         .last_frame = end.frame,
                                         .at_start = end.low == starts_low});
    const std::vector<Reason> conflicts = conflict_reasons(burst.movement, burst.drops);
    burst.verdict.reasons.insert(burst.verdict.reasons.end(), conflicts.begin(), conflicts.end());
  } else if (burst.verdict.kind == VerdictKind::cannot_tell) {
    const ReasonKind kind = object.at("fit").at("status") == "no-sweep" ? ReasonKind::no_sweep
                            : object.value("too_small", false) ? ReasonKind::pictures_too_small
                                                               : ReasonKind::fit_not_trusted;
    burst.verdict.reasons.push_back(
        {.kind = kind, .detail = object.at("reasons").at(0).get<std::string>()});
  }
}

/// Older reports do not have all of them.
SweepDifference difference_from(const json& entry) {
  const auto value = [&](const char* key) { return number(entry, key).value_or(0.0); };
  return {.light_ev = value("light_ev"),
          .size = value("size"),
          .rotation_deg = value("rotation_deg"),
          .shift = value("shift"),
          .viewpoint_px = value("viewpoint_px"),
          .blur = value("blur"),
          .light_from_elsewhere = entry.value("light_from_elsewhere", false),
          .drop_size = entry.value("drop_size", false)};
}

void read_complete_sweeps(const json& object, BurstAnalysis& burst) {
  const auto found = object.find("complete_sweeps");
  if (found == object.end()) return;
  for (const json& entry : *found) {
    const std::size_t number = count_from(entry);
    if (number < 1 || number > burst.sweeps.size())
      throw std::runtime_error("counts beyond its sweeps");
    burst.complete_sweeps.push_back(number - 1);
  }
}

BurstAnalysis burst_from(const json& object) {
  BurstAnalysis burst;
  burst.folder = object.at("folder").get<std::string>();
  for (const json& frame : object.at("frames")) burst.frames.push_back(frame_from(frame));
  burst.start_s = number(object, "start_s");
  burst.blur_limit_px = number_from(object.at("blur_limit_px"));
  burst.allowed_step_px = number_from(object.at("allowed_step_px"));
  if (!(as_reported(burst.blur_limit_px) > 0.0)) throw std::runtime_error("has no blur limit");
  burst.fit_status =
      object.at("fit").at("status") == "converged" ? FitStatus::converged : FitStatus::not_trusted;
  static constexpr std::array kSources{NearSideSource::unknown, NearSideSource::user,
                                       NearSideSource::lens, NearSideSource::picture};
  burst.near_side.from = from_word(object.at("near_side").at("from").get<std::string>(), kSources);
  for (const json& entry : object.at("sweeps")) {
    Sweep sweep{.first = frame_number(entry.at("first"), burst),
                .last = frame_number(entry.at("last"), burst),
                .verdict = {.kind = verdict_of(entry.at("verdict")), .reasons = {}},
                .gaps = {}};
    sweep.difference = difference_from(entry);
    sweep.rising = rises(burst, sweep, entry.at("direction"));
    burst.sweeps.push_back(std::move(sweep));
  }
  read_complete_sweeps(object, burst);
  read_coverage(object, burst);
  read_movement(object, burst);
  read_drops(object, burst);
  read_verdict(object, burst);
  return burst;
}

tl::unexpected<Error> no_report(const std::filesystem::path& file, std::string problem) {
  return tl::unexpected(Error{.file = file.string(),
                              .problem = std::move(problem),
                              .remedy = "name the report.json that check wrote"});
}

}  // namespace

Result<std::vector<BurstAnalysis>> read_report(const std::filesystem::path& file) {
  std::ifstream stream(file, std::ios::binary);
  if (!stream || std::filesystem::is_directory(file)) return no_report(file, "cannot be read");
  const json report = json::parse(stream, nullptr, /*allow_exceptions=*/false);
  if (!has_field(report, "format", "ringsweep-report"))
    return no_report(file, "is no report of ringsweep");
  if (!has_field(report, "version", 1)) return no_report(file, "is a report of a later ringsweep");
  std::vector<BurstAnalysis> bursts;
  try {
    for (const json& burst : report.at("bursts")) bursts.push_back(burst_from(burst));
  } catch (const json::exception&) {
    return no_report(file, "is a damaged report");
  } catch (const std::runtime_error&) {
    return no_report(file, "is a damaged report");
  }
  return bursts;
}

}  // namespace ringsweep::app
