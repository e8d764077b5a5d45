#include "ringsweep/verdict.h"

#include <algorithm>
#include <numeric>

namespace ringsweep {
namespace {

bool close_call(double width_px, double allowed_px) {
  return width_px > 0.85 * allowed_px && width_px < 1.15 * allowed_px;
}

Reason gap_reason(const Gap& gap, const std::vector<bool>& dark, double allowed_step_px) {
  Reason reason = reason_of(gap);
  const std::size_t first = reason.first_frame, last = reason.last_frame;
  reason.close_call = close_call(gap.width_px, allowed_step_px);
  // Dark frames are the cause where the ring alone would have made steps that are short enough.
  std::size_t missed = 0;
  for (std::size_t k = first + 1; k < last; ++k) missed += dark[k] ? 1 : 0;
  if (!gap.soft && missed == last - first - 1 && missed > 0 &&
      gap.width_px / static_cast<double>(missed + 1) <= allowed_step_px)
    reason.kind = ReasonKind::gap_from_dark;
  return reason;
}

/// Complete; where the widest step was nearly too wide, which one.
Reason covered(const Coverage& coverage, double allowed_step_px) {
  constexpr double kLeastShare = 0.002;  // as in CoverageOptions
  Reason reason{.kind = ReasonKind::covered};
  for (const Step& step : coverage.steps) {
    if (!close_call(step.width_px, allowed_step_px) || step.width_px > allowed_step_px ||
        step.width_px <= reason.width_px || step.nearly_missed_share < kLeastShare)
      continue;
    const auto [first, last] = std::minmax(step.lower, step.upper);
    reason.first_frame = first;
    reason.last_frame = last;
    reason.width_px = step.width_px;
    reason.width_sd_px = step.width_sd_px;
    reason.close_call = true;
  }
  return reason;
}

/// Probability that an end is the far one.
double is_far(const End& end, const KnownEnds& known) {
  return end.low ? known.towards_near : 1.0 - known.towards_near;
}

bool perch_at(const End& end, const KnownEnds& known) {
  return end.low ? known.perch_low : known.perch_high;
}

void judge_ends(const Coverage& coverage, bool starts_low, double allowed_step_px,
                const KnownEnds& known, const VerdictOptions& options, Verdict& verdict) {
  bool any_open = false;
  for (const End& end : coverage.ends) {
    Reason reason = reason_of(end, end.low == starts_low);
    // One that is open for being cut off at the limit goes on, nobody knows how far.
    const bool cut_off = end.open && 2.0 * end.beyond_px <= allowed_step_px;
    reason.close_call = !cut_off && close_call(2.0 * end.beyond_px, allowed_step_px);
    if (!end.open) {
      reason.kind = ReasonKind::perch_goes_on;
      if (perch_at(end, known)) verdict.notes.push_back(reason);
      continue;
    }
    any_open = true;
    if (!known.subject_trusted && !known.range_said) continue;
    const double far = is_far(end, known);
    const double most = known.range_said             ? 0.0
                        : far >= options.likely      ? options.far_share
                        : far > 1.0 - options.likely ? options.unknown_share
                                                     : 0.0;
    (end.lights > 0 || end.subject_share >= most ? verdict.reasons : verdict.notes)
        .push_back(reason);
  }
  if (known.subject_trusted || known.range_said || !any_open || coverage.ends.size() < 2) return;
  const auto [first, last] = std::minmax(coverage.ends[0].frame, coverage.ends[1].frame);
  verdict.notes.push_back(
      {.kind = ReasonKind::ends_not_told, .first_frame = first, .last_frame = last});
}

}  // namespace

Reason reason_of(const Gap& gap) {
  const auto [first, last] = std::minmax(gap.lower, gap.upper);
  return {.kind = gap.soft ? ReasonKind::soft_place : ReasonKind::gap,
          .first_frame = first,
          .last_frame = last,
          .width_px = gap.width_px,
          .width_sd_px = gap.width_sd_px,
          .subject_share = gap.subject_share,
          .box_px = gap.box_px};
}

Reason reason_of(const End& end, bool at_start) {
  return {.kind = ReasonKind::open_end,
          .first_frame = end.frame,
          .last_frame = end.frame,
          .width_px = end.beyond_px,
          .width_sd_px = end.beyond_sd_px,
          .subject_share = end.subject_share,
          .lights = end.lights,
          .at_start = at_start,
          .box_px = end.box_px};
}

void open_where_cut_off(Coverage& coverage, const KnownEnds& known, const VerdictOptions& options) {
  if (!known.subject_trusted || known.range_said) return;
  for (End& end : coverage.ends)
    end.open = end.open ||
               (end.cut_off && perch_at(end, known) && is_far(end, known) <= 1.0 - options.likely);
}

void open_where_lights_lie(End& end, const LightsBeyond& lights, const KnownEnds& known) {
  // Ours, no source. Of 579 open seeds and ray-traced bursts five near ends, and two of poses, are
  // rightly open by it that were not, one wrongly (1.96 px beyond, 2 allowed).
  constexpr std::size_t kFewest = 2;
  constexpr double kMostFar = 0.4;
  if (end.open || !known.subject_trusted || known.range_said || lights.count < kFewest ||
      is_far(end, known) > kMostFar)
    return;
  end.open = true;
  end.lights = lights.count;
  end.beyond_px = lights.beyond_px;
  end.beyond_sd_px = lights.sd_px;
}

Verdict decide(const FocalPositions& focus, const Coverage& coverage,
               const std::vector<SweepRange>& sweeps, const std::vector<bool>& dark,
               double allowed_step_px, const KnownEnds& known, const VerdictOptions& options) {
  Verdict verdict;
  const auto usable = std::ranges::count_if(
      focus.frames, [](const FocalPosition& f) { return f.usable && f.q_px.has_value(); });
  if (focus.status == FitStatus::not_trusted || focus.status == FitStatus::iteration_limit ||
      focus.status == FitStatus::not_run) {
    verdict.reasons.push_back({.kind = ReasonKind::fit_not_trusted, .detail = focus.reason});
    return verdict;
  }
  if (focus.status == FitStatus::no_sweep) {
    verdict.reasons.push_back({.kind = ReasonKind::no_sweep});
    return verdict;
  }
  if (usable < 3 || focus.status == FitStatus::too_few_frames) {
    verdict.reasons.push_back({.kind = ReasonKind::too_few_frames});
    return verdict;
  }
  if (!coverage.has_subject || focus.status == FitStatus::no_subject) {
    verdict.reasons.push_back({.kind = ReasonKind::no_subject});
    return verdict;
  }
  for (const Gap& gap : coverage.gaps)
    (gap.soft ? verdict.notes : verdict.reasons).push_back(gap_reason(gap, dark, allowed_step_px));
  const bool starts_low = sweeps.empty() || sweeps.front().rising;
  judge_ends(coverage, starts_low, allowed_step_px, known, options, verdict);
  verdict.kind = verdict.reasons.empty() ? VerdictKind::complete : VerdictKind::reshoot;
  if (verdict.reasons.empty()) verdict.reasons.push_back(covered(coverage, allowed_step_px));
  return verdict;
}

bool too_small(const ShownSize& shown) {
  // A disc of one px or less lies in a px of the file, and looks like a sharp point there: a px is
  // the mean over its own width. A twentieth is what cameras cut off at the edges.
  constexpr double kLeastFilePx = 0.95;
  return shown.unknown || shown.blur_limit_px < kLeastFilePx * shown.full_px_per_file_px;
}

Verdict limited_by_size(Verdict verdict, const ShownSize& shown) {
  if (!too_small(shown)) return verdict;
  const Reason reason{.kind = ReasonKind::pictures_too_small};
  // With one px of the file for the blur limit.
  const double limit_px = std::max(shown.blur_limit_px, shown.full_px_per_file_px);
  const bool is_shown = std::ranges::any_of(verdict.reasons, [&](const Reason& r) {
    const double at_least_px = r.width_px - 2.0 * r.width_sd_px;
    switch (r.kind) {
      case ReasonKind::gap:
      case ReasonKind::gap_from_dark:
        return at_least_px > 2.0 * limit_px;
      case ReasonKind::open_end:
      case ReasonKind::moved:
        return at_least_px > limit_px;
      case ReasonKind::drop_lost:
        return true;
      default:
        return false;
    }
  });
  if (verdict.kind == VerdictKind::reshoot && is_shown) {
    verdict.notes.push_back(reason);
    return verdict;
  }
  // What says that there was too little to look at is no matter of size.
  const auto other = [](const Reason& r) {
    return r.kind == ReasonKind::too_few_frames || r.kind == ReasonKind::no_sweep;
  };
  if (std::ranges::any_of(verdict.reasons, other)) return verdict;
  verdict.kind = VerdictKind::cannot_tell;
  std::erase_if(verdict.reasons, [](const Reason& r) { return r.kind == ReasonKind::covered; });
  verdict.reasons.insert(verdict.reasons.begin(), reason);
  return verdict;
}

std::vector<std::size_t> fewest_complete(
    std::size_t num_sweeps, const std::function<bool(const std::vector<std::size_t>&)>& complete) {
  constexpr std::size_t kMostForAll = 12;
  for (std::size_t size = 1; size <= num_sweeps; ++size) {
    if (num_sweeps > kMostForAll && size > 2 && size < num_sweeps) continue;
    // All choices of `size` out of num_sweeps, in the order of their indices.
    std::vector<std::size_t> choice(size);
    std::iota(choice.begin(), choice.end(), std::size_t{0});
    while (true) {
      if (complete(choice)) return choice;
      std::size_t i = size;
      while (i > 0 && choice[i - 1] == num_sweeps - size + i - 1) --i;
      if (i == 0) break;
      ++choice[i - 1];
      for (; i < size; ++i) choice[i] = choice[i - 1] + 1;
    }
  }
  return {};
}

}  // namespace ringsweep
