#include "burst/changed_places.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>
#include <map>
#include <span>
#include <utility>

#include "burst/trembling.h"
#include "numerics/quantile.h"
#include "ringsweep/part_shift.h"

namespace ringsweep {
namespace {

/// Pairs by their frames.
class PairsByFrames {
 public:
  explicit PairsByFrames(const TileFields& burst) {
    for (std::size_t p = 0; p < burst.pairs.size(); ++p)
      pairs_[{burst.pairs[p].first, burst.pairs[p].second}] = p;
  }
  /// The pair's index, or the number of pairs where there is none.
  [[nodiscard]] std::size_t at(std::size_t first, std::size_t second) const {
    const auto found = pairs_.find({first, second});
    return found == pairs_.end() ? pairs_.size() : found->second;
  }

 private:
  std::map<std::pair<std::size_t, std::size_t>, std::size_t> pairs_;
};

/// How much more two frames differ at a tile than what is left there of the difference between
/// neighbours in time on one side of frame c; 0: cannot be told.
double beyond_usual(const TileFields& burst, const PairsByFrames& by_frames, std::size_t p,
                    std::size_t c, std::size_t t, double power) {
  constexpr double kSharpPx = 5.0;   // of blur, of px compared: farther out the level may change
  constexpr double kDepthsPx = 1.0;  // that a tile sees beside its own
  const Seen& seen = burst.fields[p][t];
  const auto [i, j] = burst.pairs[p];
  if (!seen.known || std::max(blur_px(burst, i, t), blur_px(burst, j, t)) > kSharpPx * burst.px)
    return 0.0;
  // Of two blurs, whose variances differ, the first order is taken off: what is left goes with
  // the square of that, its energy with the fourth power.
  const auto variances_apart = [&](std::size_t a, std::size_t b) {
    const double both = std::abs(burst.q_px[a] + burst.q_px[b] - 2.0 * burst.focus.tiles[t].q_px);
    return std::abs(burst.q_px[a] - burst.q_px[b]) * (both + 2.0 * kDepthsPx * burst.px);
  };
  const double apart = variances_apart(i, j);
  double usual = 0.0;
  int told = 0;
  const auto hear = [&](std::size_t a, std::size_t b) {
    if (a < c && c <= b) return;
    const std::size_t other = by_frames.at(a, b);
    if (other >= burst.pairs.size()) return;
    const Seen& s = burst.fields[other][t];
    if (!s.known || s.level != seen.level) return;
    const double more = std::max(1.0, apart / std::max(1e-9, variances_apart(a, b)));
    usual = std::max(usual, s.after * std::pow(more, power));
    ++told;
  };
  for (const std::size_t k : {i, j}) {
    if (k > 0) hear(k - 1, k);
    if (k + 1 < burst.num_frames()) hear(k, k + 1);
  }
  constexpr int kFewest = 2;
  return told < kFewest || !(usual > 0.0) ? 0.0 : seen.after / usual;
}

/// The pair that shows a tile sharpest on both sides of a frame: neighbours in time, or frames of
/// two sweeps.
std::size_t best_pair(const TileFields& burst, std::size_t c, std::size_t t) {
  std::size_t best = burst.pairs.size();
  double least = 1e9;
  for (const std::size_t p : burst.straddling[c]) {
    const auto [i, j] = burst.pairs[p];
    if (burst.sweep[i] == burst.sweep[j] && j != i + 1) continue;
    if (!burst.fields[p][t].known) continue;
    const double blur = std::max(blur_px(burst, i, t), blur_px(burst, j, t)) +
                        std::abs(burst.q_px[i] - burst.q_px[j]);
    if (blur < least) least = blur, best = p;
  }
  return best;
}

/// A place that changed at a frame.
struct Place {
  std::size_t c = 0;
  std::vector<std::size_t> tiles{};
  std::vector<std::size_t> pairs{};  ///< that show it sharpest, of each tile
  double loud = 0.0;                 ///< how much it is beyond what is usual
};

/// When a place counts as changed.
struct PlaceRule {
  double power = 4.0;  ///< of blurs' variances, by which what they leave of a difference grows
  double sign = 8.0;   ///< beyond what is usual: a tile to begin with,
  double grow = 4.0;   ///< one beside it,
  double loud = 12.0;  ///< and most of them
};

std::vector<Place> places_at(const TileFields& burst, const PairsByFrames& by_frames, std::size_t c,
                             const PlaceRule& rule) {
  constexpr double kLoudShare = 0.75;
  const std::size_t m = burst.num_tiles();
  const bool between_sweeps = burst.sweep[c] != burst.sweep[c - 1];
  std::vector<double> beyond(m);
  std::vector<std::size_t> pair(m);
  for (std::size_t t = 0; t < m; ++t) {
    pair[t] = between_sweeps ? best_pair(burst, c, t) : by_frames.at(c - 1, c);
    if (pair[t] < burst.pairs.size())
      beyond[t] = beyond_usual(burst, by_frames, pair[t], c, t, rule.power);
  }
  std::vector<bool> taken(m);
  std::vector<Place> places;
  for (std::size_t t = 0; t < m; ++t) {
    if (taken[t] || beyond[t] < rule.sign) continue;
    Place place{.c = c};
    place.tiles = connected_from(
        burst, t, taken, [&](std::size_t, std::size_t o) { return beyond[o] >= rule.grow; });
    if (place.tiles.size() < kFewestTiles) continue;
    std::vector<double> all;
    for (const std::size_t o : place.tiles) {
      all.push_back(beyond[o]);
      place.pairs.push_back(pair[o]);
    }
    place.loud = quantile_in_place(all, kLoudShare);
    if (place.loud >= rule.loud) places.push_back(std::move(place));
  }
  return places;
}

std::vector<Place> find_places(const TileFields& burst, const PlaceRule& rule,
                               const ForEach& for_each) {
  const std::size_t n = burst.num_frames();
  const PairsByFrames by_frames(burst);
  std::vector<std::vector<Place>> places(n);
  for_each(n, [&](std::size_t c) {
    if (c > 0) places[c] = places_at(burst, by_frames, c, rule);
  });
  std::vector<Place> all;
  for (std::vector<Place>& at : places) std::ranges::move(at, std::back_inserter(all));
  return all;
}

/// The pair that is the best of most tiles; the number of pairs where there is none.
std::size_t pair_of(const TileFields& burst, std::span<const std::size_t> pairs) {
  std::map<std::size_t, std::size_t> votes;
  for (const std::size_t p : pairs)
    if (p < burst.pairs.size()) ++votes[p];
  if (votes.empty()) return burst.pairs.size();
  return std::ranges::max_element(votes, {}, [](const auto& v) { return v.second; })->first;
}

/// In that pair, at the level of most tiles.
PartShift shift_of(const TileFields& burst, std::span<const std::size_t> tiles,
                   std::span<const std::size_t> pairs) {
  const std::size_t pair = pair_of(burst, pairs);
  if (pair >= burst.pairs.size()) return {};
  std::vector<double> levels;
  for (const std::size_t t : tiles)
    if (burst.fields[pair][t].known) levels.push_back(burst.fields[pair][t].level);
  const auto level = static_cast<int>(quantile_in_place(levels, 0.5));
  return find_part_shift(burst.frames, std::array{burst.pairs[pair]}, burst.tiles, tiles, level,
                         burst.px);
}

constexpr double kLeastExplained = 0.45;  // half is what a part off its old place explains

std::vector<std::size_t> with_neighbours(const TileFields& burst,
                                         const std::vector<std::size_t>& tiles) {
  std::vector<bool> taken(burst.num_tiles());
  std::vector<std::size_t> all;
  for (const std::size_t t : tiles)
    for_neighbours(burst, t, 1, [&](std::size_t o) {
      if (!taken[o]) all.push_back(o);
      taken[o] = true;
    });
  return all;
}

/// How far it trembles before the ground that windows of tiles see, too: twice the sd of its
/// places. 0: it cannot be told from the ground.
/// @param around  its tiles and their neighbours
double tremor_before_ground(const TileFields& burst, const Found& part,
                            const std::vector<std::size_t>& around) {
  std::vector<TremorStep> steps = part.steps;
  std::vector<double> ratios;
  std::vector<bool> told(steps.size());
  for (std::size_t i = 0; i < steps.size(); ++i) {
    const PartShift shift =
        shift_of(burst, around, std::vector<std::size_t>(around.size(), steps[i].pair));
    told[i] = shift.explained >= kLeastExplained;
    if (!told[i]) continue;
    ratios.push_back(shift.shift_px / std::max(1e-9, std::abs(steps[i].px)));
    steps[i].px = std::copysign(shift.shift_px, steps[i].px);
  }
  if (ratios.empty()) return 0.0;
  // Where it hardly moved, its tiles tell.
  const double ratio = std::max(1.0, quantile_in_place(ratios, 0.5));
  for (std::size_t i = 0; i < steps.size(); ++i)
    if (!told[i]) steps[i].px *= ratio;
  return 2.0 * scatter_px(steps);
}

}  // namespace

std::vector<Found> find_changed(const TileFields& burst, const ForEach& for_each) {
  constexpr double kLeastPx = 1.0;
  std::vector<Found> parts;
  const std::vector<Place> places = find_places(burst, {}, for_each);
  std::vector<PartShift> shifts(places.size());
  for_each(places.size(),
           [&](std::size_t i) { shifts[i] = shift_of(burst, places[i].tiles, places[i].pairs); });
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Place& place = places[i];
    const PartShift& part = shifts[i];
    if (part.explained < kLeastExplained || part.tiles.size() < kFewestTiles) continue;
    Found found{.kind = MoveKind::stays, .c = place.c, .tiles = part.tiles, .shift = part.shift};
    found.before_ground_px = part.shift_px;
    found.explained = part.explained;
    found.own = part.tiles;
    if (found.before_ground_px < kLeastPx * burst.px) continue;
    found.course.resize(burst.num_frames());
    std::fill(found.course.begin() + static_cast<std::ptrdiff_t>(place.c), found.course.end(), 1.0);
    constexpr double kErrorPx = 0.3;
    const double information = 1.0 / (kErrorPx * kErrorPx * burst.px * burst.px);
    found.information.assign(found.tiles.size(), {information, 0.0, information});
    parts.push_back(std::move(found));
  }
  return parts;
}

std::vector<UnexplainedPlace> find_unexplained(const TileFields& burst, const ForEach& for_each) {
  // Weak ones, too: px tell what went or came there, if anything. Found on open seeds: of 112 lost
  // drops 65 have such a place, with the rule for parts that moved 54; 11 of 134 static bursts do.
  constexpr PlaceRule kRule{.power = 2.0, .sign = 4.0, .grow = 2.5, .loud = 4.0};
  // What lay behind a drop may look like a part of it elsewhere: of 129 places of lost drops 4 are
  // explained by more than this, of 124 of parts that moved 54.
  constexpr double kMostExplained = 0.8;
  std::vector<Place> places = find_places(burst, kRule, for_each);
  std::vector<double> explained(places.size());
  for_each(places.size(), [&](std::size_t i) {
    explained[i] = shift_of(burst, places[i].tiles, places[i].pairs).explained;
  });
  std::vector<UnexplainedPlace> unexplained;
  for (std::size_t i = 0; i < places.size(); ++i) {
    const std::size_t pair = pair_of(burst, places[i].pairs);
    if (pair >= burst.pairs.size() || explained[i] >= kMostExplained) continue;
    unexplained.push_back(
        {.c = places[i].c, .pair = burst.pairs[pair], .tiles = std::move(places[i].tiles)});
  }
  return unexplained;
}

void measure_before_ground(const TileFields& burst, Found& part) {
  if (part.kind == MoveKind::drifts) return;
  const std::vector<std::size_t> tiles = with_neighbours(burst, part.tiles);
  if (part.kind == MoveKind::to_and_fro) {
    part.before_ground_px = tremor_before_ground(burst, part, tiles);
    return;
  }
  std::vector<std::size_t> pairs;
  for (const std::size_t t : tiles) pairs.push_back(best_pair(burst, part.c, t));
  const PartShift again = shift_of(burst, tiles, pairs);
  if (again.explained < kLeastExplained) return;
  part.before_ground_px = again.shift_px;
  part.explained = again.explained;
  part.own = again.tiles;
}

}  // namespace ringsweep
