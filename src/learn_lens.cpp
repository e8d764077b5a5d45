#include "ringsweep/learn_lens.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

namespace ringsweep {
namespace {

/// What is known no better than this helps nobody to turn a ring. Ours, no source.
constexpr double kMostRelativeSd = 0.2;

std::optional<LifeSize> side_of_life_size(std::optional<double> magnification, FocusBy focus_by) {
  if (!magnification || *magnification == 1.0) return std::nullopt;
  if (ring_hardly_moves_plane(*magnification, focus_by)) return std::nullopt;
  return *magnification < 1.0 ? LifeSize::below : LifeSize::beyond;
}

tl::unexpected<Error> cannot(const BurstAnalysis& burst, std::string problem, std::string remedy) {
  return tl::unexpected(Error{.file = burst.folder,
                              .problem = "no lens learnt: " + std::move(problem),
                              .remedy = std::move(remedy)});
}

/// Which side makes the picture larger, where the near side is known and the scale tells it.
std::optional<Side> seen_larger(const BurstAnalysis& burst) {
  const NearSide& near = burst.near_side;
  const bool told = near.from == NearSideSource::user || near.from == NearSideSource::picture;
  if (!told || near.contradicted) return std::nullopt;
  FocalPositions focus;
  std::vector<double> log_scale;
  for (const FrameAnalysis& frame : burst.frames) {
    focus.frames.emplace_back();
    focus.frames.back().q_px = frame.focus_px;
    focus.frames.back().usable = frame.usable;
    log_scale.push_back(std::log(frame.scale));
  }
  // Positions grow towards near: were it the near side that is larger, would they be said to?
  const double near_is_larger = lens_tells(focus, log_scale, Side::near);
  const double strong = NearSideOptions{}.strong;
  if (near_is_larger >= strong) return Side::near;
  if (near_is_larger <= 1.0 - strong) return Side::far;
  return std::nullopt;
}

bool is_about(const LearntSide& a, const LearntSide& b) {
  return a.at == b.at && a.focus_by == b.focus_by;
}

}  // namespace

std::string missing_for_degrees(const RingScale& ring) {
  std::vector<std::string> options;
  if (ring.focus_by != FocusBy::lens && ring.focus_by != FocusBy::body)
    options.emplace_back("--moves lens or --moves body");
  if (!ring.magnification) options.emplace_back("--magnification M");
  if (!ring.working_f_number)
    options.emplace_back("--working-f-number N (or --f-number-is marked)");
  if (!ring.pitch_mm) options.emplace_back("--pitch-um P");
  std::string text;
  for (std::size_t i = 0; i < options.size(); ++i) {
    if (i > 0) text += i + 1 == options.size() ? " and " : ", ";
    text += options[i];
  }
  return text;
}

Result<LensLesson> learn_lens(const BurstAnalysis& burst, double turned_deg) {
  if (!(turned_deg > 0.0)) throw std::invalid_argument("turned_deg must be > 0");
  if (const std::string missing = missing_for_degrees(burst.ring); !missing.empty())
    return cannot(burst, "not enough is known of it", "say " + missing);
  if (ring_hardly_moves_plane(*burst.ring.magnification, burst.ring.focus_by))
    return cannot(burst, "so near to life size the focus ring hardly moves the plane in focus",
                  "shoot the burst at a magnification below 0.9 or above 1.1");
  if (burst.fit_status != FitStatus::converged || burst.sweeps.empty())
    return cannot(burst, "where its frames focus cannot be told",
                  "shoot a textured subject, evenly lit, in one sweep");
  if (burst.sweeps.size() > 1)
    return cannot(
        burst,
        "the ring was turned to and fro, in " + std::to_string(burst.sweeps.size()) + " sweeps",
        "give the pictures of one sweep alone, and the degrees of that sweep");

  const Sweep& sweep = burst.sweeps.front();
  std::vector<std::size_t> usable;
  for (std::size_t k = sweep.first; k <= sweep.last && k < burst.frames.size(); ++k)
    if (burst.frames[k].usable && burst.frames[k].focus_px) usable.push_back(k);
  if (usable.size() < 3)
    return cannot(burst, "too few of its frames can be used", "shoot a longer sweep");
  LensLesson lesson{.first_frame = usable.front(), .last_frame = usable.back()};
  lesson.ends_left_out = usable.front() > 0 || usable.back() + 1 < burst.frames.size();
  const FrameAnalysis& first = burst.frames[lesson.first_frame];
  const FrameAnalysis& last = burst.frames[lesson.last_frame];
  const double turned_px = std::abs(*last.focus_px - *first.focus_px);
  const double sd_px = std::hypot(first.focus_sd_px.value_or(0.0), last.focus_sd_px.value_or(0.0));
  const double relative_sd = std::hypot(burst.scale_sd.value_or(0.0), sd_px / turned_px);
  if (!(relative_sd <= kMostRelativeSd))
    return cannot(burst, "how far it went is not known well enough",
                  "shoot a sweep over more of the subject, with a wider turn");

  lesson.extension_mm = *ring_step(turned_px, burst.ring).extension_mm;
  lesson.lens.degrees_per_mm = turned_deg / lesson.extension_mm;
  lesson.lens.degrees_per_mm_sd = lesson.lens.degrees_per_mm * relative_sd;
  const auto at = side_of_life_size(burst.ring.magnification, burst.ring.focus_by);
  if (const auto larger = seen_larger(burst); larger && at)
    lesson.lens.sides = {{.at = *at, .focus_by = burst.ring.focus_by, .larger_picture = *larger}};
  return lesson;
}

LearntLens learnt_again(const LearntLens& before, LearntLens now) {
  for (const LearntSide& old : before.sides) {
    const auto same = [&](const LearntSide& side) { return is_about(side, old); };
    if (std::ranges::none_of(now.sides, same)) now.sides.push_back(old);
  }
  return now;
}

std::optional<Side> larger_picture(const LearntLens& lens, std::optional<double> magnification,
                                   FocusBy focus_by) {
  const auto at = side_of_life_size(magnification, focus_by);
  if (!at) return std::nullopt;
  for (const LearntSide& side : lens.sides)
    if (side.at == *at && side.focus_by == focus_by) return side.larger_picture;
  return std::nullopt;
}

}  // namespace ringsweep
