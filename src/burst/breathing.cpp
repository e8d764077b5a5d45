#include "burst/breathing.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <vector>

#include "numerics/cauchy.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;

constexpr double kLeastScaleSd = 2e-5;  // registration does no better: bench/frame

std::vector<Index> used_frames(const std::vector<bool>& use) {
  std::vector<Index> frames;
  for (std::size_t k = 0; k < use.size(); ++k)
    if (use[k]) frames.push_back(static_cast<Index>(k));
  return frames;
}

}  // namespace

BreathingLine fit_breathing(const Eigen::VectorXd& q, const Eigen::VectorXd& scale,
                            const std::vector<bool>& use, double least_sd_px) {
  const std::vector<Index> frames = used_frames(use);
  std::vector<double> slopes, rest;
  for (std::size_t i = 1; i < frames.size(); ++i)
    for (std::size_t j = 0; j < i; ++j) {
      const double dq = q(frames[i]) - q(frames[j]);
      if (std::abs(dq) > 2.0 * least_sd_px)
        slopes.push_back((scale(frames[i]) - scale(frames[j])) / dq);
    }
  BreathingLine line{.slope = quantile_in_place(slopes, 0.5)};
  for (const Index k : frames) rest.push_back(scale(k) - line.slope * q(k));
  line.offset = quantile_in_place(rest, 0.5);
  for (double& r : rest) r = std::abs(r - line.offset);  // order is lost, only the spread counts
  line.sd = std::max(
      {1.4826 * quantile_in_place(rest, 0.5), least_sd_px * std::abs(line.slope), kLeastScaleSd});
  return refit_breathing(line, q, scale, use);
}

BreathingLine refit_breathing(BreathingLine line, const Eigen::VectorXd& q,
                              const Eigen::VectorXd& scale, const std::vector<bool>& use) {
  const std::vector<Index> frames = used_frames(use);
  if (frames.size() < 3) return line;
  for (int pass = 0; pass < 5; ++pass) {
    double s1 = 0.0, sq = 0.0, sqq = 0.0, ss = 0.0, sqs = 0.0;
    for (const Index k : frames) {
      const double w = cauchy_weight((scale(k) - line.offset - line.slope * q(k)) / line.sd);
      s1 += w, sq += w * q(k), sqq += w * q(k) * q(k);
      ss += w * scale(k), sqs += w * q(k) * scale(k);
    }
    const double determinant = s1 * sqq - sq * sq;
    if (determinant <= 1e-9 * s1 * sqq) return line;  // all at one place: no slope to be had
    line.slope = (s1 * sqs - sq * ss) / determinant;
    line.offset = (ss - line.slope * sq) / s1;
  }
  return line;
}

ScaleObjections compare_with_scale(const Eigen::VectorXd& q, const Eigen::VectorXd& sd,
                                   const Eigen::VectorXd& scale, const std::vector<bool>& use) {
  constexpr double kDrift = 5e-4;
  constexpr std::size_t kLeastFrames = 6;
  ScaleObjections result;
  result.frames.resize(use.size());
  const std::vector<Index> frames = used_frames(use);
  if (frames.size() < kLeastFrames) return result;
  const auto n = static_cast<Index>(frames.size());
  Eigen::VectorXd at(n), y(n);
  for (Index i = 0; i < n; ++i) {
    const Index k = frames[static_cast<std::size_t>(i)];
    at(i) = q(k), y(i) = scale(k);
  }
  at.array() -= at.mean();
  const double reach = std::max(1e-9, at.cwiseAbs().maxCoeff());
  Eigen::MatrixX3d x(n, 3);
  x.col(0).setOnes();
  x.col(1) = at / reach;
  x.col(2) = x.col(1).array().square();
  Eigen::VectorXd weight = Eigen::VectorXd::Ones(n), rest = y;
  Eigen::Vector3d curve = Eigen::Vector3d::Zero();
  for (int pass = 0; pass < 20; ++pass) {
    const Eigen::MatrixX3d wx = weight.asDiagonal() * x;
    curve = (x.transpose() * wx).ldlt().solve(wx.transpose() * y);
    rest = y - x * curve;
    std::vector<double> size(rest.begin(), rest.end());
    for (double& r : size) r = std::abs(r);
    const double spread = std::max(1.4826 * quantile_in_place(size, 0.5), kLeastScaleSd);
    for (Index i = 0; i < n; ++i) weight(i) = cauchy_weight(rest(i) / spread);
  }
  const double slope = curve(1) / reach;
  if (!(std::abs(slope) > 0.0)) return result;
  double own = 0.0, with_next = 0.0;
  for (Index i = 0; i < n; ++i) {
    const Index k = frames[static_cast<std::size_t>(i)];
    result.frames[static_cast<std::size_t>(k)] = ScaleObjections::Objection{
        .off_px = rest(i) / slope, .sd_px = std::hypot(sd(k), kDrift / slope)};
    own += rest(i) * rest(i);
    if (i > 0) with_next += rest(i) * rest(i - 1);
  }
  std::vector<Index> by_position = frames;
  std::ranges::stable_sort(by_position, {}, [&](Index k) { return q(k); });
  std::vector<double> sds;
  for (std::size_t i = 1; i < by_position.size(); ++i) {
    const auto& low = *result.frames[static_cast<std::size_t>(by_position[i - 1])];
    const auto& high = *result.frames[static_cast<std::size_t>(by_position[i])];
    sds.push_back(std::abs(high.off_px - low.off_px) / std::hypot(high.sd_px, low.sd_px));
  }
  result.sds = quantile_in_place(sds, 0.75);
  result.serial = own > 0.0 ? with_next / own : 0.0;
  return result;
}

}  // namespace ringsweep
