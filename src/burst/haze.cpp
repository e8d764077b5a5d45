#include "ringsweep/haze.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <vector>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr Index kLeastFrames = 3;                         // on either side of a step
constexpr Index kLeastGrowing = 6;                        // while it grows
constexpr double kLeastStep = 0.07, kLeastGrowth = 0.12;  // of the amplitude
constexpr double kSds = 8.0, kJump = 3.0;
// Contrast is read off a few tiles: less scatter than this is luck.
constexpr double kLeastScatter = 0.005;
// Of the drift along the sweep and of an offset at a jump, log energy: as kSds are asked of the
// change, this is an eighth of what passes for drift.
constexpr double kDriftSd = 0.075;

/// Contrast against the light, by frames that tell, and what else it may go with.
struct Readings {
  std::vector<std::size_t> frames;
  VectorXd contrast;
  MatrixXd by;                // offset, drift with the position and its square, one offset a jump
  std::vector<bool> at_jump;  // between the frame before and this one
};

Readings readings(const FocalPositions& focus, std::span<const double> log_light) {
  Readings result;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    const FocalPosition& frame = focus.frames[k];
    if (frame.usable && frame.q_px && frame.log_contrast && std::isfinite(log_light[k]))
      result.frames.push_back(k);
  }
  const auto n = static_cast<Index>(result.frames.size());
  if (n < 2 * kLeastFrames + 2) return result;
  VectorXd q(n);
  result.contrast.resize(n);
  for (Index i = 0; i < n; ++i) {
    const std::size_t k = result.frames[static_cast<std::size_t>(i)];
    q(i) = *focus.frames[k].q_px;
    result.contrast(i) = *focus.frames[k].log_contrast - 2.0 * log_light[k];
  }
  std::vector<double> steps_px;
  for (Index i = 1; i < n; ++i) steps_px.push_back(std::abs(q(i) - q(i - 1)));
  const double widest_px = kJump * quantile_in_place(steps_px, 0.5);
  std::vector<Index> jumps;
  result.at_jump.assign(result.frames.size(), false);
  for (Index i = 1; i < n; ++i) {
    if (std::abs(q(i) - q(i - 1)) <= widest_px) continue;
    result.at_jump[static_cast<std::size_t>(i)] = true;
    jumps.push_back(i);
  }
  const double range_px = std::max(1e-9, q.maxCoeff() - q.minCoeff());
  result.by = MatrixXd::Zero(n, 3 + static_cast<Index>(jumps.size()));
  result.by.col(0).setOnes();
  result.by.col(1) = (q.array() - q.mean()) / range_px;
  result.by.col(2) = 4.0 * result.by.col(1).array().square();
  for (std::size_t j = 0; j < jumps.size(); ++j)
    result.by.col(3 + static_cast<Index>(j)).tail(n - jumps[j]).setOnes();
  return result;
}

/// What a course of the change explains.
struct Change {
  double size = 0.0;     // log energy, at its full size
  double sd = 0.0;       // of it
  double squares = 0.0;  // left, drift and offsets counted against what they may be
};

/// How much less than so many readings by themselves these tell, from the correlation of each
/// with the next: their errors go along in a first-order chain (G. E. P. Box and G. M. Jenkins,
/// Time Series Analysis, from memory).
double variance_factor(const VectorXd& errors) {
  constexpr double kMost = 0.9;
  const Index n = errors.size();
  const double rho =
      std::clamp(errors.head(n - 1).dot(errors.tail(n - 1)) / std::max(1e-12, errors.squaredNorm()),
                 0.0, kMost);
  return (1.0 + rho) / (1.0 - rho);
}

/// @param course n, from 0 to 1
Change change_along(const Readings& readings, const VectorXd& course) {
  constexpr double kLeastVariance = kLeastScatter * kLeastScatter;
  const Index n = readings.contrast.size(), columns = readings.by.cols() + 1;
  MatrixXd by(n, columns);
  by << readings.by, course;
  Change change;
  // The scatter decides how freely the drift may be taken, and the other way round.
  double variance = kLeastVariance;
  for (int pass = 0; pass < 3; ++pass) {
    const double prior = variance / (kDriftSd * kDriftSd);
    MatrixXd normal = by.transpose() * by;
    normal.diagonal().segment(1, columns - 2).array() += prior;
    const Eigen::LDLT<MatrixXd> solver(normal);
    const VectorXd x = solver.solve(by.transpose() * readings.contrast);
    const VectorXd errors = readings.contrast - by * x;
    const double left = errors.squaredNorm() / static_cast<double>(std::max<Index>(1, n - 3));
    change.size = x(columns - 1);
    change.squares = errors.squaredNorm() + prior * x.segment(1, columns - 2).squaredNorm();
    const double unit = solver.solve(VectorXd::Unit(columns, columns - 1))(columns - 1);
    const double together = std::max(1.0, left * variance_factor(errors) / variance);
    change.sd = std::sqrt(variance * together * unit);
    variance = std::max(kLeastVariance, left);
  }
  return change;
}

}  // namespace

std::optional<Haze> find_haze(const FocalPositions& focus, std::span<const double> log_light) {
  if (log_light.size() != focus.frames.size())
    throw std::invalid_argument("log_light needs one entry a frame");
  const Readings all = readings(focus, log_light);
  const Index n = all.contrast.size();
  std::optional<Haze> found;
  double least = std::numeric_limits<double>::max();
  /// Takes the change if nothing explained the contrast better.
  const auto consider = [&](Index from, bool grows) {
    VectorXd course = VectorXd::Zero(n);
    const Index count = n - from;
    if (grows) {
      course.tail(count) =
          VectorXd::LinSpaced(count, 1.0, static_cast<double>(count)) / static_cast<double>(count);
    } else {
      course.tail(count).setOnes();
    }
    const Change change = change_along(all, course);
    if (change.squares >= least) return;
    least = change.squares;
    found.reset();
    const std::size_t first = static_cast<std::size_t>(from);
    if (!grows && all.at_jump[first]) return;
    // Energy goes with the amplitude squared.
    const double lost = 1.0 - std::exp(0.5 * change.size);
    if (lost >= (grows ? kLeastGrowth : kLeastStep) && change.size < -kSds * change.sd)
      found = Haze{.first_frame = all.frames[first], .contrast_lost = lost, .grows = grows};
  };
  for (Index from = kLeastFrames; from + kLeastFrames <= n; ++from) consider(from, false);
  for (Index from = 0; n > 0 && from + kLeastGrowing <= n; ++from) consider(from, true);
  return found;
}

}  // namespace ringsweep
