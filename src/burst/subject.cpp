#include "ringsweep/subject.h"

#include <algorithm>

namespace ringsweep {

std::vector<double> subject_positions(const Profiles& profiles, const FocalPositions& focus,
                                      const SubjectOptions& options) {
  double low = 0.0, high = 0.0;
  bool any = false;
  for (const FocalPosition& frame : focus.frames) {
    if (!frame.usable || !frame.q_px) continue;
    low = any ? std::min(low, *frame.q_px) : *frame.q_px;
    high = any ? std::max(high, *frame.q_px) : *frame.q_px;
    any = true;
  }
  if (!any) return {};
  std::vector<double> positions;
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t)
    if (focus.tiles[t].weight >= options.min_weight) positions.push_back(focus.tiles[t].q_px);
  std::ranges::sort(positions);

  // Beyond an end, stop at the first break in depth. One tile in 500 is noise and bridges nothing.
  const auto cut = [&](auto begin, auto end, double edge, double direction) {
    double last = edge;
    std::vector<double> kept;
    const std::size_t run = std::max<std::size_t>(1, positions.size() / 500);
    std::vector<double> pending;
    for (auto it = begin; it != end; ++it) {
      const double out = direction * (*it - edge);
      if (out <= 0.0) continue;
      if (out > options.reach_px) break;
      if (direction * (*it - last) > options.island_gap_px) break;
      pending.push_back(*it);
      if (pending.size() >= run) {
        last = pending.back();
        kept.insert(kept.end(), pending.begin(), pending.end());
        pending.clear();
      }
    }
    return kept;
  };
  std::vector<double> subject;
  std::ranges::copy_if(positions, std::back_inserter(subject),
                       [&](double q) { return q >= low && q <= high; });
  const auto below = cut(positions.rbegin(), positions.rend(), low, -1.0);
  const auto above = cut(positions.begin(), positions.end(), high, 1.0);
  subject.insert(subject.end(), below.begin(), below.end());
  subject.insert(subject.end(), above.begin(), above.end());
  std::ranges::sort(subject);
  return subject;
}

}  // namespace ringsweep
