#include "ringsweep/stack_list.h"

#include <algorithm>
#include <cmath>
#include <compare>
#include <cstdint>
#include <limits>
#include <map>
#include <stdexcept>
#include <utility>

namespace ringsweep {
namespace {

/// Depths in whole millionths of a px: sums of lengths are exact in any order, so that two sets
/// that leave the same thin are known as equal.
using Depth = std::int64_t;
constexpr double kPerPx = 1e6;

Depth whole(double px) { return std::llround(std::clamp(px, -1e9, 1e9) * kPerPx); }

void check(const StackRange& range, const StackOptions& options) {
  if (!(options.blur_limit_px > 0.0)) throw std::invalid_argument("blur_limit_px must be > 0");
  if (!(options.overlap >= 0.0 && options.overlap <= 0.95))
    throw std::invalid_argument("overlap must be 0 to 0.95");
  if (!(range.wanted.low_px <= range.wanted.high_px))
    throw std::invalid_argument("the wanted range must not end before it begins");
  double last = -std::numeric_limits<double>::infinity();
  for (const DepthRange& empty : range.empty) {
    if (!(empty.low_px >= last && empty.low_px <= empty.high_px))
      throw std::invalid_argument("empty depths must be apart and by rising position");
    last = empty.high_px;
  }
}

/// The wanted range, and how much of a stretch of depth belongs to it.
class Wanted {
 public:
  explicit Wanted(const StackRange& range)
      : low_(whole(range.wanted.low_px)), high_(whole(range.wanted.high_px)) {
    for (const DepthRange& e : range.empty) empty_.push_back({whole(e.low_px), whole(e.high_px)});
  }
  [[nodiscard]] Depth low() const { return low_; }
  [[nodiscard]] Depth high() const { return high_; }

  [[nodiscard]] Depth inside(Depth from, Depth to) const {
    from = std::max(from, low_), to = std::min(to, high_);
    if (from >= to) return 0;
    Depth length = to - from;
    for (const auto& [low, high] : empty_)
      length -= std::max<Depth>(0, std::min(to, high) - std::max(from, low));
    return length;
  }

 private:
  struct Stretch {
    Depth low = 0, high = 0;
  };
  Depth low_, high_;
  std::vector<Stretch> empty_;
};

/// Before the first and behind the last frame of a list.
constexpr Depth kNowhere = std::numeric_limits<Depth>::max() / 4;

/// How much of the wanted range lies farther than `reach` from two neighbours of a list.
Depth missed(const Wanted& wanted, Depth lower, Depth upper, Depth reach) {
  return wanted.inside(lower == -kNowhere ? wanted.low() : lower + reach,
                       upper == kNowhere ? wanted.high() : upper - reach);
}

/// A usable frame of the pose at hand.
struct Candidate {
  std::size_t frame = 0;
  Depth q = 0;
};

bool can_be_used(const StackFrame& frame) {
  return frame.fault == WhyLeftOut::in_the_list && frame.q_px && std::isfinite(*frame.q_px);
}

/// By rising position, those at one position in capture order.
std::vector<Candidate> candidates_of(std::span<const StackFrame> frames, std::size_t pose) {
  std::vector<Candidate> candidates;
  for (std::size_t k = 0; k < frames.size(); ++k)
    if (can_be_used(frames[k]) && frames[k].pose == pose)
      candidates.push_back({.frame = k, .q = whole(*frames[k].q_px)});
  std::ranges::stable_sort(candidates, {}, &Candidate::q);
  return candidates;
}

std::vector<std::size_t> poses_of(std::span<const StackFrame> frames) {
  std::vector<std::size_t> poses;
  for (const StackFrame& f : frames)
    if (can_be_used(f)) poses.push_back(f.pose);
  std::ranges::sort(poses);
  poses.erase(std::ranges::unique(poses).begin(), poses.end());
  if (poses.empty()) poses.push_back(0);
  return poses;
}

struct Reach {
  Depth thin = 0;  // r
  Depth soft = 0;  // b
};

Reach reach_of(const StackOptions& options) {
  return {.thin = whole((1.0 - options.overlap) * options.blur_limit_px),
          .soft = whole(options.blur_limit_px)};
}

/// Everything that a list says besides its frames.
StackList finished(std::span<const StackFrame> frames, std::size_t pose,
                   const std::vector<Candidate>& chosen, const Wanted& wanted, const Reach& reach,
                   bool fewest) {
  StackList list{.pose = pose};
  list.left_out.assign(frames.size(), WhyLeftOut::no_position);
  for (std::size_t k = 0; k < frames.size(); ++k) {
    const StackFrame& frame = frames[k];
    WhyLeftOut& why = list.left_out[k];
    if (!can_be_used(frame)) {
      if (frame.fault != WhyLeftOut::in_the_list) why = frame.fault;
      continue;
    }
    const Depth q = whole(*frame.q_px);
    const Depth beyond = std::max(wanted.low() - q, q - wanted.high());
    if (frame.pose != pose)
      why = WhyLeftOut::other_pose;
    else if (beyond > (fewest ? reach.soft : 0))
      why = WhyLeftOut::outside_range;
    else if (frame.idle || !fewest)
      why = WhyLeftOut::idle;
    else
      why = WhyLeftOut::not_needed;
  }
  for (const Candidate& c : chosen) {
    list.frames.push_back(c.frame);
    list.left_out[c.frame] = WhyLeftOut::in_the_list;
  }
  for (std::size_t i = 0; i <= chosen.size(); ++i) {
    const Depth lower = i > 0 ? chosen[i - 1].q : -kNowhere;
    const Depth upper = i < chosen.size() ? chosen[i].q : kNowhere;
    const Depth thin = missed(wanted, lower, upper, reach.thin);
    if (thin == 0) continue;
    ThinPlace& place = list.thin.emplace_back();
    if (i > 0) place.lower = chosen[i - 1].frame;
    if (i < chosen.size()) place.upper = chosen[i].frame;
    place.thin_px = static_cast<double>(thin) / kPerPx;
    place.soft_px = static_cast<double>(missed(wanted, lower, upper, reach.soft)) / kPerPx;
  }
  return list;
}

/// Frames that stand still together: each idle, and near the first of them.
std::vector<std::vector<std::size_t>> standing_still(std::span<const StackFrame> frames,
                                                     std::size_t pose, double near_px) {
  std::vector<std::vector<std::size_t>> groups;
  std::map<std::size_t, std::size_t> open;  // sweep -> its latest group
  for (std::size_t k = 0; k < frames.size(); ++k) {
    if (!can_be_used(frames[k]) || frames[k].pose != pose) continue;
    const auto latest = open.find(frames[k].sweep);
    if (frames[k].idle && latest != open.end()) {
      std::vector<std::size_t>& group = groups[latest->second];
      if (std::abs(*frames[k].q_px - *frames[group.front()].q_px) < near_px) {
        group.push_back(k);
        continue;
      }
    }
    open[frames[k].sweep] = groups.size();
    groups.push_back({k});
  }
  return groups;
}

/// The length of a path so far, compared field by field; fields add up.
struct Length {
  Depth thin = 0;
  int frames = 0;
  int changes = 0;  // of sweep
  int moved = 0;
  std::int64_t defect = 0;
  double unevenness = 0.0;  // sum of the squares of the steps, px^2
  friend auto operator<=>(const Length&, const Length&) = default;
};

}  // namespace

int stack_defect(const StackFrame& frame, const StackOptions& options) {
  const auto seen = [](double value) { return value < 0.25 ? 0.0 : value; };
  const double shake = seen(frame.shake_px / options.blur_limit_px);
  const double light = seen(std::abs(frame.gain_ev));
  return static_cast<int>(std::lround(100.0 * std::min(1e4, shake * shake + light * light)));
}

std::vector<StackList> all_good_frames(std::span<const StackFrame> frames, const StackRange& range,
                                       const StackOptions& options) {
  check(range, options);
  const Wanted wanted(range);
  const Reach reach = reach_of(options);
  std::vector<StackList> lists;
  for (const std::size_t pose : poses_of(frames)) {
    std::vector<Candidate> list = candidates_of(frames, pose);
    // What is missed where frame i of the list is left away, against what is missed with it.
    const auto can_go = [&](std::size_t i) {
      const Depth lower = i > 0 ? list[i - 1].q : -kNowhere;
      const Depth upper = i + 1 < list.size() ? list[i + 1].q : kNowhere;
      const auto same = [&](Depth r) {
        return missed(wanted, lower, upper, r) ==
               missed(wanted, lower, list[i].q, r) + missed(wanted, list[i].q, upper, r);
      };
      return same(reach.thin) && same(reach.soft);
    };
    const auto drop_if_it_can_go = [&](std::size_t frame) {
      const auto at = std::ranges::find(list, frame, &Candidate::frame);
      if (at == list.end()) return true;
      if (!can_go(static_cast<std::size_t>(at - list.begin()))) return false;
      list.erase(at);
      return true;
    };
    // Outside the range, from the outermost frame inwards, until one shows some of it.
    while (!list.empty() && list.front().q < wanted.low() && can_go(0)) list.erase(list.begin());
    while (!list.empty() && list.back().q > wanted.high() && can_go(list.size() - 1))
      list.pop_back();
    const double near_px = 0.1 * 2.0 * options.blur_limit_px;  // idle: DESIGN section 2
    for (const std::vector<std::size_t>& group : standing_still(frames, pose, near_px)) {
      const std::size_t best = *std::ranges::min_element(group, {}, [&](std::size_t k) {
        return std::pair(frames[k].moved, stack_defect(frames[k], options));
      });
      bool others_left = false;
      for (const std::size_t k : group)
        if (k != best && !drop_if_it_can_go(k)) others_left = true;
      if (others_left) drop_if_it_can_go(best);
    }
    lists.push_back(finished(frames, pose, list, wanted, reach, false));
  }
  return lists;
}

std::vector<StackList> fewest_frames(std::span<const StackFrame> frames, const StackRange& range,
                                     const StackOptions& options) {
  check(range, options);
  const Wanted wanted(range);
  const Reach reach = reach_of(options);
  std::vector<StackList> lists;
  for (const std::size_t pose : poses_of(frames)) {
    const std::vector<Candidate> candidates = candidates_of(frames, pose);
    const std::size_t n = candidates.size();
    const auto px2 = [](Depth step) { return std::pow(static_cast<double>(step) / kPerPx, 2); };
    // best[i]: the shortest path that ends with candidate i; best[n]: with the end of the range.
    std::vector<Length> best(n + 1);
    std::vector<std::optional<std::size_t>> before(n + 1);
    for (std::size_t i = 0; i <= n; ++i) {
      const bool end = i == n;
      const Depth upper = end ? kNowhere : candidates[i].q;
      Length own;
      if (!end) {
        const StackFrame& frame = frames[candidates[i].frame];
        own = {.frames = 1, .moved = frame.moved ? 1 : 0, .defect = stack_defect(frame, options)};
      }
      // An end of the range is half a step away from the frame that would be next.
      best[i] = own;
      best[i].thin = missed(wanted, -kNowhere, upper, reach.thin);
      if (!end) best[i].unevenness = px2(2 * std::max<Depth>(0, upper - wanted.low()));
      for (std::size_t j = 0; j < i; ++j) {
        const Depth lower = candidates[j].q;
        Length way = best[j];
        way.thin += missed(wanted, lower, upper, reach.thin);
        way.frames += own.frames, way.moved += own.moved, way.defect += own.defect;
        way.unevenness += px2(end ? 2 * std::max<Depth>(0, wanted.high() - lower) : upper - lower);
        if (!end && frames[candidates[i].frame].sweep != frames[candidates[j].frame].sweep)
          ++way.changes;
        if (way < best[i]) best[i] = way, before[i] = j;
      }
    }
    std::vector<Candidate> chosen;
    for (auto i = before[n]; i; i = before[*i]) chosen.push_back(candidates[*i]);
    std::ranges::reverse(chosen);
    lists.push_back(finished(frames, pose, chosen, wanted, reach, true));
  }
  return lists;
}

}  // namespace ringsweep
