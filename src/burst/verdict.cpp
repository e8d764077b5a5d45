#include "ringsweep/verdict.h"

#include <algorithm>

namespace ringsweep {
namespace {

bool close_call(double width_px, double allowed_px) {
  return width_px > 0.85 * allowed_px && width_px < 1.15 * allowed_px;
}

}  // namespace

Verdict decide(const FocalPositions& focus, const Coverage& coverage,
               const std::vector<SweepRange>& sweeps, const std::vector<bool>& dark,
               double allowed_step_px) {
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
  for (const Gap& gap : coverage.gaps) {
    const auto [first, last] = std::minmax(gap.lower, gap.upper);
    Reason reason{.kind = ReasonKind::gap,
                  .first_frame = first,
                  .last_frame = last,
                  .width_px = gap.width_px,
                  .width_sd_px = gap.width_sd_px,
                  .subject_share = gap.subject_share,
                  .close_call = close_call(gap.width_px, allowed_step_px)};
    // Dark frames are the cause where the ring alone would have made steps that are short enough.
    std::size_t missed = 0;
    for (std::size_t k = first + 1; k < last; ++k) missed += dark[k] ? 1 : 0;
    if (missed == last - first - 1 && missed > 0 &&
        gap.width_px / static_cast<double>(missed + 1) <= allowed_step_px)
      reason.kind = ReasonKind::gap_from_dark;
    verdict.reasons.push_back(reason);
  }
  const bool starts_low = sweeps.empty() || sweeps.front().rising;
  for (const End& end : coverage.ends) {
    if (!end.open) continue;
    verdict.reasons.push_back({.kind = ReasonKind::open_end,
                               .first_frame = end.frame,
                               .last_frame = end.frame,
                               .width_px = end.beyond_px,
                               .width_sd_px = end.beyond_sd_px,
                               .close_call = close_call(2.0 * end.beyond_px, allowed_step_px),
                               .at_start = end.low == starts_low});
  }
  verdict.kind = verdict.reasons.empty() ? VerdictKind::complete : VerdictKind::reshoot;
  if (verdict.reasons.empty()) verdict.reasons.push_back({.kind = ReasonKind::covered});
  return verdict;
}

}  // namespace ringsweep
