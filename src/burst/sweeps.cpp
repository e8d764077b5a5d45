#include "ringsweep/sweeps.h"

#include <algorithm>
#include <stdexcept>

#include "burst/frame_intervals.h"

namespace ringsweep {
namespace {

using Times = std::span<const std::optional<double>>;

/// How much longer than usual the camera took before a frame.
class Pauses {
 public:
  /// @param frames those that sweeps are made of
  Pauses(const std::vector<std::size_t>& frames, Times time_s) : frames_(frames), time_s_(time_s) {
    const FrameIntervals intervals = frame_intervals(time_s_);
    usual_s_ = intervals.usual_s;
    // Half an interval may be the camera's; a clock of whole seconds is off by up to one besides.
    least_s_ = 0.5 * usual_s_ + (intervals.whole_seconds ? 1.0 : 0.0);
  }

  /// The first frame after the longest pause near the frame; the frame itself where there is none.
  /// @param at,first,last  of the frames; what is found lies after `first`, and not after `last`
  [[nodiscard]] std::size_t longest_near(std::size_t at, std::size_t first,
                                         std::size_t last) const {
    constexpr std::size_t kReach = 2;  // frames that a trembling hand may hide the turn among; ours
    std::size_t found = at;
    double longest_s = least_s_;
    for (std::size_t i = std::max(first + 1, at - std::min(at, kReach));
         i <= std::min(last, at + kReach); ++i) {
      const double pause_s = before_s(i);
      if (pause_s > longest_s) longest_s = pause_s, found = i;
    }
    return found;
  }

 private:
  [[nodiscard]] double before_s(std::size_t i) const {
    if (time_s_.empty()) return 0.0;
    const std::optional<double>&from = time_s_[frames_[i - 1]], &to = time_s_[frames_[i]];
    if (!from || !to) return 0.0;
    return *to - *from - static_cast<double>(frames_[i] - frames_[i - 1]) * usual_s_;
  }

  const std::vector<std::size_t>& frames_;
  Times time_s_;
  double usual_s_ = 0.0, least_s_ = 0.0;
};

}  // namespace

std::size_t sweep_of(std::span<const SweepRange> sweeps, std::size_t frame) {
  std::size_t s = 0;
  while (s + 1 < sweeps.size() && frame > sweeps[s].last) ++s;
  return s;
}

std::vector<SweepRange> find_sweeps(const FocalPositions& focus, double min_turn_px,
                                    std::span<const std::optional<double>> time_s) {
  if (!time_s.empty() && time_s.size() != focus.frames.size())
    throw std::invalid_argument("time_s needs one entry a frame, or none");
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
        sweeps.push_back({start, turn, direction > 0});
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
  sweeps.push_back({start, end, rising});
  const Pauses pauses(known, time_s);
  for (std::size_t s = 0; s + 1 < sweeps.size(); ++s) {
    SweepRange &before = sweeps[s], &after = sweeps[s + 1];
    if (after.first != before.last + 1) continue;  // the turn is no frame
    after.first = pauses.longest_near(after.first, before.first, after.last);
    before.last = after.first - 1;
  }
  for (SweepRange& sweep : sweeps) sweep.first = known[sweep.first], sweep.last = known[sweep.last];
  return sweeps;
}

std::vector<SweepRange> find_sweeps_by_scale(std::span<const double> log_scale,
                                             const std::vector<bool>& known,
                                             std::span<const std::optional<double>> time_s) {
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
  return find_sweeps(focus, kTurn * (high - low), time_s);
}

}  // namespace ringsweep
