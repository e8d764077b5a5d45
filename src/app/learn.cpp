#include "app/learn.h"

#include <fmt/format.h>

#include "app/choice.h"
#include "app/lens_file.h"
#include "app/output_place.h"
#include "report/wording.h"
#include "ringsweep/learn_lens.h"

namespace ringsweep::app {
namespace {

void say(const Console& console, const std::string& line) {
  *console.err << "ringsweep: " << line << "\n";
}

/// A lens is learnt from one burst of one sweep; what to do with more.
std::string one_burst_only(std::size_t bursts) {
  return fmt::format(
      "--learn-lens learns from one burst of one sweep, and here are {}: give the pictures of one "
      "sweep alone, and with --turned how far the ring was turned in it.",
      bursts);
}

std::string side_words(const LearntSide& side) {
  return fmt::format(
      "Its picture is larger when it focuses {}, {} life size and where the {} moves: there --lens "
      "tells near from far.",
      side.larger_picture == Side::near ? "nearer" : "farther",
      side.at == LifeSize::below ? "below" : "beyond",
      side.focus_by == FocusBy::body ? "body" : "lens");
}

}  // namespace

void add_ring_options(CLI::App& check, CheckOptions& options) {
  add_choice<FocusBy>(
      check, "--moves", options.lens.focus_by,
      {{"lens", FocusBy::lens}, {"body", FocusBy::body}, {"camera", FocusBy::camera}},
      "What moves when you focus: the whole lens (the body stays put), the body (the lens stays "
      "put), or the whole camera on a rail; for mm and degrees")
      ->type_name("WHAT");
  check
      .add_option("--lens", options.lens_name,
                  "A lens learnt before: tells degrees of the ring, and near from far")
      ->type_name("NAME");
  check
      .add_option("--learn-lens", options.learn_name,
                  "Learn a lens from this burst, one sweep of a known turn (--turned)")
      ->type_name("NAME");
  check
      .add_option("--turned", options.turned_deg,
                  "Degrees that the ring was turned from the burst's first frame to its last")
      ->type_name("DEG");
}

bool use_ring_options(CheckOptions& options, const Console& console) {
  const auto wrong = [&](const std::string& why) {
    say(console, why + "; `ringsweep check --help` shows how.");
    return false;
  };
  for (const auto& name : {options.lens_name, options.learn_name})
    if (name)
      if (const std::string why = why_no_lens_name(*name); !why.empty()) return wrong(why);
  if (options.lens_name && options.learn_name)
    return wrong("--lens uses a lens and --learn-lens learns one: give one of the two");
  if (options.learn_name && !options.turned_deg)
    return wrong("--learn-lens needs --turned, the degrees from the first frame to the last");
  if (options.turned_deg && !options.learn_name)
    return wrong("--turned is for --learn-lens NAME alone");
  constexpr double kMostTurns = 36000.0;
  if (options.turned_deg && !(*options.turned_deg > 0.0 && *options.turned_deg <= kMostTurns))
    return wrong("--turned must be more than 0 degrees, at most 36000");
  if (!options.lens_name) return true;
  const auto lens = read_lens(*options.lens_name);
  if (!lens) {
    say(console, one_line(lens.error()));
    return false;
  }
  options.lens.degrees_per_mm = lens->degrees_per_mm;
  options.larger_picture = larger_picture(*lens, options.lens.magnification, options.lens.focus_by);
  return true;
}

void tell_unused_lens(const CheckOptions& options, const std::vector<Burst>& bursts,
                      const Console& console) {
  if (!options.lens_name) return;
  const KnownLens known = known_lens(bursts.front().frames, options.lens);
  const std::string missing = missing_for_degrees(ring_scale_of(known, options.lens));
  if (!missing.empty())
    say(console,
        fmt::format("lens {}: for degrees of the ring say {} too.", *options.lens_name, missing));
  if (options.larger_picture) return;
  say(console, options.lens.magnification && options.lens.focus_by != FocusBy::not_said
                   ? fmt::format("lens {}: near and far were not learnt for this magnification and "
                                 "--moves; say --first where you know it.",
                                 *options.lens_name)
                   : fmt::format("lens {}: to tell near from far say --magnification and --moves.",
                                 *options.lens_name));
}

bool can_learn(const CheckOptions& options, const std::vector<Burst>& bursts,
               const Console& console, const Stages& stages) {
  if (!options.learn_name) return true;
  if (bursts.size() > 1) {
    say(console, one_burst_only(bursts.size()));
    return false;
  }
  const KnownLens known = known_lens(bursts.front().frames, options.lens);
  const RingScale ring = ring_scale_of(known, options.lens);
  if (const std::string missing = missing_for_degrees(ring); !missing.empty()) {
    say(console, fmt::format("to learn the lens, say {} too.", missing));
    return false;
  }
  if (ring_hardly_moves_plane(*ring.magnification, ring.focus_by)) {
    say(console, fmt::format("no lens can be learnt here. {}", kRingHardlyMovesPlane));
    return false;
  }
  const auto before = find_lens(*options.learn_name);
  if (!before) {
    say(console, one_line(before.error()));
    return false;
  }
  if (auto why = why_not_there(*lens_file(*options.learn_name), options.paths, stages.roots)) {
    why->remedy = "set XDG_CONFIG_HOME to a folder elsewhere";
    say(console, one_line(*why));
    return false;
  }
  return true;
}

bool learn(const CheckOptions& options, const std::vector<BurstAnalysis>& bursts,
           const Console& console, std::ostream& text) {
  if (!options.learn_name) return true;
  const std::string& name = *options.learn_name;
  if (bursts.size() != 1) {
    say(console, one_burst_only(bursts.size()));
    return false;
  }
  const BurstAnalysis& burst = bursts.front();
  auto lesson = learn_lens(burst, *options.turned_deg);
  if (!lesson) {
    say(console, one_line(lesson.error()));
    return false;
  }
  const std::vector<LearntSide> sides = lesson->lens.sides;
  const auto before = find_lens(name);
  if (before && *before) lesson->lens = learnt_again(**before, lesson->lens);
  const LearntLens& lens = lesson->lens;
  if (const auto written = write_lens(name, lens); !written) {
    say(console, one_line(written.error()));
    return false;
  }
  const std::vector<std::string> labels = wording::frame_labels(burst);
  std::string told = fmt::format(
      "Learnt lens {}: {:.3g} degrees a mm of extension, give or take {:.2g}; {:.3g} degrees from "
      "{} to {} were {:.3g} mm.",
      name, lens.degrees_per_mm, lens.degrees_per_mm_sd, *options.turned_deg,
      labels[lesson->first_frame], labels[lesson->last_frame], lesson->extension_mm);
  if (before && *before) told += fmt::format(" Before, it had {:.3g}.", (*before)->degrees_per_mm);
  text << "\n" << wording::wrapped(told);
  if (lesson->ends_left_out)
    text << wording::wrapped(
        fmt::format("Frames before {} or after {} could not be used: --turned must not count them. "
                    "If it did, learn again from a burst whose first and last frame can be used.",
                    labels[lesson->first_frame], labels[lesson->last_frame]));
  for (const LearntSide& side : sides) text << wording::wrapped(side_words(side));
  if (sides.empty())
    text << wording::wrapped(
        "Which side is near was not learnt: shoot a burst of which you know it, and say --first.");
  return true;
}

}  // namespace ringsweep::app
