#include "ringsweep/near_side.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>
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

/// A straight line through contrasts over positions.
struct Line {
  double slope = 0.0;   ///< per px
  double spread = 0.0;  ///< sum of squares of the positions about their mean, px^2
};

/// Of runs of frames, as many as `runs`, all with one slope and each with a level of its own.
Line fit_line(std::span<const double> q_px, std::span<const double> contrast, std::size_t runs) {
  Line line;
  double both = 0.0;
  for (std::size_t run = 0; run < runs; ++run) {
    const std::size_t begin = run * q_px.size() / runs, end = (run + 1) * q_px.size() / runs;
    const auto n = static_cast<double>(end - begin);
    double q_mean = 0.0, mean = 0.0;
    for (std::size_t i = begin; i < end; ++i) q_mean += q_px[i] / n, mean += contrast[i] / n;
    for (std::size_t i = begin; i < end; ++i) {
      line.spread += std::pow(q_px[i] - q_mean, 2);
      both += (q_px[i] - q_mean) * (contrast[i] - mean);
    }
  }
  if (line.spread > 0.0) line.slope = both / line.spread;
  return line;
}

/// Variance of a line's slope where neighbouring frames err together: products of residuals up to a
/// quarter of the sweep apart count too. Newey and West (1987), A simple, positive semi-definite,
/// heteroskedasticity and autocorrelation consistent covariance matrix; n over n - 2 as the line
/// has two unknowns.
double variance_of_errors_together(std::span<const double> q_px, std::span<const double> contrast,
                                   const Line& line) {
  const std::size_t n = q_px.size(), most_apart = std::max<std::size_t>(1, n / 4);
  const double q_mean = std::reduce(q_px.begin(), q_px.end()) / static_cast<double>(n);
  const double mean = std::reduce(contrast.begin(), contrast.end()) / static_cast<double>(n);
  std::vector<double> adds(n);  // to the slope
  for (std::size_t i = 0; i < n; ++i) {
    const double q = q_px[i] - q_mean;
    adds[i] = q / line.spread * (contrast[i] - mean - line.slope * q);
  }
  double variance = 0.0;
  for (std::size_t apart = 0; apart <= most_apart; ++apart) {
    const double weight = 1.0 - static_cast<double>(apart) / static_cast<double>(most_apart + 1);
    for (std::size_t i = apart; i < n; ++i)
      variance += (apart > 0 ? 2.0 : 1.0) * weight * adds[i] * adds[i - apart];
  }
  return std::max(variance, 0.0) * static_cast<double>(n) / static_cast<double>(n - 2);
}

/// Variance of a line's slope by how far it is from the slope within halves or thirds of the sweep:
/// what comes or goes once, as a blade that leaves, is a line over the whole and none within. Were
/// both slopes of one line, the square of their difference would be the difference of their
/// variances on average: Hausman (1978), Specification tests in econometrics. The larger counts.
double variance_of_misfit(std::span<const double> q_px, std::span<const double> contrast,
                          const Line& line) {
  double largest = 0.0;
  for (const std::size_t runs : {std::size_t{2}, std::size_t{3}}) {
    const Line within = fit_line(q_px, contrast, runs);
    if (within.spread > 0.0 && within.spread < line.spread)
      largest = std::max(
          largest, std::pow(within.slope - line.slope, 2) / (line.spread / within.spread - 1.0));
  }
  return largest;
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
  constexpr double kSlope = 4.7, kHalf = 6.0;
  // Where texture is seen across the contour its owner hides nothing: hairs before a body. Half as
  // much counts an edge at this share. Ours, no source: of 45 ray-traced bursts of seven scenes,
  // hairy ones among them, two were surely wrong without it (0.9998), none is with it.
  constexpr double kAcross = 0.3;
  std::map<std::pair<int, int>, std::pair<double, double>> parts;  // sum, count
  for (const DepthEdge& edge : edges) {
    if (edge.explained < kLeastExplained || edge.contrast < kLeastContrast) continue;
    auto& [sum, count] = parts[{edge.at.y / kPartPx, edge.at.x / kPartPx}];
    const double weight = 1.0 / (1.0 + std::pow(std::max(0.0, edge.seen_across) / kAcross, 2));
    sum += weight * std::clamp(edge.higher_near, -kMostOfOne, kMostOfOne), count += weight;
  }
  double total = 0.0;
  for (const auto& [place, part] : parts) {
    const auto [sum, count] = part;
    total += sum / (count + kHalf);
  }
  return probability(kSlope * total);
}

double background_tells(const Background& background) {
  // What sways all parts alike is not seen in their scatter, and where it goes with the positions,
  // as stray light and fall-off may, not in that of the frames: it is taken to be 5 % of a squared
  // contrast. Ours, no source.
  constexpr double kCommonSd = 0.05, kMostOfOne = 2.0;
  constexpr std::size_t kFewestParts = 6;  // fewer know little of their own scatter
  constexpr std::size_t kFewestFrames = 5;
  if (background.parts.size() < kFewestParts || background.q_px.size() < kFewestFrames) return 0.5;
  const auto n = static_cast<double>(background.parts.size());
  std::vector<double> middle_px(background.q_px.size() - 1), shared(middle_px.size(), 0.0);
  for (std::size_t i = 0; i < middle_px.size(); ++i)
    middle_px[i] = 0.5 * (background.q_px[i] + background.q_px[i + 1]);
  const double range_px = background.q_px.back() - background.q_px.front();
  std::vector<double> gains;  // from the lowest position to the highest
  for (const BackgroundPart& part : background.parts) {
    if (part.contrast.size() != middle_px.size())
      throw std::invalid_argument("a part must have one contrast for each two frames");
    gains.push_back(std::clamp(fit_line(middle_px, part.contrast, 1).slope * range_px, -kMostOfOne,
                               kMostOfOne));
    for (std::size_t i = 0; i < shared.size(); ++i) shared[i] += part.contrast[i] / n;
  }
  const Line line = fit_line(middle_px, shared, 1);
  if (!(line.spread > 0.0)) return 0.5;
  const double mean = std::reduce(gains.begin(), gains.end()) / n;
  double variance = range_px * range_px *
                        (variance_of_errors_together(middle_px, shared, line) +
                         variance_of_misfit(middle_px, shared, line)) +
                    kCommonSd * kCommonSd;
  for (const double gain : gains) variance += std::pow(gain - mean, 2) / (n * (n - 1.0));
  // Towards the far end contrast grows: where it falls with the positions they grow towards near.
  // The logistic curve of this slope is the normal distribution's to within 0.01, and less sure of
  // its tails.
  constexpr double kNormalSlope = 1.702;
  return probability(-kNormalSlope * mean / std::sqrt(variance));
}

double picture_tells(std::span<const DepthEdge> edges, const Background& background) {
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
