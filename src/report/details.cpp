#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "report/action.h"
#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using wording::printable;
using wording::wrapped;

std::string number_or_dash(std::optional<double> value, int decimals) {
  if (!value || !std::isfinite(*value)) return "-";
  return fmt::format("{:.{}f}", *value, decimals);
}

std::string flag_words(const FrameAnalysis& frame) {
  std::string text;
  for (const FrameFlag flag : frame.flags) {
    if (!text.empty()) text += ' ';
    text += wording::json_word(flag);
  }
  return text;
}

std::string frame_table(const BurstAnalysis& burst) {
  std::size_t width = 4;
  for (const FrameAnalysis& frame : burst.frames) {
    width = std::max(width, printable(frame.file).size());
  }
  std::string text =
      fmt::format("  {:>4}  {:<{}}  {:>8}  {:>9}  {:>6}  {:>7}  {:>8}  {:>8}\n", "", "file", width,
                  "time s", "focus px", "sd px", "EV", "shake px", "scale");
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    const std::optional<double> scale =
        frame.focus_px ? std::optional<double>(frame.scale) : std::nullopt;
    std::string line = fmt::format(
        "  {:>4}  {:<{}}  {:>8}  {:>9}  {:>6}  {:>7}  {:>8}  {:>8}  {}{}", k + 1,
        printable(frame.file), width, number_or_dash(frame.time_s, 2),
        number_or_dash(frame.focus_px, 2), number_or_dash(frame.focus_sd_px, 2),
        number_or_dash(frame.gain_ev, 2), number_or_dash(frame.shake_px, 1),
        number_or_dash(scale, 5), frame.usable ? "" : "covers nothing ", flag_words(frame));
    line.erase(line.find_last_not_of(' ') + 1);
    text += line + "\n";
    if (!frame.problem.empty()) text += fmt::format("        {}\n", printable(frame.problem));
  }
  return text;
}

std::string gap_line(const BurstAnalysis& burst, const Gap& gap) {
  const auto [after, before] = wording::by_time(gap);
  const std::string_view where = wording::place_words(burst, gap.box_px);
  return fmt::format(
      "{} to {}: {:.2f} px (sd {:.2f} px), a gap with probability {:.2f}, {:.1f} % of the subject"
      "{}{}{}\n",
      printable(burst.frames[after].file), printable(burst.frames[before].file), gap.width_px,
      gap.width_sd_px, gap.probability, 100.0 * gap.subject_share, where.empty() ? "" : ", ", where,
      gap.soft ? "; a soft place only" : "");
}

std::string limits(const BurstAnalysis& burst) {
  std::string text = fmt::format(
      "Blur limit {:.2f} px, allowed step {:.2f} px. The old handbook limit (diagonal / 1500) is "
      "{:.2f} px.",
      burst.blur_limit_px, burst.allowed_step_px, handbook_blur_limit_px(burst.full_size));
  if (burst.quarter_wave_blur_px) {
    text += fmt::format(
        " Diffraction alone blurs {:.2f} px (quarter wave, 2 lambda N / p, with {}): no lens shows "
        "less.",
        *burst.quarter_wave_blur_px,
        burst.working_f_number_given ? "the working f-number as given"
                                     : "the f-number in the files taken as the working one");
  }
  for (const LimitRow& row : burst.limits) {
    text += fmt::format(" At {:.2f} px: {} gap{}, {} soft place{}, {} open end{}.",
                        row.blur_limit_px, row.gaps, row.gaps == 1 ? "" : "s", row.soft,
                        row.soft == 1 ? "" : "s", row.open_ends, row.open_ends == 1 ? "" : "s");
  }
  return wrapped(text);
}

std::string fit_line(const BurstAnalysis& burst) {
  std::string text;
  switch (burst.fit_status) {
    case FitStatus::converged:
      text = "Focal positions: fit converged";
      break;
    case FitStatus::iteration_limit:
      text = "Focal positions: fit stopped at its iteration limit";
      break;
    case FitStatus::too_few_frames:
      text = "Focal positions: too few frames to fit";
      break;
    case FitStatus::no_subject:
      text = "Focal positions: nothing sharp to fit";
      break;
    case FitStatus::no_sweep:
      text = "Focal positions: no ring sweep";
      break;
    case FitStatus::not_trusted:
      text = "Focal positions: fit not trusted";
      break;
    case FitStatus::not_run:
      text = "Focal positions: not fitted";
      break;
  }
  if (!burst.fit_reason.empty()) text += fmt::format(" ({})", printable(burst.fit_reason));
  if (burst.scale_sd) text += fmt::format("; scale sd {:.1f} %", 100.0 * *burst.scale_sd);
  if (burst.wave_model) text += "; by defocus and diffraction together";
  return wrapped(text + ".");
}

std::string near_side_line(const NearSide& side) {
  switch (side.from) {
    case NearSideSource::user:
      return "Positions grow towards near, as you said.\n";
    case NearSideSource::lens:
      return fmt::format("Positions grow towards near, as this lens does (probability {:.4f}).\n",
                         side.probability);
    case NearSideSource::picture:
      return fmt::format(
          "Positions grow towards near: so say what hides what at depth edges, and how blurred the "
          "background is (probability {:.4f}).\n",
          side.probability);
    case NearSideSource::unknown:
      break;
  }
  return "Which end is near is not known: positions may grow either way.\n";
}

/// What was taken for the subject, and what was not.
std::string subject_line(const BurstAnalysis& burst) {
  int subject = 0, perch = 0, other = 0;
  for (int row = 0; row < burst.depth.role.rows; ++row) {
    for (int col = 0; col < burst.depth.role.cols; ++col) {
      switch (static_cast<TileRole>(burst.depth.role.at<std::uint8_t>(row, col))) {
        case TileRole::subject:
          ++subject;
          break;
        case TileRole::perch:
          ++perch;
          break;
        case TileRole::apart:
        case TileRole::not_meant:
          ++other;
          break;
        case TileRole::stray:
          break;
      }
    }
  }
  std::string text = fmt::format("Subject from {:.2f} to {:.2f} px, {}",
                                 burst.coverage.subject_low_px, burst.coverage.subject_high_px,
                                 burst.subject_said ? "as you said" : "found in the picture");
  if (const int all = subject + perch + other; all > subject) {
    const auto percent = [&](int part) { return 100.0 * part / all; };
    text += fmt::format(
        "; of all that has a depth {:.0f} % was left out as stem, blade or leaf, {:.0f} % as other "
        "things",
        percent(perch), percent(other));
  }
  if (!burst.subject_trusted) text += "; its ends are not known";
  return wrapped(text + ".");
}

std::string coverage_lines(const BurstAnalysis& burst) {
  const Coverage& coverage = burst.coverage;
  if (!coverage.has_subject) return "No subject found.\n";
  std::string text = subject_line(burst);
  for (const End& end : coverage.ends) {
    text += fmt::format("{} where the first sweep {} (frame {}): {}, {} beyond.\n",
                        !burst.near_side.known() ? "End"
                        : end.low                ? "Far end"
                                                 : "Near end",
                        wording::is_first_end(burst, end) ? "began" : "ended",
                        printable(burst.frames[end.frame].file), end.open ? "open" : "covered",
                        wording::beyond_the_end(end.beyond_px, end.beyond_sd_px));
  }
  if (coverage.gaps.empty()) text += "No gaps.\n";
  for (const Gap& gap : coverage.gaps) text += fmt::format("Gap {}", gap_line(burst, gap));
  for (std::size_t i = 0; i < burst.sweeps.size(); ++i) {
    const Sweep& sweep = burst.sweeps[i];
    const char* direction = !burst.near_side.known() ? "" : sweep.rising ? ", nearer" : ", farther";
    text += fmt::format("Sweep {}: {} to {}{}, alone {}, {} gap{}.\n", i + 1,
                        printable(burst.frames[sweep.first].file),
                        printable(burst.frames[sweep.last].file), direction,
                        wording::json_word(sweep.verdict.kind), sweep.gaps.size(),
                        sweep.gaps.size() == 1 ? "" : "s");
    if (const std::string words = wording::difference_words(sweep.difference); !words.empty())
      text += wrapped(fmt::format("  Differs in {}.", words));
    for (const Gap& gap : sweep.gaps) text += fmt::format("  Gap {}", gap_line(burst, gap));
  }
  return text + near_side_line(burst.near_side);
}

std::string turn_line(const BurstAnalysis& burst, std::size_t index) {
  const SweepTurn& turn = burst.advice.sweeps[index];
  std::string text =
      fmt::format("Turn of sweep {}: {} frames on the subject, {} before it, {} after it",
                  index + 1, turn.frames_on_subject, turn.frames_before, turn.frames_after);
  if (turn.standing_still > 0) text += fmt::format("; stood still for {}", turn.standing_still);
  if (turn.play > 0) text += fmt::format("; {} in the ring's play", turn.play);
  if (turn.evenness) text += fmt::format("; steps differ by {:.0f} % (sd)", 100.0 * *turn.evenness);
  if (turn.frames_for_same_turn && turn.turn_factor) {
    text += fmt::format("; turn factor {:.2f}, {} frames for the same turn", *turn.turn_factor,
                        *turn.frames_for_same_turn);
  }
  text = wrapped(text + ".");
  const auto between = [&](const RingStep& step) {
    return fmt::format("{} and {}", printable(burst.frames[step.from].file),
                       printable(burst.frames[step.to].file));
  };
  for (const RingStep& step : turn.too_quick) {
    const bool jump = turn.jump && turn.jump->from == step.from;
    text += wrapped(fmt::format(
        "  {} between {}: {:.2f} px a frame{}", jump ? "Jump" : "Too quick", between(step),
        step.step_px,
        step.lost > 0 ? fmt::format("; the camera left out {} there.", step.lost) : "."));
  }
  return text;
}

std::string flash_line(const BurstAnalysis& burst) {
  if (!burst.advice.flash) return {};
  const FlashBehind& flash = *burst.advice.flash;
  std::string text = fmt::format("Flash: {} frames lit fully, then, from {} on, ", flash.lit_before,
                                 printable(burst.frames[flash.first_frame].file));
  switch (flash.pattern) {
    case FlashPattern::every_nth:
      text += fmt::format("{} of {} over and over", flash.fired, flash.of);
      break;
    case FlashPattern::gave_up:
      text += "none";
      break;
    case FlashPattern::sagging:
      text += "all too weakly";
      break;
    case FlashPattern::now_and_then:
      text += "some missed";
      break;
  }
  text += fmt::format("; {:.1f} EV would have held at this rate", flash.held_power_ev);
  if (flash.held_rate_per_s) {
    text += fmt::format(", or this power at {:.1f} a second", *flash.held_rate_per_s);
  }
  return wrapped(text + ".");
}

/// The step to aim at for hand and subject, as far as the lens is known.
std::string step_line(const BurstAnalysis& burst) {
  if (!(burst.advice.step_px > 0.0)) return {};
  const StepSize step = ring_step(burst.advice.step_px, burst.ring);
  std::string text;
  if (step.subject_mm)
    text = fmt::format("That step is {:.3g} mm of subject depth", *step.subject_mm);
  if (step.extension_mm)
    text += fmt::format("{} {:.3g} mm of extension", text.empty() ? "That step is" : ",",
                        *step.extension_mm);
  if (step.turn_deg) text += fmt::format(", {:.3g} degrees of the ring", *step.turn_deg);
  if (!text.empty()) text += ".";
  if (step.hardly_moves) text += (text.empty() ? "" : " ") + std::string(kRingHardlyMovesPlane);
  return text.empty() ? text : wrapped(text);
}

std::string advice_lines(const BurstAnalysis& burst) {
  const RingAdvice& advice = burst.advice;
  std::string text = fmt::format("Step to aim at {:.2f} px", advice.step_px);
  if (advice.largest_step_px > 0.0) {
    text += fmt::format(", largest step on the subject {:.2f} px", advice.largest_step_px);
  }
  if (advice.turn_factor) text += fmt::format(", turn factor {:.2f}", *advice.turn_factor);
  if (advice.frames_for_same_turn) {
    text += fmt::format(", {} frames for the same turn", *advice.frames_for_same_turn);
  }
  if (advice.rate_per_s) text += fmt::format(", {:.1f} frames a second", *advice.rate_per_s);
  text = wrapped(text + ".") + step_line(burst);
  for (std::size_t i = 0; i < advice.sweeps.size(); ++i) text += turn_line(burst, i);
  return text + flash_line(burst) + wrapped(wording::action(burst));
}

std::string sway_lines(const BurstAnalysis& burst) {
  std::vector<std::size_t> swayed;
  double most_px = 0.0;
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    if (!burst.frames[k].scale_off_px) continue;
    swayed.push_back(k);
    most_px = std::max(most_px, std::abs(*burst.frames[k].scale_off_px));
  }
  if (swayed.empty() || burst.fit_status != FitStatus::converged) return {};
  const std::vector<std::string> labels = wording::frame_labels(burst);
  return wrapped(
      fmt::format("Subject or camera swayed in depth in {}: the size of the picture and its "
                  "sharpness differ by up to {:.1f} px. Positions and coverage follow sharpness.",
                  wording::list_of_frames(swayed, labels), most_px));
}

std::string jump_lines(const BurstAnalysis& burst) {
  std::string text;
  for (const WholeShift& shift : burst.whole_shifts)
    text += wrapped(fmt::format(
        "The whole picture jumped by {:.0f} px before {}: a knock, a clamp that gave way, or the "
        "stem swung. Aligning takes it away, and as much of the picture's edge with it.",
        shift.shift_px, printable(burst.frames[shift.frame].file)));
  return text;
}

std::string light_lines(const BurstAnalysis& burst) {
  if (std::ranges::none_of(burst.sweeps,
                           [](const Sweep& s) { return s.difference.light_from_elsewhere; }))
    return {};
  return wrapped(
      "The light came from elsewhere in some sweeps: neither movement nor lost drops were looked "
      "for "
      "between these and the others.");
}

std::string moved_lines(const BurstAnalysis& burst) {
  if (!burst.movement.looked) return {};
  std::string text = light_lines(burst);
  if (burst.movement.parts.empty())
    return text + (text.empty() ? "No part of the subject moved.\n"
                                : "Within each light no part of the subject moved.\n");
  for (const MovedPart& part : burst.movement.parts) {
    const std::string_view where = wording::place_words(burst, part.box_px);
    text += wrapped(fmt::format(
        "Moved{}{}: {} from {} on, {:.2f} px (sd {:.2f} px), box {} x {} px at {}, {}; {:.0f} % of "
        "it sharp before, {:.0f} % after{}.",
        where.empty() ? "" : ", ", where, wording::json_word(part.kind),
        printable(burst.frames[part.frame].file), part.shift_px, part.shift_sd_px,
        part.box_px.width, part.box_px.height, part.box_px.x, part.box_px.y,
        100.0 * part.sharp_before, 100.0 * part.sharp_after,
        part.conflict ? ": frames before and after do not go together" : ""));
  }
  return text;
}

std::string drop_lines_in_numbers(const BurstAnalysis& burst) {
  if (!burst.drops.looked) return {};
  std::string text = fmt::format("Drops followed: {}.\n", burst.drops.tracked);
  const auto file = [&](std::size_t k) { return printable(burst.frames[k].file); };
  for (const DropChange& drop : burst.drops.lost)
    text += wrapped(fmt::format(
        "Drop {} between {} and {}: at {:.0f}, {:.0f}, radius {:.1f} px, sharp at {:.2f} px, "
        "probability {:.3f}{}.",
        wording::json_word(drop.fate), file(drop.before), file(drop.after), drop.at.x, drop.at.y,
        drop.radius_px, drop.q_px, drop.probability,
        drop.conflict ? ": frames before and after do not go together" : ""));
  for (const DropChange& drop : burst.drops.appeared)
    text += wrapped(fmt::format(
        "Drop came between {} and {}: at {:.0f}, {:.0f}, radius {:.1f} px, probability {:.3f}.",
        file(drop.before), file(drop.after), drop.at.x, drop.at.y, drop.radius_px,
        drop.probability));
  return text;
}

std::string haze_line(const BurstAnalysis& burst) {
  if (!burst.haze) return {};
  const std::optional<std::string> time = wording::clock_time(burst, burst.haze->first_frame);
  return wrapped(fmt::format("Contrast falls {} from {}{} on: {:.0f} % {}.",
                             burst.haze->grows ? "little by little" : "at once",
                             printable(burst.frames[burst.haze->first_frame].file),
                             time ? fmt::format(" ({})", *time) : "",
                             100.0 * burst.haze->contrast_lost,
                             burst.haze->grows ? "are lost in the last frame" : "are lost"));
}

}  // namespace

std::string details_text(const BurstAnalysis& burst) {
  std::string text =
      fmt::format("Burst in {}: {} frames of {} x {} px, verdict {}.\n", printable(burst.folder),
                  burst.frames.size(), burst.full_size.width, burst.full_size.height,
                  wording::json_word(burst.verdict.kind));
  for (const Reason& reason : burst.verdict.reasons) {
    text += wrapped(wording::reason_with_numbers(burst, reason));
  }
  for (const Reason& reason : burst.verdict.notes) {
    text += wrapped(wording::reason_with_numbers(burst, reason));
  }
  text += limits(burst) + fit_line(burst) + sway_lines(burst) + coverage_lines(burst) +
          haze_line(burst) + advice_lines(burst);
  text += jump_lines(burst) + moved_lines(burst) + drop_lines_in_numbers(burst) +
          wording::not_checked(burst);
  for (const std::string& note : burst.notes)
    text += wrapped(fmt::format("Note: {}", printable(note)));
  return text + frame_table(burst);
}

}  // namespace ringsweep
