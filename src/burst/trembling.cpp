#include "burst/trembling.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <opencv2/core.hpp>

namespace ringsweep {
namespace {

/// A tile that goes to and fro from one frame to the next.
struct Tremor {
  bool there = false;
  std::vector<std::size_t> moves{};  ///< frames after a movement, rising
  cv::Vec2d shift{};  ///< twice the sd of its place, along the way between its extremes
  Information information{};
};

/// Of places in runs, between which the way is not known.
class Scatter {
 public:
  void add(const cv::Vec2d& place) { run_.push_back(place); }
  void end_run() {
    cv::Vec2d mean{};
    for (const cv::Vec2d& place : run_) mean += place * (1.0 / static_cast<double>(run_.size()));
    for (const cv::Vec2d& place : run_) squares_ += (place - mean).dot(place - mean);
    if (!run_.empty()) freedom_ += static_cast<double>(run_.size() - 1);
    run_.clear();
  }
  /// About each run's own mean.
  [[nodiscard]] double sd() const { return std::sqrt(squares_ / std::max(1.0, freedom_)); }

 private:
  std::vector<cv::Vec2d> run_;
  double squares_ = 0.0, freedom_ = 0.0;
};

/// Ours, no source: places drawn anew in each frame make steps that turn back, each two in a row
/// with a mean product of minus half of their mean square; a drift has plus one, one jump none.
Tremor tremor_of(const TileFields& burst, std::size_t t, double bound) {
  constexpr std::size_t kFewest = 3;
  constexpr double kLeastPx = 0.35, kExplains = 0.6, kTurnsBack = -0.2;
  Tremor tremor;
  double forms = 0.0, explained = 0.0, squares = 0.0, products = 0.0;
  cv::Vec2d at{}, last{};
  std::vector<cv::Vec2d> places{at};
  Scatter scatter;  // since it began
  for (std::size_t p = 0; p < num_neighbours(burst); ++p) {
    const Seen& s = burst.fields[p][t];
    if (!s.known) {
      last = {};
      scatter.end_run();
      continue;
    }
    const double form = form_of(burst, p, t);
    tremor.information.add(s.information);
    if (form > bound && cv::norm(s.shift) > kLeastPx * burst.px) {
      if (tremor.moves.empty()) scatter.add(at);
      tremor.moves.push_back(burst.pairs[p].second);
      forms += form;
      explained += form * (1.0 - std::min(1.0, s.after / std::max(1e-12, s.before)));
    }
    squares += s.shift.dot(s.shift);
    products += s.shift.dot(last);
    last = s.shift;
    at += s.shift;
    places.push_back(at);
    if (!tremor.moves.empty()) scatter.add(at);
  }
  scatter.end_run();
  if (tremor.moves.size() < kFewest || explained < kExplains * forms ||
      products > kTurnsBack * squares)
    return {};
  double most = 0.0;
  for (const cv::Vec2d& a : places)
    for (const cv::Vec2d& b : places)
      if (cv::norm(b - a) > most) most = cv::norm(b - a), tremor.shift = b - a;
  tremor.shift *= 2.0 * scatter.sd() / most;
  tremor.there = true;
  return tremor;
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

}  // namespace

std::vector<Found> find_trembling(const TileFields& burst, const MovementOptions& options) {
  const std::size_t n = burst.num_frames(), m = burst.num_tiles();
  const double bound = bound_of(burst, options.false_alarm);
  std::vector<Tremor> tremors(m);
  for (std::size_t t = 0; t < m; ++t) tremors[t] = tremor_of(burst, t, bound);
  std::vector<Found> parts;
  std::vector<bool> taken(m);
  for (std::size_t t = 0; t < m; ++t) {
    if (!tremors[t].there || taken[t]) continue;
    Found part{.kind = MoveKind::to_and_fro};
    std::vector<std::size_t> votes(n);  // how many tiles moved before each frame
    part.tiles = connected_from(burst, t, taken,
                                [&](std::size_t, std::size_t o) { return tremors[o].there; });
    for (const std::size_t here : part.tiles) {
      part.shift.push_back(tremors[here].shift);
      part.information.push_back(tremors[here].information);
      for (const std::size_t k : tremors[here].moves) ++votes[k];
    }
    if (part.tiles.size() < kFewestTiles) continue;
    for (std::size_t k = 0; k < n; ++k)
      if (4 * votes[k] >= part.tiles.size()) part.moves.push_back(k);
    if (part.moves.empty()) continue;
    part.c = begin_of(part.moves, n);
    parts.push_back(std::move(part));
  }
  return parts;
}

}  // namespace ringsweep
