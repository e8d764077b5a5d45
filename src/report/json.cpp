#include <cmath>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <utility>

#include "report/action.h"
#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using nlohmann::json;
using wording::valid_utf8;

/// Digits after the point: more would show noise, fewer would round a position's sd away.
constexpr int kPxDecimals = 3;
constexpr int kShareDecimals = 4;
constexpr int kMmDecimals = 5;
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

/// [x, y, w, h]; null where it is not known.
json box_json(const cv::Rect& box) {
  if (box.empty()) return nullptr;
  return json::array({box.x, box.y, box.width, box.height});
}

json gap_json(const BurstAnalysis& burst, const Gap& gap) {
  const auto [after, before] = wording::by_time(gap);
  return {{"after", file_name(burst, after)},
          {"before", file_name(burst, before)},
          {"width_px", number(gap.width_px, kPxDecimals)},
          {"width_sd_px", number(gap.width_sd_px, kPxDecimals)},
          {"subject_share", number(gap.subject_share, kShareDecimals)},
          {"probability", number(gap.probability, kShareDecimals)},
          {"soft", gap.soft},
          {"box", box_json(gap.box_px)}};
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
                 {"pose", frame.pose + 1},
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
                    {"gaps", gaps_json(burst, sweep.gaps)},
                    {"light_ev", number(sweep.difference.light_ev, kPxDecimals)},
                    {"light_from_elsewhere", sweep.difference.light_from_elsewhere},
                    {"drop_size", sweep.difference.drop_size},
                    {"blur", number(sweep.difference.blur, kShareDecimals)},
                    {"size", number(sweep.difference.size, kShareDecimals)},
                    {"rotation_deg", number(sweep.difference.rotation_deg, kPxDecimals)},
                    {"shift", number(sweep.difference.shift, kShareDecimals)},
                    {"viewpoint_px", number(sweep.difference.viewpoint_px, kPxDecimals)}});
  }
  return list;
}

json complete_sweeps_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const std::size_t sweep : burst.complete_sweeps) list.push_back(sweep + 1);
  return list;
}

json ends_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const End& end : burst.coverage.ends) {
    list.push_back({{"end", wording::json_word(burst, end)},
                    {"state", end.open ? "open" : "covered"},
                    {"beyond_px", number(end.beyond_px, kPxDecimals)},
                    {"beyond_sd_px", number(end.beyond_sd_px, kPxDecimals)},
                    {"subject_share", number(end.subject_share, kShareDecimals)},
                    {"lights", end.lights},
                    {"box", box_json(end.box_px)},
                    {"file", file_name(burst, end.frame)}});
  }
  return list;
}

json subject_json(const BurstAnalysis& burst) {
  if (!burst.coverage.has_subject) return nullptr;
  return json::array({number(burst.coverage.subject_low_px, kPxDecimals),
                      number(burst.coverage.subject_high_px, kPxDecimals)});
}

json limits_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const LimitRow& row : burst.limits) {
    list.push_back({{"blur_limit_px", number(row.blur_limit_px, kPxDecimals)},
                    {"gaps", row.gaps},
                    {"soft", row.soft},
                    {"open_ends", row.open_ends}});
  }
  return list;
}

json ring_step_json(const BurstAnalysis& burst, const RingStep& step) {
  return {{"after", file_name(burst, step.from)},
          {"before", file_name(burst, step.to)},
          {"step_px", number(step.step_px, kPxDecimals)},
          {"lost_frames", step.lost}};
}

json count_or_null(const std::optional<std::size_t>& count) {
  return count ? json(*count) : json(nullptr);
}

json turn_json(const BurstAnalysis& burst, const SweepTurn& turn) {
  json too_quick = json::array();
  for (const RingStep& step : turn.too_quick) too_quick.push_back(ring_step_json(burst, step));
  return {{"frames_on_subject", turn.frames_on_subject},
          {"frames_before", turn.frames_before},
          {"frames_after", turn.frames_after},
          {"standing_still", turn.standing_still},
          {"play", turn.play},
          {"turn_px", number(turn.turn_px, kPxDecimals)},
          {"evenness", number(turn.evenness, kShareDecimals)},
          {"turn_factor", number(turn.turn_factor, kShareDecimals)},
          {"frames_for_same_turn", count_or_null(turn.frames_for_same_turn)},
          {"too_quick", std::move(too_quick)},
          {"jump", turn.jump ? ring_step_json(burst, *turn.jump) : json(nullptr)}};
}

std::string_view pattern_word(FlashPattern pattern) {
  switch (pattern) {
    case FlashPattern::every_nth:
      return "every-nth";
    case FlashPattern::gave_up:
      return "gave-up";
    case FlashPattern::sagging:
      return "sagging";
    case FlashPattern::now_and_then:
      break;
  }
  return "now-and-then";
}

json flash_json(const BurstAnalysis& burst) {
  if (!burst.advice.flash) return nullptr;
  const FlashBehind& flash = *burst.advice.flash;
  return {{"pattern", pattern_word(flash.pattern)},
          {"first", file_name(burst, flash.first_frame)},
          {"lit_before", flash.lit_before},
          {"fired", flash.of > 0 ? json(flash.fired) : json(nullptr)},
          {"of", flash.of > 0 ? json(flash.of) : json(nullptr)},
          {"held_rate_per_s", number(flash.held_rate_per_s, kPxDecimals)},
          {"held_power_ev", number(flash.held_power_ev, kPxDecimals)}};
}

json advice_json(const BurstAnalysis& burst) {
  const RingAdvice& advice = burst.advice;
  json sweeps = json::array();
  for (const SweepTurn& turn : advice.sweeps) sweeps.push_back(turn_json(burst, turn));
  const StepSize step = advice.step_px > 0.0 ? ring_step(advice.step_px, burst.ring) : StepSize{};
  return {{"step_px", number(advice.step_px, kPxDecimals)},
          {"step_extension_mm", number(step.extension_mm, kMmDecimals)},
          {"step_subject_mm", number(step.subject_mm, kMmDecimals)},
          {"step_deg", number(step.turn_deg, kPxDecimals)},
          {"turn_factor", number(advice.turn_factor, kShareDecimals)},
          {"frames_for_same_turn", count_or_null(advice.frames_for_same_turn)},
          {"rate_per_s", number(advice.rate_per_s, kPxDecimals)},
          {"sweeps", std::move(sweeps)},
          {"flash", flash_json(burst)},
          {"text", wording::action(burst)}};
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

json moved_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const MovedPart& part : burst.movement.parts) {
    list.push_back({{"file", file_name(burst, part.frame)},
                    {"box", json::array({part.box_px.x, part.box_px.y, part.box_px.width,
                                         part.box_px.height})},
                    {"shift_px", number(part.shift_px, kPxDecimals)},
                    {"shift_sd_px", number(part.shift_sd_px, kPxDecimals)},
                    {"kind", wording::json_word(part.kind)},
                    {"sharp_before", number(part.sharp_before, kShareDecimals)},
                    {"sharp_after", number(part.sharp_after, kShareDecimals)},
                    {"conflict", part.conflict}});
  }
  return list;
}

json whole_shifts_json(const BurstAnalysis& burst) {
  json list = json::array();
  for (const WholeShift& shift : burst.whole_shifts)
    list.push_back({{"file", file_name(burst, shift.frame)},
                    {"shift_px", number(shift.shift_px, kPxDecimals)}});
  return list;
}

json drop_json(const BurstAnalysis& burst, const DropChange& drop, const char* before,
               const char* after) {
  return {{"x", number(drop.at.x, 1)},
          {"y", number(drop.at.y, 1)},
          {"radius_px", number(drop.radius_px, kPxDecimals)},
          {"focus_px", number(drop.q_px, kPxDecimals)},
          {before, file_name(burst, drop.before)},
          {after, file_name(burst, drop.after)},
          {"probability", number(drop.probability, kShareDecimals)}};
}

json drops_json(const BurstAnalysis& burst) {
  json lost = json::array(), appeared = json::array();
  for (const DropChange& drop : burst.drops.lost) {
    lost.push_back(drop_json(burst, drop, "last_seen", "first_missing"));
    lost.back()["how"] = wording::json_word(drop.fate);
    lost.back()["conflict"] = drop.conflict;
  }
  for (const DropChange& drop : burst.drops.appeared)
    appeared.push_back(drop_json(burst, drop, "last_without", "first_seen"));
  return {{"tracked", burst.drops.tracked},
          {"lost", std::move(lost)},
          {"appeared", std::move(appeared)}};
}

json checks_json(const BurstAnalysis& burst) {
  json checks = {"coverage", "shake", "haze"};
  if (burst.movement.looked) checks.push_back("movement");
  if (burst.drops.looked) checks.push_back("drops");
  return checks;
}

json burst_json(const BurstAnalysis& burst) {
  json reasons = json::array();
  for (const Reason& reason : burst.verdict.reasons) {
    reasons.push_back(wording::reason_with_numbers(burst, reason));
  }
  json verdict_notes = json::array();
  for (const Reason& reason : burst.verdict.notes) {
    verdict_notes.push_back(wording::reason_with_numbers(burst, reason));
  }
  json notes = json::array();
  for (const std::string& note : burst.notes) notes.push_back(valid_utf8(note));
  json object = {
      {"folder", valid_utf8(burst.folder)},
      {"verdict", wording::json_word(burst.verdict.kind)},
      {"reasons", std::move(reasons)},
      {"verdict_notes", std::move(verdict_notes)},
      {"reference", burst.reference < burst.frames.size() ? json(file_name(burst, burst.reference))
                                                          : json(nullptr)},
      {"orientation", burst.orientation},
      {"full_size", json::array({burst.full_size.width, burst.full_size.height})},
      {"full_size_from", wording::json_word(burst.full_size_from)},
      {"full_px_per_file_px", number(burst.full_px_per_file_px, kPxDecimals)},
      {"too_small", burst.too_small},
      {"start_s", number(burst.start_s, kPxDecimals)},
      {"frames", frames_json(burst)},
      {"scale_sd", number(burst.scale_sd, kShareDecimals)},
      {"fit", {{"status", fit_word(burst.fit_status)}, {"reason", valid_utf8(burst.fit_reason)}}},
      {"near_side", near_side_json(burst.near_side)},
      {"haze", haze_json(burst)},
      {"sweeps", sweeps_json(burst)},
      {"complete_sweeps", complete_sweeps_json(burst)},
      {"blur_limit_px", number(burst.blur_limit_px, kPxDecimals)},
      {"allowed_step_px", number(burst.allowed_step_px, kPxDecimals)},
      {"quarter_wave_blur_px", number(burst.quarter_wave_blur_px, kPxDecimals)},
      {"quarter_wave_from", quarter_wave_from(burst)},
      {"lens_doubt", lens_doubt_json(burst)},
      {"blur_model", burst.wave_model ? "wave" : "disc"},
      {"subject_px", subject_json(burst)},
      {"subject_from", !burst.coverage.has_subject ? json(nullptr)
                       : burst.subject_said        ? json("user")
                                                   : json("picture")},
      {"subject_trusted", burst.subject_trusted},
      {"blur_limits", limits_json(burst)},
      {"gaps", gaps_json(burst, burst.coverage.gaps)},
      {"ends", ends_json(burst)},
      {"advice", advice_json(burst)},
      {"checks_made", checks_json(burst)},
      {"notes", std::move(notes)}};
  if (burst.movement.looked) object["moved"] = moved_json(burst);
  object["whole_shifts"] = whole_shifts_json(burst);
  if (burst.drops.looked) object["drops"] = drops_json(burst);
  return object;
}

}  // namespace

nlohmann::json report_json(std::span<const BurstAnalysis> bursts) {
  return report_json(bursts, group_scenes(bursts));
}

nlohmann::json report_json(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes) {
  json list = json::array();
  for (const BurstAnalysis& burst : bursts) list.push_back(burst_json(burst));
  json scene_list = json::array();
  for (const Scene& scene : scenes) {
    json members = json::array();
    for (const std::size_t i : scene.bursts) members.push_back(i + 1);
    json together = json::array();
    for (const std::size_t i : scene.together) together.push_back(i + 1);
    const std::optional<Softer>& softer = scene.softer;
    scene_list.push_back(
        {{"bursts", std::move(members)},
         {"softer", softer ? json{{"burst", softer->burst + 1},
                                  {"than", softer->than + 1},
                                  {"contrast_lost", number(softer->contrast_lost, kShareDecimals)}}
                           : json(nullptr)},
         {"together", std::move(together)},
         {"whole", scene.whole ? burst_json(*scene.whole) : json(nullptr)},
         {"verdict", wording::json_word(scene.verdict)},
         {"best", scene.best + 1}});
  }
  return {{"format", "ringsweep-report"},
          {"version", 1},
          {"bursts", std::move(list)},
          {"scenes", std::move(scene_list)}};
}

}  // namespace ringsweep
