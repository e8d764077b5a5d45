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

double probability(double log_odds) { return 1.0 / (1.0 + std::exp(-log_odds)); }

/// No clue of the picture is surer than 1 - 1e-4: what it rests on may not hold at all.
double log_odds(double p) {
  constexpr double kLeast = 1e-4;
  const double held = std::clamp(p, kLeast, 1.0 - kLeast);
  return std::log(held / (1.0 - held));
}

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
  // Of the logistic curve, and how many edges of a part make half of what many would: one alone is
  // often the rim of something round. About the likeliest on bursts of known truth
  // (bench/accuracy), and no part alone tells.
  constexpr double kSlope = 5.2, kHalf = 6.0;
  std::map<std::pair<int, int>, std::pair<double, double>> parts;  // sum, count
  for (const DepthEdge& edge : edges) {
    if (edge.explained < kLeastExplained || edge.contrast < kLeastContrast) continue;
    auto& [sum, count] = parts[{edge.at.y / kPartPx, edge.at.x / kPartPx}];
    sum += std::clamp(edge.higher_near, -kMostOfOne, kMostOfOne), count += 1.0;
  }
  double total = 0.0;
  for (const auto& [place, part] : parts) {
    const auto [sum, count] = part;
    total += sum / (count + kHalf);
  }
  return probability(kSlope * total);
}

double background_tells(std::span<const BackgroundPart> parts) {
  // What sways all parts alike is not seen in their scatter: changing haze, stray light, fall-off.
  // It is taken to be 5 % of a squared contrast. Ours, no source.
  constexpr double kCommonSd = 0.05, kMostOfOne = 2.0;
  constexpr std::size_t kFewestParts = 6;  // fewer know little of their own scatter
  if (parts.size() < kFewestParts) return 0.5;
  const auto n = static_cast<double>(parts.size());
  const auto gain = [&](const BackgroundPart& part) {
    return std::clamp(part.gain, -kMostOfOne, kMostOfOne);
  };
  double mean = 0.0, variance = 0.0;
  for (const BackgroundPart& part : parts) mean += gain(part) / n;
  for (const BackgroundPart& part : parts)
    variance += std::pow(gain(part) - mean, 2) / (n * (n - 1.0));
  // The far end is the one of the lower positions where contrast falls with them. The logistic
  // curve of this slope is the normal distribution's to within 0.01, and less sure of its tails.
  constexpr double kNormalSlope = 1.702;
  return probability(-kNormalSlope * mean / std::sqrt(variance + kCommonSd * kCommonSd));
}

double picture_tells(std::span<const DepthEdge> edges, std::span<const BackgroundPart> background) {
  return probability(log_odds(edges_tell(edges)) + log_odds(background_tells(background)));
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
