#include "burst/trembling.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <opencv2/core.hpp>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// The highest share of products in squares of n steps that is taken for turning back: where each
/// place is drawn anew it is -1/2 with an sd of 0.7 / sqrt(n) (M. S. Bartlett, J. Roy. Stat. Soc.
/// Suppl. 8, 1946, from memory), two of which are allowed; few steps tell little.
double turning_back_limit(std::size_t n) {
  constexpr double kFew = -0.2, kMost = -0.05;  // ours, no source
  constexpr std::size_t kFewSteps = 8;
  if (n < kFewSteps) return kFew;
  return std::clamp(-0.5 + 1.4 / std::sqrt(static_cast<double>(n)), kFew, kMost);
}

/// The frames after a movement, rising, of a tile that goes to and fro from one frame to the next;
/// none where it does not. Ours, no source: places drawn anew in each frame make steps that turn
/// back, each two in a row with a mean product of minus half of their mean square; a drift has plus
/// one, one jump none.
std::vector<std::size_t> tremor_moves(const TileFields& burst, std::size_t t, double bound) {
  constexpr std::size_t kFewest = 3;
  constexpr double kLeastPx = 0.35, kExplains = 0.6;
  std::vector<std::size_t> moves;
  double forms = 0.0, explained = 0.0, squares = 0.0, products = 0.0;
  cv::Vec2d last{};
  for (std::size_t p = 0; p < num_neighbours(burst); ++p) {
    const Seen& s = burst.fields[p][t];
    if (!s.known) {
      last = {};
      continue;
    }
    const double form = form_of(burst, p, t);
    if (form > bound && cv::norm(s.shift) > kLeastPx * burst.px) {
      moves.push_back(burst.pairs[p].second);
      forms += form;
      explained += form * (1.0 - std::min(1.0, s.after / std::max(1e-12, s.before)));
    }
    squares += s.shift.dot(s.shift);
    products += s.shift.dot(last);
    last = s.shift;
  }
  if (moves.size() < kFewest || explained < kExplains * forms ||
      products > turning_back_limit(moves.size()) * squares)
    return {};
  return moves;
}

/// The frame from which on it trembles: before it a move is as rare, after it as frequent as the
/// moves are likeliest with (two rates and one change: D. V. Hinkley, Biometrika 57, 1970, from
/// memory).
std::size_t begin_of(const std::vector<std::size_t>& moves, std::size_t n) {
  const auto log_likelihood = [](double yes, double all) {
    // One of each more: no rate is 0 or 1 for sure.
    const double rate = (yes + 1.0) / (all + 2.0);
    return yes * std::log(rate) + (all - yes) * std::log(1.0 - rate);
  };
  std::size_t best = moves.front();
  double most = -1e9;
  for (std::size_t i = 0; i < moves.size(); ++i) {
    const auto before = static_cast<double>(moves[i] - 1), yes = static_cast<double>(i);
    const double sum =
        log_likelihood(yes, before) + log_likelihood(static_cast<double>(moves.size()) - yes,
                                                     static_cast<double>(n - 1) - before);
    if (sum > most) most = sum, best = moves[i];
  }
  return best;
}

/// From the frame on at which it begins, in time.
std::vector<TremorStep> steps_of(const TileFields& burst, const Found& part) {
  std::vector<TremorStep> steps;
  std::vector<cv::Vec2d> shifts;
  cv::Matx22d squares = cv::Matx22d::zeros();
  for (std::size_t p = part.c - 1; p < num_neighbours(burst); ++p) {
    Information sum;
    cv::Vec2d pull{};
    std::vector<double> blur;
    for (const std::size_t t : part.tiles) {
      const Seen& s = burst.fields[p][t];
      if (!s.known) continue;
      sum.add(s.information);
      pull += s.information.times(s.shift);
      blur.push_back(std::max(blur_px(burst, p, t), blur_px(burst, p + 1, t)));
    }
    if (blur.empty()) continue;
    shifts.push_back(sum.solve(pull));
    squares += shifts.back() * shifts.back().t();
    steps.push_back({.pair = p, .blur_px = quantile_in_place(blur, 0.5)});
  }
  const double angle = 0.5 * std::atan2(2.0 * squares(0, 1), squares(0, 0) - squares(1, 1));
  const cv::Vec2d way(std::cos(angle), std::sin(angle));
  for (std::size_t i = 0; i < steps.size(); ++i) steps[i].px = shifts[i].dot(way);
  return steps;
}

/// Those in which it is sharp: far out of focus windows see more and more of what stands still.
std::vector<TremorStep> sharp_ones(std::vector<TremorStep> steps, double px) {
  constexpr double kSharpPx = 4.0;    // of blur, of px compared; ours, no source
  constexpr std::size_t kFewest = 6;  // else the sharpest
  constexpr std::size_t kMost = 24;   // each is costly to measure before its ground
  if (steps.empty()) return steps;
  std::vector<double> blur;
  for (const TremorStep& step : steps) blur.push_back(step.blur_px);
  std::ranges::sort(blur);
  const auto at = [&](std::size_t number) { return blur[std::min(number, blur.size()) - 1]; };
  const double limit = std::min(at(kMost), std::max(at(kFewest), kSharpPx * px));
  std::erase_if(steps, [&](const TremorStep& step) { return step.blur_px > limit; });
  return steps;
}

/// How a tile goes with steps.
struct Following {
  cv::Vec2d per_px{};
  Information information{};  ///< of per_px
  double form = 0.0;          ///< chi squared of that
  double all = 0.0;           ///< and of all that it did
};

Following following(const TileFields& burst, std::size_t t, const std::vector<TremorStep>& steps) {
  Following f;
  cv::Vec2d pull{};
  for (const TremorStep& step : steps) {
    const Seen& s = burst.fields[step.pair][t];
    if (!s.known) continue;
    f.information.add(s.information.times_factor(step.px * step.px));
    pull += step.px * s.information.times(s.shift);
    f.all += s.information.form(s.shift);
  }
  f.per_px = f.information.solve(pull);
  f.form = pull.dot(f.per_px);
  return f;
}

/// Adds to a part the tiles beside it that go with it, and says how far each of them trembles.
void follow(const TileFields& burst, Found& part, std::vector<bool>& taken, double bound) {
  constexpr double kExplains = 0.5;  // ours, no source
  part.steps = sharp_ones(steps_of(burst, part), burst.px);
  const double twice_sd_px = std::max(1e-9, 2.0 * scatter_px(part.steps));
  const auto add = [&](std::size_t t, const Following& f) {
    part.tiles.push_back(t);
    part.shift.push_back(twice_sd_px * f.per_px);
    part.information.push_back(f.information.times_factor(1.0 / (twice_sd_px * twice_sd_px)));
  };
  // One that none of the steps shows cannot say how far it went.
  for (const std::size_t t : std::exchange(part.tiles, {})) {
    const Following f = following(burst, t, part.steps);
    if (f.information.xx + f.information.yy > 0.0) add(t, f);
  }
  for (std::size_t i = 0; i < part.tiles.size(); ++i)
    for_neighbours(burst, part.tiles[i], 1, [&](std::size_t o) {
      if (taken[o]) return;
      const Following f = following(burst, o, part.steps);
      if (f.form < bound || f.form < kExplains * f.all) return;
      taken[o] = true;
      add(o, f);
    });
}

}  // namespace

double scatter_px(std::span<const TremorStep> steps) {
  double squares = 0.0, freedom = 0.0;
  std::vector<double> run;
  const auto end_run = [&] {
    double mean = 0.0;
    for (const double place : run) mean += place / static_cast<double>(run.size());
    for (const double place : run) squares += (place - mean) * (place - mean);
    if (!run.empty()) freedom += static_cast<double>(run.size() - 1);
  };
  for (std::size_t i = 0; i < steps.size(); ++i) {
    if (i == 0 || steps[i].pair != steps[i - 1].pair + 1) {
      end_run();
      run = {0.0};
    }
    run.push_back(run.back() + steps[i].px);
  }
  end_run();
  return std::sqrt(squares / std::max(1.0, freedom));
}

std::vector<Found> find_trembling(const TileFields& burst, const MovementOptions& options) {
  const std::size_t n = burst.num_frames(), m = burst.num_tiles();
  const double bound = bound_of(burst, options.false_alarm);
  std::vector<std::vector<std::size_t>> tremors(m);
  for (std::size_t t = 0; t < m; ++t) tremors[t] = tremor_moves(burst, t, bound);
  constexpr std::size_t kFewestToBegin = 2;
  std::vector<Found> parts;
  std::vector<bool> taken(m);
  for (std::size_t t = 0; t < m; ++t) {
    if (tremors[t].empty() || taken[t]) continue;
    Found part{.kind = MoveKind::to_and_fro};
    std::vector<std::size_t> votes(n);  // how many tiles moved before each frame
    part.tiles = connected_from(burst, t, taken,
                                [&](std::size_t, std::size_t o) { return !tremors[o].empty(); });
    for (const std::size_t here : part.tiles)
      for (const std::size_t k : tremors[here]) ++votes[k];
    if (part.tiles.size() < kFewestToBegin) continue;
    for (std::size_t k = 0; k < n; ++k)
      if (4 * votes[k] >= part.tiles.size()) part.moves.push_back(k);
    if (part.moves.empty()) continue;
    part.c = begin_of(part.moves, n);
    follow(burst, part, taken, bound);
    if (part.tiles.size() < kFewestTiles) continue;
    parts.push_back(std::move(part));
  }
  return parts;
}

}  // namespace ringsweep
