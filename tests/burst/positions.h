#pragma once
/// Positions of frames and tiles as given, for tests of what comes after the fit.

#include <vector>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

/// Usable frames at these positions, known exactly.
inline FocalPositions frames_at(const std::vector<double>& q_px) {
  FocalPositions focus;
  for (const double q : q_px)
    focus.frames.push_back({.q_px = q, .sd_px = 0.0, .usable = true, .shake_px = 0.0});
  const auto n = static_cast<Eigen::Index>(q_px.size());
  focus.covariance_px2 = Eigen::MatrixXd::Zero(n, n);
  focus.status = FitStatus::converged;
  return focus;
}

/// A frame that has no position.
inline void forget(FocalPositions& focus, std::size_t frame) { focus.frames[frame] = {}; }

inline std::vector<double> evenly(double low, double high, std::size_t count) {
  std::vector<double> values;
  for (std::size_t i = 0; i < count; ++i)
    values.push_back(low + (high - low) * static_cast<double>(i) / static_cast<double>(count - 1));
  return values;
}

}  // namespace ringsweep
