#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <utility>

#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using nlohmann::json;
using wording::valid_utf8;

/// Digits after the point: more would show noise, fewer would round a position's sd away.
constexpr int kPxDecimals = 3;
constexpr int kShareDecimals = 4;
constexpr int kScaleDecimals = 6;  // registration measures it to parts in 10^5

/// JSON knows neither NaN nor infinity (RFC 8259, section 6): null says "not known".
json number(std::optional<double> value, int decimals) {
  if (!value || !std::isfinite(*value)) return nullptr;
  const double unit = std::pow(10.0, decimals);
  const double rounded = std::round(*value * unit) / unit;
  if (!std::isfinite(rounded)) return nullptr;
  return rounded + 0.0;  // -0 becomes 0
}

std::string file_name(const BurstAnalysis& burst, std::size_t frame) {
  return valid_utf8(burst.frames[frame].file);
}

json gap_json(const BurstAnalysis& burst, const Gap& gap) {
  const auto [after, before] = wording::by_time(gap);
  return {{"after", file_name(burst, after)},
          {"before", file_name(burst, before)},
          {"width_px", number(gap.width_px, kPxDecimals)},
          {"width_sd_px", number(gap.width_sd_px, kPxDecimals)},
          {"subject_share", number(gap.subject_share, kShareDecimals)}};
}

json gaps_json(const BurstAnalysis& burst, std::span<const Gap> gaps) {
  json list = json::array();
  for (const Gap& gap : gaps) list.push_back(gap_json(burst, gap));
  return list;
}

json frame_json(const FrameAnalysis& frame, std::size_t index) {
  json flags = json::array();
  for (const FrameFlag flag : frame.flags) flags.push_back(wording::json_word(flag));
  json object = {{"file", valid_utf8(frame.file)},
                 {"index", index + 1},
                 {"time_s", number(frame.time_s, kPxDecimals)},
                 {"focus_px", number(frame.focus_px, kPxDecimals)},
                 {"focus_sd_px", number(frame.focus_sd_px, kPxDecimals)},
                 {"gain_ev", number(frame.gain_ev, kPxDecimals)},
                 {"shake_px", number(frame.shake_px, kPxDecimals)},
                 {"scale_off_px", number(frame.scale_off_px, kPxDecimals)},
                 {"flags", std::move(flags)},
                 {"usable", frame.usable},
                 {"scale", frame.focus_px ? number(frame.scale, kScaleDecimals) : json(nullptr)}};
  if (!frame.problem.empty()) object["problem"] = valid_utf8(frame.problem);
  return object;
}

json frames_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    list.push_back(frame_json(burst.frames[k], k));
  }
  return list;
}

json sweeps_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const Sweep& sweep : burst.sweeps) {
    const char* direction = !burst.near_side.known() ? "unknown"
                            : sweep.rising           ? "nearer"
                                                     : "farther";
    list.push_back({{"first", sweep.first + 1},
                    {"last", sweep.last + 1},
                    {"direction", direction},
                    {"verdict", wording::json_word(sweep.verdict.kind)},
                    {"gaps", gaps_json(burst, sweep.gaps)}});
  }
  return list;
}

json ends_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const End& end : burst.coverage.ends) {
    list.push_back({{"end", wording::json_word(burst, end)},
                    {"state", end.open ? "open" : "covered"},
                    {"beyond_px", number(end.beyond_px, kPxDecimals)},
                    {"beyond_sd_px", number(end.beyond_sd_px, kPxDecimals)},
                    {"file", file_name(burst, end.frame)}});
  }
  return list;
}

json subject_json(const BurstAnalysis& burst) {
  if (!burst.coverage.has_subject) return nullptr;
  return json::array({number(burst.coverage.subject_low_px, kPxDecimals),
                      number(burst.coverage.subject_high_px, kPxDecimals)});
}

json advice_json(const BurstAnalysis& burst) {
  const RingAdvice& advice = burst.advice;
  json object = {{"step_px", number(advice.step_px, kPxDecimals)},
                 {"turn_factor", number(advice.turn_factor, kShareDecimals)},
                 {"frames_for_same_turn", nullptr},
                 {"text", wording::action(burst)}};
  if (advice.frames_for_same_turn) object["frames_for_same_turn"] = *advice.frames_for_same_turn;
  return object;
}

std::string_view fit_word(FitStatus status) {
  switch (status) {
    case FitStatus::converged:
      return "converged";
    case FitStatus::iteration_limit:
      return "iteration-limit";
    case FitStatus::too_few_frames:
      return "too-few-frames";
    case FitStatus::no_subject:
      return "no-subject";
    case FitStatus::no_sweep:
      return "no-sweep";
    case FitStatus::not_trusted:
      return "not-trusted";
    case FitStatus::not_run:
      break;
  }
  return "not-run";
}

/// Where the f-number in the quarter-wave blur comes from.
json quarter_wave_from(const BurstAnalysis& burst) {
  if (!burst.quarter_wave_blur_px) return nullptr;
  return burst.working_f_number_given ? "given" : "assumed";
}

json haze_json(const BurstAnalysis& burst) {
  if (!burst.haze) return nullptr;
  const std::optional<std::string> since = wording::clock_time(burst, burst.haze->first_frame);
  return {{"from", file_name(burst, burst.haze->first_frame)},
          {"since", since ? json(*since) : json(nullptr)},
          {"contrast_lost", number(burst.haze->contrast_lost, kShareDecimals)},
          {"grows", burst.haze->grows}};
}

json lens_doubt_json(const BurstAnalysis& burst) {
  if (!burst.lens_doubt) return nullptr;
  json give = json::array();
  if (burst.lens_doubt->needs_working_f_number) give.push_back("working-f-number");
  if (burst.lens_doubt->needs_pitch) give.push_back("pitch-um");
  return {{"quarter_wave_px", number(burst.lens_doubt->quarter_wave_px, kPxDecimals)},
          {"give", std::move(give)}};
}

json near_side_json(const NearSide& side) {
  constexpr int kProbabilityDecimals = 5;
  return {{"from", wording::json_word(side.from)},
          {"probability", number(side.probability, kProbabilityDecimals)},
          {"contradicted", side.contradicted}};
}

json burst_json(const BurstAnalysis& burst) {
  json reasons = json::array();
  for (const Reason& reason : burst.verdict.reasons) {
    reasons.push_back(wording::reason_with_numbers(burst, reason));
  }
  json notes = json::array();
  for (const std::string& note : burst.notes) notes.push_back(valid_utf8(note));
  return {
      {"folder", valid_utf8(burst.folder)},
      {"verdict", wording::json_word(burst.verdict.kind)},
      {"reasons", std::move(reasons)},
      {"reference", burst.reference < burst.frames.size() ? json(file_name(burst, burst.reference))
                                                          : json(nullptr)},
      {"orientation", burst.orientation},
      {"full_size", json::array({burst.full_size.width, burst.full_size.height})},
      {"start_s", number(burst.start_s, kPxDecimals)},
      {"frames", frames_json(burst)},
      {"scale_sd", number(burst.scale_sd, kShareDecimals)},
      {"fit", {{"status", fit_word(burst.fit_status)}, {"reason", valid_utf8(burst.fit_reason)}}},
      {"near_side", near_side_json(burst.near_side)},
      {"haze", haze_json(burst)},
      {"sweeps", sweeps_json(burst)},
      {"blur_limit_px", number(burst.blur_limit_px, kPxDecimals)},
      {"allowed_step_px", number(burst.allowed_step_px, kPxDecimals)},
      {"quarter_wave_blur_px", number(burst.quarter_wave_blur_px, kPxDecimals)},
      {"quarter_wave_from", quarter_wave_from(burst)},
      {"lens_doubt", lens_doubt_json(burst)},
      {"blur_model", burst.wave_model ? "wave" : "disc"},
      {"subject_px", subject_json(burst)},
      {"gaps", gaps_json(burst, burst.coverage.gaps)},
      {"ends", ends_json(burst)},
      {"advice", advice_json(burst)},
      {"checks_made", json::array({"coverage", "shake", "haze"})},
      {"notes", std::move(notes)}};
}

}  // namespace

nlohmann::json report_json(std::span<const BurstAnalysis> bursts) {
  json list = json::array();
  json scenes = json::array();
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    list.push_back(burst_json(bursts[i]));
    // Bursts are not combined yet: each is its own scene.
    scenes.push_back({{"bursts", json::array({i + 1})},
                      {"verdict", wording::json_word(bursts[i].verdict.kind)},
                      {"best", i + 1}});
  }
  return {{"format", "ringsweep-report"},
          {"version", 1},
          {"bursts", std::move(list)},
          {"scenes", std::move(scenes)}};
}

}  // namespace ringsweep
