#include "burst/drop_fates.h"

#include <algorithm>
#include <cstddef>
#include <vector>

#include "burst/drop_courses.h"

namespace ringsweep {
namespace {

// All: ours, no source; found on the open seeds of the suite, see bench/accuracy.

constexpr double kAlike = 1.6;  // radii

bool is_smaller(const DropChange& lost, const DropChange& came) {
  return lost.radius_px * kAlike <= came.radius_px;
}

bool are_alike(const DropChange& lost, const DropChange& came) {
  return !is_smaller(lost, came) && lost.radius_px < came.radius_px * kAlike;
}

double apart_in_radii(const DropChange& lost, const DropChange& came) {
  return cv::norm(lost.at - came.at) / (lost.radius_px + came.radius_px);
}

bool at_its_place(const DropChange& lost, const DropChange& came) {
  constexpr double kRadii = 0.75;
  return apart_in_radii(lost, came) < kRadii;
}

/// What comes to light behind a drop that goes is bright, too: it is in its place, not elsewhere.
bool is_in_its_place(const DropChange& lost, const DropChange& came) {
  return overlap(lost, came) && at_its_place(lost, came);
}

/// No drop comes back: it was hidden, or its light fell elsewhere, for a while.
bool came_back(const DropChange& lost, const DropChange& came) {
  return came.before >= lost.after && at_its_place(lost, came) && are_alike(lost, came);
}

/// @param marked  one of each change
void erase_marked(std::vector<DropChange>& changes, const std::vector<bool>& marked) {
  std::size_t i = 0;
  std::erase_if(changes, [&](const DropChange&) { return marked[i++]; });
}

void forget_what_came_back(Drops& drops) {
  std::vector<bool> back(drops.appeared.size());
  std::erase_if(drops.lost, [&](const DropChange& lost) {
    bool any = false;
    for (std::size_t c = 0; c < back.size(); ++c)
      if (came_back(lost, drops.appeared[c])) any = back[c] = true;
    return any;
  });
  erase_marked(drops.appeared, back);
}

/// A drop is brighter than what it hides: on 66 rendered bursts cut anew and 38 open ones of the
/// suite the light of one that went was 0.98 to 3.3 times as high as what came to light in its
/// place, that of one that came 1.17 times as high as what went there, and more. Where light told
/// both: what has changed in two frames is no height of a spot.
bool hides(const DropChange& came, const DropChange& lost) {
  constexpr double kBrighter = 1.1;
  return lost.log_odds > 0.0 && came.log_odds > 0.0 && came.height > kBrighter * lost.height;
}

/// Where a light comes as one goes, and nothing else goes there that could have run together with
/// it: a larger one than went is that light, which looks otherwise, and neither went nor came; a
/// brighter one is a drop that came, and what went lies behind it.
void forget_what_is_still_there(Drops& drops) {
  std::vector<bool> same_lost(drops.lost.size()), same_came(drops.appeared.size());
  for (std::size_t c = 0; c < same_came.size(); ++c) {
    DropChange& came = drops.appeared[c];
    std::vector<std::size_t> there;
    for (std::size_t i = 0; i < same_lost.size(); ++i)
      if (is_in_its_place(drops.lost[i], came)) there.push_back(i);
    if (there.size() != 1) continue;
    const DropChange& lost = drops.lost[there[0]];
    if (is_smaller(lost, came))
      same_lost[there[0]] = same_came[c] = true;
    else if (hides(came, lost))
      same_lost[there[0]] = came.over_another = true;
  }
  erase_marked(drops.lost, same_lost);
  erase_marked(drops.appeared, same_came);
}

bool may_have_rolled(const DropChange& lost, const DropChange& came) {
  constexpr double kFarRadii = 8.0;
  return overlap(lost, came) && are_alike(lost, came) && apart_in_radii(lost, came) <= kFarRadii;
}

struct Roll {
  std::size_t lost = 0;
  std::size_t came = 0;
  double px = 0.0;
};

/// Each that came has rolled from one place only, the nearest first.
std::vector<Roll> rolls_of(const Drops& drops) {
  std::vector<Roll> all;
  for (std::size_t c = 0; c < drops.appeared.size(); ++c) {
    const DropChange& came = drops.appeared[c];
    if (std::ranges::any_of(drops.lost,
                            [&](const DropChange& lost) { return is_in_its_place(lost, came); }))
      continue;
    for (std::size_t i = 0; i < drops.lost.size(); ++i)
      if (may_have_rolled(drops.lost[i], came))
        all.push_back({i, c, cv::norm(drops.lost[i].at - came.at)});
  }
  std::ranges::stable_sort(all, {}, &Roll::px);
  std::vector<Roll> rolls;
  for (const Roll& roll : all)
    if (std::ranges::none_of(
            rolls, [&](const Roll& r) { return r.lost == roll.lost || r.came == roll.came; }))
      rolls.push_back(roll);
  return rolls;
}

}  // namespace

bool at_one_place(cv::Point2d a, double a_radius_px, cv::Point2d b, double b_radius_px) {
  constexpr double kLeastPx = 8.0;
  return cv::norm(a - b) <= std::max(kLeastPx, 0.9 * (a_radius_px + b_radius_px));
}

void settle_fates(Drops& drops) {
  forget_what_came_back(drops);
  forget_what_is_still_there(drops);
  std::vector<bool> told(drops.appeared.size());
  for (const Roll& roll : rolls_of(drops)) {
    drops.lost[roll.lost].fate = DropFate::rolled;
    told[roll.came] = true;
  }
  for (DropChange& lost : drops.lost)
    for (std::size_t c = 0; c < told.size(); ++c) {
      const DropChange& came = drops.appeared[c];
      if (is_in_its_place(lost, came) && are_alike(lost, came)) lost.over_another = told[c] = true;
    }
  erase_marked(drops.appeared, told);
  for (std::vector<DropChange>* list : {&drops.lost, &drops.appeared})
    std::ranges::stable_sort(*list, [](const DropChange& a, const DropChange& b) {
      return a.after != b.after ? a.after < b.after : a.at.y < b.at.y;
    });
}

}  // namespace ringsweep
