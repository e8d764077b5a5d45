#include "ringsweep/sweeps.h"

#include <algorithm>

namespace ringsweep {

std::size_t sweep_of(std::span<const SweepRange> sweeps, std::size_t frame) {
  std::size_t s = 0;
  while (s + 1 < sweeps.size() && frame > sweeps[s].last) ++s;
  return s;
}

std::vector<SweepRange> find_sweeps(const FocalPositions& focus, double min_turn_px) {
  std::vector<std::size_t> known;
  for (std::size_t k = 0; k < focus.frames.size(); ++k)
    if (focus.frames[k].q_px) known.push_back(k);
  if (known.size() < 2) return {};
  const auto q = [&](std::size_t i) { return *focus.frames[known[i]].q_px; };

  // Follow the ring; once it has come back from its farthest point by more than min_turn_px, that
  // point is where the sweep ended.
  std::vector<SweepRange> sweeps;
  std::size_t start = 0, low = 0, high = 0;
  int direction = 0;
  for (std::size_t i = 1; i < known.size(); ++i) {
    if (q(i) > q(high)) high = i;
    if (q(i) < q(low)) low = i;
    const bool rose = q(i) - q(low) > min_turn_px, fell = q(high) - q(i) > min_turn_px;
    if (direction == 0) {
      direction = rose ? 1 : fell ? -1 : 0;
      continue;
    }
    if ((direction > 0 && fell) || (direction < 0 && rose)) {
      const std::size_t turn = direction > 0 ? high : low;
      // Back at once and on the same way: the ring went back between two frames.
      if (turn > start) {
        sweeps.push_back({known[start], known[turn], direction > 0});
        start = std::min(turn + 1, i);
      }
      direction = -direction;
      low = high = start;
      for (std::size_t j = start; j <= i; ++j) {
        if (q(j) > q(high)) high = j;
        if (q(j) < q(low)) low = j;
      }
    }
  }
  const std::size_t end = known.size() - 1;
  const bool rising = direction != 0 ? direction > 0 : q(end) >= q(start);
  sweeps.push_back({known[start], known[end], rising});
  return sweeps;
}

std::vector<SweepRange> find_sweeps_by_scale(std::span<const double> log_scale,
                                             const std::vector<bool>& known) {
  constexpr double kLeastChange = 0.003, kTurn = 1.0 / 3.0;
  FocalPositions focus;
  double low = 0.0, high = 0.0;
  for (std::size_t k = 0; k < log_scale.size(); ++k) {
    FocalPosition& frame = focus.frames.emplace_back();
    if (!known[k]) continue;
    frame.q_px = log_scale[k];
    low = std::min(low, log_scale[k]), high = std::max(high, log_scale[k]);
  }
  if (high - low < kLeastChange) return {};
  return find_sweeps(focus, kTurn * (high - low));
}

}  // namespace ringsweep
