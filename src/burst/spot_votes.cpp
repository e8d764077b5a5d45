#include "burst/spot_votes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>

namespace ringsweep {
namespace {

// Ours, no source; found on the open seeds of the suite, see bench/accuracy.
constexpr double kHints = 0.3;      // log-likelihood ratio with which a frame counts at all
constexpr double kMostVotes = 4.0;  // what frames have in common they err by together

/// How blurred the frames from `first` to `last` are that say `sign` and show it best: of the
/// second of them, since one alone may err.
double sharpest_that_say(const Votes& votes, std::size_t first, std::size_t last, double sign) {
  std::array least{std::numeric_limits<double>::infinity(),
                   std::numeric_limits<double>::infinity()};
  for (std::size_t i = first; i < last; ++i)
    if (votes.weight[i] > 0.0 && sign * votes.gone[i] > kSays && votes.blur_px[i] < least[1]) {
      least[1] = votes.blur_px[i];
      if (least[1] < least[0]) std::swap(least[0], least[1]);
    }
  return least[1];
}

}  // namespace

double evidence(const Votes& votes, std::size_t first, std::size_t last, double sign) {
  constexpr double kOneInSix = 6.0;                  // may say the contrary
  constexpr double kFarWorse = 2.0, kWorsePx = 1.5;  // ours, no source
  const auto& [gone, weight, blur_px] = votes;
  const double wide_px = kFarWorse * sharpest_that_say(votes, first, last, sign) + kWorsePx;
  double sum = 0.0, weights = 0.0, against = 0.0;
  int count = 0;
  for (std::size_t i = first; i < last; ++i) {
    if (weight[i] == 0.0 || std::abs(gone[i]) < kHints) continue;
    if (sign * gone[i] < 0.0 && blur_px[i] > wide_px) continue;
    sum += sign * weight[i] * gone[i];
    weights += weight[i];
    ++count;
    if (sign * gone[i] < -kSays) against += weight[i];
  }
  if (count < 2 || kOneInSix * against > weights) return 0.0;
  return sum / weights * std::min<double>(count, kMostVotes);
}

Boundaries find_boundaries(const Votes& votes) {
  // What a second frame that says a little may outweigh, of the log-likelihood: ours, no source.
  constexpr double kHardlyWorse = 3.0;
  const auto& [gone, weight, blur_px] = votes;
  const std::size_t n = gone.size();
  std::vector<double> likelihood(n, 0.0);  // of each, but for what all have in common
  for (std::size_t e = n; e-- > 0;)
    likelihood[e] = (e + 1 < n ? likelihood[e + 1] : 0.0) + weight[e] * gone[e];
  Boundaries out;
  for (std::size_t e = 1; e < n; ++e)
    if (out.best == 0 || likelihood[e] > likelihood[out.best]) out.best = e;
  while (out.best > 1 && weight[out.best - 1] == 0.0) --out.best;
  if (out.best == 0 || weight[out.best - 1] == 0.0) return {};
  out.first = out.last = out.best;
  for (std::size_t e = 1; e < n; ++e) {
    if (likelihood[e] < likelihood[out.best] - kHardlyWorse) continue;
    out.first = std::min(out.first, e);
    out.last = std::max(out.last, e);
  }
  return out;
}

}  // namespace ringsweep
