#include "burst/drop_courses.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "burst/drop_fates.h"

namespace ringsweep {
namespace {

// Ours, no source; found on the open seeds of the suite, see bench/accuracy.
constexpr double kBright = 0.04;        // height of a spot that alone tells a loss
constexpr std::size_t kMostTimes = 3;   // drops do not go at more times than these
constexpr double kPriorLogOdds = -7.0;  // of a thousand spots that a burst has one may go
constexpr double kAloneLogOdds = 8.5;   // from here on a loss is told that stands alone

double probability_of(double log_odds) { return 1.0 / (1.0 + std::exp(-log_odds)); }

/// A change of the size and shape of a drop, with the rest as it was.
bool is_drop(const SpotCourse& course) {
  constexpr double kLeastChange = 0.04, kOfUsual = 10.0, kMostAround = 0.3;
  constexpr double kRound = 2.5, kRoundPx = 2.0;  // of its radius; drops found: up to 2.0
  const SpotChange& change = course.change;
  const double sigma_px = course.from.spot.sigma_px;
  if (change.radius_px <= 0.0 || change.reach_px > 12.0 * sigma_px + 10.0) return false;
  if (change.reach_px > kRound * change.radius_px + kRoundPx) return false;
  if (change.height < std::max(kLeastChange, kOfUsual * change.usual)) return false;
  // A part that has moved with all that is on it.
  if (change.carried || (change.elsewhere && change.reach_px > 6.0 * sigma_px + 10.0)) return false;
  return change.around < kMostAround;
}

bool is_alone_enough(const SpotCourse& course) {
  return course.alone_log_odds >= kAloneLogOdds && course.from.spot.height >= kBright &&
         is_drop(course);
}

/// Their times overlap or nearly do: lights of one drop may err by some frames about when it went.
bool at_about_one_time(const SpotCourse& a, const SpotCourse& b) {
  constexpr std::size_t kFrames = 5;  // ours, no source
  return std::max(a.before, b.before) < std::min(a.after, b.after) + kFrames;
}

bool is_one(const SpotCourse& a, const SpotCourse& b) {
  return at_one_place(a.at, a.change.radius_px, b.at, b.change.radius_px);
}

/// At how many times something went or came.
std::size_t times_of(std::span<const SpotCourse> courses) {
  std::vector<const SpotCourse*> apart;
  for (const SpotCourse& c : courses)
    if (c.alone_log_odds >= kAloneLogOdds &&
        std::ranges::none_of(apart, [&](const SpotCourse* o) { return at_about_one_time(*o, c); }))
      apart.push_back(&c);
  return apart.size();
}

constexpr double kCovered = 0.5;  // of another's change: less is little beside it; ours, no source

/// Where one goes and another comes in one place, as two that run together do, what has changed
/// belongs to both: each is where its spot is. One whose change is less than half of the other's
/// is not told: the other covers it.
void settle_shared_changes(std::vector<SpotCourse>& told) {
  const auto holds = [](const SpotCourse& c, const SpotCourse& other) {
    return cv::norm(cv::Point2d(other.from.spot.at) - c.at) <= c.change.reach_px;
  };
  const auto shared = [&](const SpotCourse& c, const SpotCourse& other) {
    return other.lost != c.lost && overlap(c, other) && holds(c, other) && holds(other, c);
  };
  const std::vector<SpotCourse> all = told;
  std::erase_if(told, [&](const SpotCourse& c) {
    return std::ranges::any_of(all, [&](const SpotCourse& o) {
      return shared(c, o) && c.change.height < kCovered * o.change.height;
    });
  });
  for (SpotCourse& c : told)
    if (std::ranges::any_of(all, [&](const SpotCourse& o) { return shared(c, o); }))
      c.at = c.from.spot.at;
}

/// It stands alone, and no frame is between.
bool is_sure_when(const SpotCourse& course) {
  return course.after == course.before + 1 && course.alone_log_odds >= kAloneLogOdds;
}

/// What may have gone at once went at once: the time that all of them leave open, if there is one.
/// Where no other leaves any of its time open, the one of two that leaves more open may err by a
/// few frames; two that are sure went one after the other.
void agree_when(std::vector<SpotCourse>& courses) {
  std::vector<SpotCourse*> order;
  for (SpotCourse& c : courses) order.push_back(&c);
  std::ranges::stable_sort(order, {}, [](const SpotCourse* c) { return c->after - c->before; });
  for (std::size_t i = 1; i < order.size(); ++i) {
    SpotCourse& c = *order[i];
    const auto surer = std::span(order).first(i);
    SpotCourse common = c;
    bool any = false;
    for (const SpotCourse* other : surer) {
      if (!overlap(*other, c)) continue;
      any = true;
      common.before = std::max(common.before, other->before);
      common.after = std::min(common.after, other->after);
    }
    if (any) {
      if (common.before < common.after) c = common;
      continue;
    }
    const auto about = std::ranges::find_if(surer, [&](const SpotCourse* other) {
      return at_about_one_time(*other, c) && !(is_sure_when(*other) && is_sure_when(c));
    });
    if (about == surer.end()) continue;
    c.before = std::min(c.before, (*about)->before);
    c.after = std::max(c.after, (*about)->after);
  }
}

DropChange change_of(const SpotCourse& course, std::span<const SpotCourse> all) {
  const bool alone = std::ranges::none_of(all, [&](const SpotCourse& o) {
    return &o != &course && is_alone_enough(o) && o.lost == course.lost && overlap(o, course);
  });
  // The drop's by that of the surface that carries it and the spot's own one: on open seeds the
  // quartiles of their errors lie 1.1 and 1.8 px apart, weights go with the inverse squares. Where
  // they are farther apart than both err the surface is another's, behind it.
  constexpr double kSurface = 0.75, kOnSurfacePx = 6.0;
  const double surface_px = course.from.q_px, own_px = course.own_q_px;
  return {
      .fate = course.lost ? DropFate::gone : DropFate::came,
      .at = course.at,
      .radius_px = course.change.radius_px,
      .reach_px = course.change.reach_px,
      .q_px = std::abs(surface_px - own_px) <= kOnSurfacePx
                  ? kSurface * surface_px + (1.0 - kSurface) * own_px
                  : course.q_px,
      .before = course.before,
      .after = course.after,
      .probability = probability_of(course.log_odds + (alone ? kPriorLogOdds : kTogetherLogOdds)),
      .log_odds = course.log_odds,
      .height = course.from.spot.height};
}

}  // namespace

std::vector<SpotCourse> told_of(std::vector<SpotCourse> courses) {
  std::ranges::stable_sort(courses, std::greater{},
                           [](const SpotCourse& c) { return c.log_odds + c.alone_log_odds; });
  if (times_of(courses) > kMostTimes) return {};
  std::vector<SpotCourse> drops;
  for (const SpotCourse& c : courses) {
    if (c.log_odds + kTogetherLogOdds < 0.0 || !is_drop(c)) continue;
    const bool together = std::ranges::any_of(courses, [&](const SpotCourse& o) {
      // What rolls comes where another one goes.
      return is_alone_enough(o) && (o.lost || !c.lost) && overlap(o, c);
    });
    if (together) drops.push_back(c);
  }
  settle_shared_changes(drops);
  std::vector<SpotCourse> told;
  for (const SpotCourse& c : drops) {
    const auto known = std::ranges::find_if(told, [&](const SpotCourse& o) {
      return o.lost == c.lost && at_about_one_time(o, c) && is_one(o, c);
    });
    if (known == told.end()) {
      told.push_back(c);
    } else if (!overlap(*known, c)) {  // its lights disagree about when
      known->before = std::min(known->before, c.before);
      known->after = std::max(known->after, c.after);
    }
  }
  // What goes twice was no drop, unless the other is little beside it.
  std::vector<SpotCourse> once;
  for (const SpotCourse& c : told)
    if (std::ranges::none_of(told, [&](const SpotCourse& o) {
          return o.lost == c.lost && !overlap(o, c) && is_one(o, c) &&
                 o.change.height >= kCovered * c.change.height;
        }))
      once.push_back(c);
  agree_when(once);
  return once;
}

void tell_changes(const std::vector<SpotCourse>& told, Drops& drops) {
  for (const SpotCourse& c : told)
    (c.lost ? drops.lost : drops.appeared).push_back(change_of(c, told));
}

}  // namespace ringsweep
