#include "ringsweep/lens.h"

#include <stdexcept>

#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

bool within(std::optional<double> value, double low, double high) {
  return !value || (*value >= low && *value <= high);
}

}  // namespace

std::string why_not(const LensOptions& options) {
  constexpr double kLeastF = 0.5, kMostF = 1000.0;  // 0.5: no lens in air is faster
  if (!within(options.working_f_number, kLeastF, kMostF))
    return "--working-f-number must be 0.5 to 1000";
  if (!within(options.f_number, kLeastF, kMostF)) return "--f-number must be 0.5 to 1000";
  if (!within(options.pitch_um, 0.2, 200.0))
    return "--pitch-um is the width of a pixel in thousandths of a mm, 0.2 to 200";
  if (!within(options.magnification, 0.001, 100.0)) return "--magnification must be 0.001 to 100";
  if (!within(options.pupil_ratio, 0.1, 10.0)) return "--pupil-ratio must be 0.1 to 10";
  const bool marked = options.f_number_is == FNumberIs::marked;
  if (options.working_f_number && (options.f_number || options.f_number_is != FNumberIs::not_said))
    return "--working-f-number says it all: leave --f-number and --f-number-is away";
  if (options.f_number && options.f_number_is == FNumberIs::not_said)
    return "--f-number needs --f-number-is working or --f-number-is marked";
  if (marked && !options.magnification)
    return "a marked f-number needs --magnification too, to become the working one";
  if (!marked && options.pupil_ratio) return "--pupil-ratio needs --f-number-is marked";
  return {};
}

KnownLens known_lens(std::span<const FrameRef> frames, const LensOptions& options) {
  if (const std::string why = why_not(options); !why.empty()) throw std::invalid_argument(why);
  KnownLens lens{.working_f_number = options.working_f_number};
  for (const FrameRef& frame : frames) {
    if (frame.pixel_pitch_mm && *frame.pixel_pitch_mm > 0.0) lens.pitch_mm = frame.pixel_pitch_mm;
    const auto f_number = frame.settings.f_number;
    if (f_number && *f_number > 0.0) lens.f_number = f_number;
  }
  if (options.pitch_um) lens.pitch_mm = *options.pitch_um / 1000.0;
  const auto number = options.f_number ? options.f_number : lens.f_number;
  if (number && options.f_number_is == FNumberIs::working) lens.working_f_number = number;
  if (number && options.f_number_is == FNumberIs::marked)
    lens.working_f_number =
        working_f_number(*number, *options.magnification, options.pupil_ratio.value_or(1.0));
  return lens;
}

RingScale ring_scale_of(const KnownLens& lens, const LensOptions& options) {
  return {.working_f_number = lens.working_f_number,
          .pitch_mm = lens.pitch_mm,
          .magnification = options.magnification,
          .degrees_per_mm = options.degrees_per_mm,
          .focus_by = options.focus_by};
}

}  // namespace ringsweep
