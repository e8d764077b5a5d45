#include "app/plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <ostream>
#include <utility>
#include <vector>

#include "app/choice.h"
#include "app/exit_status.h"
#include "app/json_field.h"
#include "app/lens_file.h"
#include "report/wording.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

constexpr std::size_t kColumns = 80;
constexpr std::size_t kLabel = 19;  // the words before a line's numbers

constexpr const char* kFooter = R"(
Examples
  Half life size, a lens marked f/8 whose focus ring moves the whole lens, a
  6000 x 4000 picture of 3.9 um pixels, a beetle 4 mm deep, 8 frames a second:
    ringsweep plan --magnification 0.5 --f-number 8 --f-number-is marked \
        --moves lens --pitch-um 3.9 --frame-px 6000x4000 --depth-mm 4 --rate 8
  The same with a flash that gives 20 flashes in a row, 0.2 s apart:
    ringsweep plan ... --flashes 20 --flash-wait 0.2
  With a lens learnt by `ringsweep check --learn-lens hill60`:
    ringsweep plan ... --lens hill60

Exit status
  0  here is the plan
  2  the command line was wrong, or something is missing
  4  the plan could not be written to the file of --json)";

struct Size {
  int width = 0, height = 0;
};

/// "6000x4000"; nothing where it is no such thing.
std::optional<Size> size_from(const std::string& text) {
  Size size;
  const char* const end = text.data() + text.size();
  const auto width = std::from_chars(text.data(), end, size.width);
  if (width.ec != std::errc() || width.ptr == end || (*width.ptr != 'x' && *width.ptr != 'X'))
    return std::nullopt;
  const auto height = std::from_chars(width.ptr + 1, end, size.height);
  if (height.ec != std::errc() || height.ptr != end) return std::nullopt;
  constexpr int kMost = 100000;
  if (size.width < 16 || size.height < 16 || size.width > kMost || size.height > kMost)
    return std::nullopt;
  return size;
}

/// What the plan is made from, and what was assumed because nobody said it.
struct Asked {
  PlanInput input;
  std::vector<std::string> assumed;
  std::string lens;  // where degrees are from, as words
};

using Wrong = tl::unexpected<std::string>;

tl::expected<double, std::string> magnification_from(const PlanOptions& o) {
  if (o.magnification && (o.extension_mm || o.focal_length_mm))
    return Wrong("--magnification says it all: leave --extension-mm and --focal-length-mm away");
  if (o.magnification) return *o.magnification;
  if (!o.extension_mm && !o.focal_length_mm)
    return Wrong("say --magnification M, or --extension-mm E and --focal-length-mm F");
  if (!o.extension_mm || !o.focal_length_mm)
    return Wrong("--extension-mm and --focal-length-mm belong together");
  if (!(*o.extension_mm > 0.0) || !(*o.focal_length_mm > 0.0))
    return Wrong("--extension-mm and --focal-length-mm must be more than 0");
  return magnification_of(*o.extension_mm, *o.focal_length_mm);
}

/// Empty where the f-number is said in one way and no other.
std::string wrong_f_number(const PlanOptions& o) {
  if (o.working_f_number && (o.f_number || o.f_number_is != FNumberIs::not_said))
    return "--working-f-number says it all: leave --f-number and --f-number-is away";
  if (!o.working_f_number && !o.f_number)
    return "say --f-number N with --f-number-is marked or --f-number-is working";
  if (o.f_number && o.f_number_is == FNumberIs::not_said)
    return "--f-number needs --f-number-is working or --f-number-is marked";
  return {};
}

tl::expected<Asked, std::string> asked_for(const PlanOptions& o) {
  Asked asked;
  PlanInput& input = asked.input;
  const auto magnification = magnification_from(o);
  if (!magnification) return Wrong(magnification.error());
  input.magnification = *magnification;
  if (const std::string why = wrong_f_number(o); !why.empty()) return Wrong(why);
  input.f_number = o.working_f_number ? *o.working_f_number : *o.f_number;
  input.f_number_is_marked = o.f_number_is == FNumberIs::marked;
  input.pupil_ratio = o.pupil_ratio;
  if (!o.pupil_ratio) asked.assumed.emplace_back("pupil ratio 1");
  input.focus_by = o.focus_by;

  std::optional<Size> size;
  if (!o.frame_px.empty()) {
    size = size_from(o.frame_px);
    if (!size) return Wrong("--frame-px is width and height of the picture, such as 6000x4000");
  }
  if (o.sensor_width_mm && !(*o.sensor_width_mm > 0.0))
    return Wrong("--sensor-width-mm must be more than 0");
  if (o.pitch_um && o.sensor_width_mm)
    return Wrong("--pitch-um says it all: leave --sensor-width-mm away");
  if (!o.pitch_um && !(o.sensor_width_mm && size))
    return Wrong("say --pitch-um P, or --sensor-width-mm W and --frame-px WxH");
  input.pitch_mm =
      o.pitch_um ? *o.pitch_um / 1000.0 : *o.sensor_width_mm / std::max(size->width, size->height);

  const auto diagonal = size ? std::optional(std::hypot(size->width, size->height)) : std::nullopt;
  if (o.blur_limit_px && o.blur_limit_handbook)
    return Wrong("--blur-limit and --blur-limit-handbook exclude one another");
  if (o.blur_limit_handbook && !diagonal)
    return Wrong("--blur-limit-handbook needs --frame-px WxH");
  if (o.blur_limit_px) {
    input.blur_limit_px = *o.blur_limit_px;
  } else if (o.blur_limit_handbook) {
    input.blur_limit_px = *diagonal / 1500.0;
  } else {
    input.blur_limit_px = std::max(2.0, diagonal.value_or(0.0) / 3000.0);
    asked.assumed.push_back(
        diagonal ? fmt::format("blur limit {:.1f} px, as check has it", input.blur_limit_px)
                 : "blur limit 2 px (a large picture's is more: --frame-px)");
  }

  if (!o.subject_mm) return Wrong("say --depth-mm D, the depth of the subject that must be sharp");
  input.subject_mm = *o.subject_mm;
  if (o.overlap_percent) {
    input.overlap = *o.overlap_percent / 100.0;
  } else {
    asked.assumed.push_back(fmt::format("overlap {:.0f} %", 100.0 * input.overlap));
  }
  input.frames_per_s = o.frames_per_s;
  input.flash_wait_s = o.flash_wait_s;
  if (o.flashes) {
    if (*o.flashes < 2) return Wrong("--flashes must be 2 at least");
    input.flashes = static_cast<std::size_t>(*o.flashes);
  }
  if (o.lens_name && o.degrees_per_mm)
    return Wrong("--lens and --degrees-per-mm say the same: give one of the two");
  input.degrees_per_mm = o.degrees_per_mm;
  if (o.lens_name) {
    if (const std::string why = why_no_lens_name(*o.lens_name); !why.empty()) return Wrong(why);
    const auto lens = read_lens(*o.lens_name);
    if (!lens) {
      const std::string line = one_line(lens.error());
      return Wrong(line.substr(0, line.size() - 1));  // without its full stop
    }
    input.degrees_per_mm = lens->degrees_per_mm;
    asked.lens = fmt::format("lens {}: {:.3g} degrees a mm, give or take {:.2g}", *o.lens_name,
                             lens->degrees_per_mm, lens->degrees_per_mm_sd);
  }
  if (const std::string why = why_not(input); !why.empty()) return Wrong(why);
  return asked;
}

std::string f_numbers(double marked, double working) {
  return fmt::format("f/{:.1f} marked, f/{:.1f} working", marked, working);
}

/// Three digits that count, without an exponent.
std::string three(double value) {
  if (!(value > 0.0)) return "0";
  const int decimals = std::clamp(2 - static_cast<int>(std::floor(std::log10(value))), 0, 6);
  return fmt::format("{:.{}f}", value, decimals);
}

/// A line of the plan: a label, then words that go on under themselves.
std::string line(std::string_view label, const std::string& words) {
  const std::string indent(kLabel, ' ');
  return wording::wrapped(fmt::format("{:<{}}{}", label, kLabel, words), kColumns, indent);
}

std::string frames_line(const Plan& plan) {
  return line("Frames", fmt::format("{}: {} for the subject, one before it and one after it",
                                    plan.frames, plan.subject_frames));
}

std::string step_line(const PlanInput& input, const Plan& plan) {
  std::string words = three(*plan.step.subject_mm) + " mm of subject";
  if (input.focus_by == FocusBy::camera) words += ", as much on the rail";
  if (plan.step.extension_mm)
    words += fmt::format(", {} mm of extension", three(*plan.step.extension_mm));
  return line("Frame to frame", words);
}

std::string sweep_line(const Plan& plan) {
  std::string words = three(*plan.sweep.subject_mm) + " mm of subject";
  if (plan.sweep.extension_mm)
    words += fmt::format(", {} mm of extension", three(*plan.sweep.extension_mm));
  if (plan.sweep.turn_deg)
    words += fmt::format(", {} degrees of the ring", three(*plan.sweep.turn_deg));
  if (plan.sweep_s) words += fmt::format(", {} seconds", three(*plan.sweep_s));
  return line("Whole sweep", words);
}

std::string ring_line(const PlanInput& input, const Plan& plan) {
  if (plan.step.hardly_moves) return line("Ring", std::string(kRingHardlyMovesPlane));
  if (input.focus_by == FocusBy::camera) return {};
  if (input.focus_by == FocusBy::not_said)
    return line("Ring", "say what moves (--moves lens, body or camera) for its turn");
  if (!plan.step.turn_deg)
    return line("Ring", "say --degrees-per-mm or --lens for its turn in degrees");
  std::string words = fmt::format("{} degrees a frame", three(*plan.step.turn_deg));
  if (plan.turn_deg_per_s)
    words += fmt::format(", {} degrees a second", three(*plan.turn_deg_per_s));
  return line("Ring", words);
}

std::string rate_lines(const PlanInput& input, const Plan& plan) {
  std::string text;
  if (plan.frames_per_s) {
    std::string words = fmt::format("{:.3g} frames a second", *plan.frames_per_s);
    if (plan.flash_sets_the_rate && input.frames_per_s)
      words += fmt::format(
          ": the flash keeps up with no more. For {:.3g} a second use {:.1f} stops less flash "
          "power",
          *input.frames_per_s, std::log2(*input.frames_per_s / *plan.frames_per_s));
    else if (plan.flash_sets_the_rate)
      words += ", the most that the flash keeps up with";
    text += line("Rate", words);
  }
  if (plan.parts > 1)
    text += line(
        "Flash",
        fmt::format("{} in a row are fewer than {} frames: shoot in {} parts. Hold the ring still "
                    "while the flash rests, then go on; or use less flash power",
                    *input.flashes, plan.frames, plan.parts));
  return text;
}

std::string sharpness_lines(const PlanInput& input, const Plan& plan) {
  std::string text = line(
      "Depth of field",
      fmt::format("{} mm a frame with blur up to {:.1f} px; {} mm by diffraction "
                  "alone (quarter wave)",
                  three(plan.depth_of_field_mm), input.blur_limit_px, three(plan.wave_depth_mm)));
  std::string words = fmt::format("{:.1f} px (quarter wave), the blur limit is {:.1f} px",
                                  plan.quarter_wave_px, input.blur_limit_px);
  if (plan.diffraction_leads)
    words += fmt::format(
        ". No frame gets as sharp as that: open up to {}, or allow more blur (--blur-limit)",
        f_numbers(plan.sharpest_marked_f_number, plan.sharpest_working_f_number));
  text += line("Diffraction", words);
  text += line("Least total blur",
               fmt::format("{}: {:.1f} px midway between frames this far apart, against {:.1f} px "
                           "at the f-number here",
                           f_numbers(plan.best_marked_f_number, plan.best_working_f_number),
                           plan.best_total_blur_px, plan.total_blur_px));
  text += line("", "(defocus and the Airy disc together, root of the sum of squares)");
  text += line("Light", fmt::format("the extension costs {:.1f} stops against far subjects",
                                    plan.extension_loss_ev));
  return text;
}

std::string plan_text(const Asked& asked, const Plan& plan) {
  const PlanInput& input = asked.input;
  const std::string f_number = input.f_number_is_marked
                                   ? fmt::format("f/{:.1f} marked as you said, so f/{:.1f} working",
                                                 plan.marked_f_number, plan.working_f_number)
                                   : fmt::format("f/{:.1f} working as you said, so f/{:.1f} marked",
                                                 plan.working_f_number, plan.marked_f_number);
  std::string text =
      wording::wrapped(fmt::format("Plan: {:.3g} mm of subject at magnification {:.3g}, {}.",
                                   input.subject_mm, input.magnification, f_number),
                       kColumns);
  text += "\n" + frames_line(plan) + step_line(input, plan) + sweep_line(plan) +
          ring_line(input, plan) + rate_lines(input, plan) + sharpness_lines(input, plan);
  std::vector<std::string> assumed = asked.assumed;
  if (input.focus_by == FocusBy::lens || input.focus_by == FocusBy::body)
    assumed.emplace_back("no inner focusing");
  assumed.emplace_back("green light (0.55 um)");
  assumed.emplace_back("an even turn");
  text += "\n" + wording::wrapped(fmt::format("Assumed: {}.", wording::joined(assumed)), kColumns);
  if (!asked.lens.empty())
    text += wording::wrapped(fmt::format("Ring by {}.", asked.lens), kColumns);
  return text;
}

json number(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? json(*value) : json(nullptr);
}

json step_json(const StepSize& step) {
  return {{"subject_mm", number(step.subject_mm)},
          {"extension_mm", number(step.extension_mm)},
          {"turn_deg", number(step.turn_deg)}};
}

json focus_by_json(FocusBy by) {
  switch (by) {
    case FocusBy::lens:
      return "lens";
    case FocusBy::body:
      return "body";
    case FocusBy::camera:
      return "camera";
    case FocusBy::not_said:
      break;
  }
  return nullptr;
}

json plan_json(const Asked& asked, const Plan& plan) {
  const PlanInput& input = asked.input;
  return {{"format", "ringsweep-plan"},
          {"version", 1},
          {"magnification", input.magnification},
          {"marked_f_number", plan.marked_f_number},
          {"working_f_number", plan.working_f_number},
          {"f_number_given_is", input.f_number_is_marked ? "marked" : "working"},
          {"pupil_ratio", number(input.pupil_ratio)},
          {"moves", focus_by_json(input.focus_by)},
          {"degrees_per_mm", number(input.degrees_per_mm)},
          {"pitch_mm", input.pitch_mm},
          {"subject_depth_mm", input.subject_mm},
          {"overlap", input.overlap},
          {"blur_limit_px", input.blur_limit_px},
          {"frames", plan.frames},
          {"subject_frames", plan.subject_frames},
          {"step", step_json(plan.step)},
          {"sweep", step_json(plan.sweep)},
          {"near_life_size", plan.step.hardly_moves},
          {"frames_per_s", number(plan.frames_per_s)},
          {"flash_sets_the_rate", plan.flash_sets_the_rate},
          {"sweep_s", number(plan.sweep_s)},
          {"turn_deg_per_s", number(plan.turn_deg_per_s)},
          {"parts", plan.parts},
          {"depth_of_field_mm", plan.depth_of_field_mm},
          {"wave_depth_mm", plan.wave_depth_mm},
          {"quarter_wave_blur_px", plan.quarter_wave_px},
          {"diffraction_leads", plan.diffraction_leads},
          {"sharpest_working_f_number", plan.sharpest_working_f_number},
          {"total_blur_px", plan.total_blur_px},
          {"least_total_blur",
           {{"working_f_number", plan.best_working_f_number},
            {"marked_f_number", plan.best_marked_f_number},
            {"blur_px", plan.best_total_blur_px}}},
          {"extension_loss_ev", plan.extension_loss_ev},
          {"assumed", asked.assumed}};
}

bool is_earlier_plan(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  return has_field(json::parse(stream, nullptr, /*allow_exceptions=*/false), "format",
                   "ringsweep-plan");
}

/// Writes the plan to a file; nothing but an earlier plan is replaced.
Result<void> write_plan(const fs::path& file, const std::string& text, const Roots& roots) {
  constexpr const char* kRemedy = "choose another file with --json";
  if (auto why = why_not_there(file, {}, roots)) {
    why->remedy = kRemedy;
    return tl::unexpected(*why);
  }
  std::error_code failed;
  if (fs::is_directory(file, failed))
    return tl::unexpected(
        Error{.file = file.string(), .problem = "is a folder", .remedy = kRemedy});
  if (fs::is_regular_file(file, failed) && fs::file_size(file, failed) > 0 &&
      !is_earlier_plan(file))
    return tl::unexpected(
        Error{.file = file.string(),
              .problem = "exists and is no plan of ringsweep; it is left as it is",
              .remedy = kRemedy});
  auto written = write_whole(file, text);
  if (!written) written.error().remedy = kRemedy;
  return written;
}

}  // namespace

CLI::App* add_plan(CLI::App& app, PlanOptions& options) {
  CLI::App* plan = app.add_subcommand(
      "plan", "Before shooting: how many frames, how far apart, how fast to turn the ring.");
  const auto number = [&](const char* name, std::optional<double>& value, const char* help,
                          const char* type) {
    plan->add_option(name, value, help)->type_name(type);
  };
  number("--depth-mm", options.subject_mm, "Depth of the subject that must be sharp", "D");
  number("--magnification", options.magnification, "m, 1 for life size, at the subject's middle",
         "M");
  number("--extension-mm", options.extension_mm,
         "Instead: how far the lens stands out from where it is focused on the horizon", "E");
  number("--focal-length-mm", options.focal_length_mm, "and its focal length", "F");
  number("--f-number", options.f_number, "F-number", "N");
  add_choice<FNumberIs>(*plan, "--f-number-is", options.f_number_is,
                        {{"working", FNumberIs::working}, {"marked", FNumberIs::marked}},
                        "marked: as on the aperture ring; working: that times (1 + m / P)")
      ->type_name("WHICH");
  number("--working-f-number", options.working_f_number, "The same as --f-number-is working", "N");
  number("--pupil-ratio", options.pupil_ratio, "P, exit over entrance pupil (1)", "P");
  add_choice<FocusBy>(
      *plan, "--moves", options.focus_by,
      {{"lens", FocusBy::lens}, {"body", FocusBy::body}, {"camera", FocusBy::camera}},
      "What moves when you focus: the whole lens (the body stays put), the body (the lens stays "
      "put), or the whole camera on a rail")
      ->type_name("WHAT");
  number("--degrees-per-mm", options.degrees_per_mm, "Turn of the focus ring for a mm of extension",
         "G");
  plan->add_option("--lens", options.lens_name, "Instead: a lens learnt by `check --learn-lens`")
      ->type_name("NAME");
  number("--pitch-um", options.pitch_um, "Width of a pixel, thousandths of a mm", "UM");
  plan->add_option("--frame-px", options.frame_px, "Size of the picture, px, such as 6000x4000")
      ->type_name("WxH");
  number("--sensor-width-mm", options.sensor_width_mm,
         "Instead of the pitch, with --frame-px: the sensor's longer side", "W");
  number("--blur-limit", options.blur_limit_px,
         "Largest blur that counts as sharp (the larger of 2 px and diagonal / 3000)", "PX");
  plan->add_flag("--blur-limit-handbook", options.blur_limit_handbook,
                 "The old handbooks' blur limit: diagonal / 1500");
  number("--overlap", options.overlap_percent,
         "How much of a frame's depth of field the next one shows again, per cent (25)", "PERCENT");
  number("--rate", options.frames_per_s, "Frames a second", "R");
  plan->add_option("--flashes", options.flashes, "Most flashes in a row")->type_name("N");
  number("--flash-wait", options.flash_wait_s,
         "Seconds from one flash to the next, at the power used", "S");
  plan->add_option("--json", options.json, "Write the plan as JSON to FILE too; - prints it")
      ->type_name("FILE");
  plan->footer(kFooter);
  return plan;
}

int run_plan(const PlanOptions& options, const Console& console, const Roots& roots) {
  const auto asked = asked_for(options);
  if (!asked) {
    *console.err << "ringsweep: " << asked.error() << "; `ringsweep plan --help` shows how.\n";
    return kWrongCommand;
  }
  const Plan plan = make_plan(asked->input);
  const bool json_to_out = options.json == "-";
  std::ostream& text = json_to_out ? *console.err : *console.out;
  text << plan_text(*asked, plan) << std::flush;
  if (options.json.empty()) return kComplete;
  const std::string dumped = plan_json(*asked, plan).dump(2) + "\n";
  if (json_to_out) {
    *console.out << dumped << std::flush;
    return kComplete;
  }
  if (const auto written = write_plan(options.json, dumped, roots); !written) {
    *console.err << "ringsweep: " << one_line(written.error()) << "\n";
    return kNotWritten;
  }
  return kComplete;
}

}  // namespace ringsweep::app
