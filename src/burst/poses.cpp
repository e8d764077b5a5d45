#include "ringsweep/poses.h"

#include <algorithm>
#include <tuple>

namespace ringsweep {

std::vector<Reason> conflict_reasons(const Movement& movement, const Drops& drops) {
  std::vector<Reason> reasons;
  for (const DropEvent& event : drop_events(drops.lost))
    if (event.conflict)
      reasons.push_back({.kind = ReasonKind::drop_lost,
                         .first_frame = event.before,
                         .last_frame = event.after,
                         .drops = event.count,
                         .box_px = event.box_px});
  for (const MovedPart& part : movement.parts)
    if (part.conflict)
      reasons.push_back({.kind = ReasonKind::moved,
                         .first_frame = part.frame,
                         .last_frame = part.frame,
                         .width_px = part.shift_px,
                         .width_sd_px = part.shift_sd_px,
                         .box_px = part.box_px});
  return reasons;
}

void part_drops_and_movement(Movement& movement, Drops& drops) {
  const auto together = [](const DropChange& drop, const MovedPart& part, double margin_px) {
    const int px = static_cast<int>(margin_px);
    const cv::Rect box(part.box_px.tl() - cv::Point(px, px), part.box_px.br() + cv::Point(px, px));
    return drop.before < part.frame + 1 && part.frame <= drop.after + 1 &&
           box.contains(cv::Point(drop.at));
  };
  const auto is_round = [](const DropChange& drop) {
    constexpr double kRound = 1.7;  // in its radii; ours, no source
    return drop.reach_px <= kRound * drop.radius_px;
  };
  const auto is_two = [](const DropChange& drop) {
    return drop.fate == DropFate::rolled || drop.over_another;
  };
  const auto area_px2 = [&](const DropChange& drop) {
    constexpr double kSide = 4.0, kSideTwo = 6.0;  // in its radii; the latter holds two lights
    const double side_px = (is_two(drop) ? kSideTwo : kSide) * drop.radius_px;
    return side_px * side_px;
  };
  // A part hardly larger than a drop that rolled is that drop; so it is where one went or came that
  // was round, as a leg is not: what lies behind it looks shifted, above all where that is like it.
  const auto is_drop = [&](const MovedPart& part, const DropChange& drop) {
    return together(drop, part, drop.radius_px) && part.box_px.area() <= area_px2(drop) &&
           (is_two(drop) || is_round(drop));
  };
  // Nor is one a part that hardly holds more than several drops which are gone. Those that ride on
  // a part are back where it is from then on.
  const auto is_drops = [&](const MovedPart& part) {
    double px2 = 0.0;
    std::size_t count = 0;
    for (const DropChange& drop : drops.lost) {
      if (!together(drop, part, drop.radius_px)) continue;
      if (is_two(drop) || !is_round(drop)) return false;
      px2 += area_px2(drop);
      ++count;
    }
    return count > 1 && part.box_px.area() <= px2 &&
           std::ranges::none_of(drops.appeared, [&](const DropChange& drop) {
             return together(drop, part, part.shift_px + drop.radius_px);
           });
  };
  std::erase_if(movement.parts, [&](const MovedPart& part) {
    const auto is_it = [&](const DropChange& drop) { return is_drop(part, drop); };
    return std::ranges::any_of(drops.lost, is_it) || std::ranges::any_of(drops.appeared, is_it) ||
           is_drops(part);
  });
  // It was on the part, or came with it: the box is where the part is from then on, without its rim
  // where that shows no texture.
  const auto went_along = [&](const DropChange& drop) {
    return std::ranges::any_of(movement.parts, [&](const MovedPart& part) {
      return together(drop, part, part.shift_px + drop.radius_px);
    });
  };
  std::erase_if(drops.lost, went_along);
  std::erase_if(drops.appeared, went_along);
}

std::vector<std::size_t> number_poses(std::size_t num_frames,
                                      std::span<const std::size_t> conflicts) {
  std::vector<std::size_t> firsts(conflicts.begin(), conflicts.end());
  std::ranges::sort(firsts);
  const auto repeated = std::ranges::unique(firsts);
  firsts.erase(repeated.begin(), repeated.end());
  std::vector<std::size_t> pose(num_frames);
  for (std::size_t k = 0; k < num_frames; ++k)
    pose[k] = static_cast<std::size_t>(std::ranges::upper_bound(firsts, k) - firsts.begin());
  return pose;
}

std::vector<End> ends_lost(const Coverage& pose, const Coverage& all, double share) {
  std::vector<End> lost;
  for (const End& end : pose.ends) {
    const auto whole = std::ranges::find(all.ends, end.low, &End::low);
    const double beyond_all = whole == all.ends.end() ? 0.0 : whole->subject_share;
    if (end.open && end.subject_share >= beyond_all + share) lost.push_back(end);
  }
  return lost;
}

std::size_t best_pose(std::span<const PoseJudged> poses) {
  std::size_t best = 0;
  const auto rank = [&](std::size_t i) {
    return std::tuple(is_complete(poses[i].verdict.kind), poses[i].subject_share, poses[i].usable);
  };
  for (std::size_t i = 1; i < poses.size(); ++i)
    if (rank(i) > rank(best)) best = i;
  return best;
}

Verdict decide_with_conflicts(Verdict all, std::span<const Reason> conflicts,
                              std::span<const PoseJudged> poses) {
  if (conflicts.empty() || poses.empty() || all.kind == VerdictKind::cannot_tell) return all;
  const PoseJudged& best = poses[best_pose(poses)];
  if (is_complete(best.verdict.kind)) {
    Verdict without = best.verdict;
    without.kind = VerdictKind::complete_without;
    for (const Reason& note : all.notes)
      if (note.kind == ReasonKind::outside_picture) without.notes.push_back(note);
    without.reasons.insert(without.reasons.end(), conflicts.begin(), conflicts.end());
    return without;
  }
  if (all.kind == VerdictKind::complete) all.reasons.clear();
  all.kind = VerdictKind::reshoot;
  all.reasons.insert(all.reasons.end(), conflicts.begin(), conflicts.end());
  return all;
}

}  // namespace ringsweep
