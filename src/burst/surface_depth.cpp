#include "burst/surface_depth.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

struct Sample {
  cv::Vec3d place;  ///< 1, x, y in tiles from where it is asked for
  double q_px = 0.0;
  double nearness = 0.0;
};

std::vector<Sample> samples_around(const cv::Mat& tile_q_px, int tile_px, cv::Point at) {
  constexpr int kReachTiles = 3;
  constexpr double kNearTiles = 1.5;  // bodies bend within more; common practice, no source
  const cv::Rect around = cv::Rect(at.x / tile_px - kReachTiles, at.y / tile_px - kReachTiles,
                                   2 * kReachTiles + 1, 2 * kReachTiles + 1) &
                          cv::Rect({}, tile_q_px.size());
  std::vector<Sample> samples;
  for (int row = around.y; row < around.br().y; ++row)
    for (int col = around.x; col < around.br().x; ++col) {
      const float q = tile_q_px.at<float>(row, col);
      if (std::isnan(q)) continue;
      const double x = col + 0.5 - static_cast<double>(at.x) / tile_px;
      const double y = row + 0.5 - static_cast<double>(at.y) / tile_px;
      samples.push_back({.place = {1.0, x, y},
                         .q_px = static_cast<double>(q),
                         .nearness = std::exp(-0.5 * (x * x + y * y) / (kNearTiles * kNearTiles))});
    }
  return samples;
}

/// Tukey's biweight of a residual in sigmas: another surface counts nothing (A. E. Beaton, J. W.
/// Tukey, Technometrics 16, 1974, from memory; 95 % efficiency on a normal distribution).
double tukey_weight(double residual) {
  constexpr double kTukey = 4.685;
  const double rest = 1.0 - std::pow(residual / kTukey, 2);
  return rest > 0.0 ? rest * rest : 0.0;
}

/// The depth that half of what is near lies beyond.
double middle_of(std::vector<Sample> samples) {
  std::ranges::sort(samples, {}, &Sample::q_px);
  double all = 0.0, sum = 0.0;
  for (const Sample& s : samples) all += s.nearness;
  for (const Sample& s : samples)
    if ((sum += s.nearness) >= 0.5 * all) return s.q_px;
  return samples.back().q_px;
}

}  // namespace

std::optional<double> surface_depth_px(const cv::Mat& tile_q_px, int tile_px, cv::Point at) {
  constexpr std::size_t kFewest = 3;
  constexpr int kRounds = 5;
  constexpr double kLeastScatterPx = 0.3;  // of tiles that are known well
  constexpr double kSlopeWeight = 0.1;     // tiles^2: few tiles on one side tell no slope
  constexpr double kMedianPerSd = 0.6745;  // of the sizes of normal values
  const std::vector<Sample> samples = samples_around(tile_q_px, tile_px, at);
  if (samples.size() < kFewest) return std::nullopt;
  cv::Vec3d plane(middle_of(samples), 0.0, 0.0);
  for (int round = 0; round < kRounds; ++round) {
    std::vector<double> misfits;
    for (const Sample& s : samples) misfits.push_back(std::abs(s.q_px - plane.dot(s.place)));
    const double scatter_px = std::max(kLeastScatterPx, quantile(misfits, 0.5) / kMedianPerSd);
    cv::Matx33d normal = cv::Matx33d::zeros();
    cv::Vec3d right;
    double weights = 0.0;
    for (std::size_t i = 0; i < samples.size(); ++i) {
      const Sample& s = samples[i];
      const double weight = s.nearness * tukey_weight(misfits[i] / scatter_px);
      normal += weight * s.place * s.place.t();
      right += weight * s.q_px * s.place;
      weights += weight;
    }
    normal(1, 1) += kSlopeWeight * weights;
    normal(2, 2) += kSlopeWeight * weights;
    plane = normal.solve(right, cv::DECOMP_CHOLESKY);
  }
  return plane[0];
}

}  // namespace ringsweep
