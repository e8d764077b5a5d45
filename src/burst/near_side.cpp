#include "ringsweep/near_side.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>
#include <utility>
#include <vector>

namespace ringsweep {
namespace {

bool strongly_apart(double a, double b, double strong) {
  return (a >= strong && b <= 1.0 - strong) || (b >= strong && a <= 1.0 - strong);
}

/// Phi, the normal distribution's share below x.
double normal_share(double x) { return 0.5 * std::erfc(-x / std::sqrt(2.0)); }

}  // namespace

NearSide weigh_near_side(const NearSideClues& clues, const NearSideOptions& options) {
  const auto sure = [&](double p) { return p >= options.strong || p <= 1.0 - options.strong; };
  NearSide side;
  if (clues.first_end) {
    side.from = NearSideSource::user;
    side.probability = (*clues.first_end == Side::far) == clues.first_sweep_rises ? 1.0 : 0.0;
  } else if (sure(clues.lens)) {
    side.from = NearSideSource::lens;
    side.probability = clues.lens;
  } else {
    if (sure(clues.picture)) side.from = NearSideSource::picture;
    side.probability = clues.picture;
    return side;
  }
  side.contradicted = strongly_apart(side.probability, clues.picture, options.strong);
  return side;
}

double lens_tells(const FocalPositions& focus, std::span<const double> log_scale,
                  Side larger_picture) {
  if (log_scale.size() != focus.frames.size())
    throw std::invalid_argument("log_scale must have one value a frame");
  double n = 0.0, sq = 0.0, ss = 0.0;
  std::vector<std::size_t> use;
  for (std::size_t k = 0; k < log_scale.size(); ++k) {
    if (!focus.frames[k].usable || !focus.frames[k].q_px) continue;
    use.push_back(k);
    n += 1.0, sq += *focus.frames[k].q_px, ss += log_scale[k];
  }
  if (use.size() < 4) return 0.5;
  double qq = 0.0, qs = 0.0, rest = 0.0;
  for (const std::size_t k : use) {
    const double q = *focus.frames[k].q_px - sq / n, s = log_scale[k] - ss / n;
    qq += q * q, qs += q * s;
  }
  if (!(qq > 0.0)) return 0.5;
  const double slope = qs / qq;
  for (const std::size_t k : use)
    rest += std::pow(log_scale[k] - ss / n - slope * (*focus.frames[k].q_px - sq / n), 2);
  // Sway and parallax change the scale too, for many frames together: four neighbours count as one,
  // and less than what registration errs by is no scatter. Ours, no source.
  constexpr double kLeastScaleSd = 1e-4, kTogether = 4.0;
  const double sd = std::max(std::sqrt(rest / (n - 2.0)), kLeastScaleSd);
  const double rises = normal_share(slope * std::sqrt(qq / kTogether) / sd);
  return larger_picture == Side::near ? rises : 1.0 - rises;
}

double edges_tell(std::span<const DepthEdge> edges) {
  // An edge tells only where a step is seen, and two steps are what is seen.
  constexpr double kLeastExplained = 0.9, kLeastContrast = 0.1, kMostOfOne = 1.0;
  constexpr int kPartPx = 48;
  // Of the logistic curve: the likeliest one on bursts of known truth, with room (bench/accuracy).
  constexpr double kSlope = 3.5;
  std::map<std::pair<int, int>, std::pair<double, double>> parts;  // sum, count
  for (const DepthEdge& edge : edges) {
    if (edge.explained < kLeastExplained || edge.contrast < kLeastContrast) continue;
    auto& [sum, count] = parts[{edge.at.y / kPartPx, edge.at.x / kPartPx}];
    sum += std::clamp(edge.higher_near, -kMostOfOne, kMostOfOne), count += 1.0;
  }
  double total = 0.0;
  for (const auto& [place, part] : parts) {
    const auto [sum, count] = part;
    total += sum / count * std::sqrt(count / (count + 3.0));
  }
  return 1.0 / (1.0 + std::exp(-kSlope * total));
}

FocalPositions grown_towards_near(FocalPositions focus, NearSide& side) {
  if (!side.known() || side.probability >= 0.5) return focus;
  side.probability = 1.0 - side.probability;
  for (FocalPosition& frame : focus.frames)
    if (frame.q_px) frame.q_px = -*frame.q_px;
  for (TilePosition& tile : focus.tiles) tile.q_px = -tile.q_px;
  return focus;  // the covariance is that of differences: both signs share it
}

}  // namespace ringsweep
