#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

/// Variance of a frame's position against the mean of those about it, px^2: without what long steps
/// err by as a whole, scale error excluded. 0 where the covariance does not hold it.
[[nodiscard]] inline double scatter_variance_px2(const FocalPositions& focus, std::size_t frame) {
  const Eigen::MatrixXd& c = focus.covariance_px2;
  const auto k = static_cast<Eigen::Index>(frame);
  return c.rows() > k ? std::max(0.0, c(k, k)) : 0.0;
}

/// Variance of the distance between two frames that their scatter makes, px^2, scale error
/// excluded: the errors of neighbours are alike, and go out of it. 0 where the covariance does not
/// hold them.
[[nodiscard]] inline double scatter_variance_px2(const FocalPositions& focus, std::size_t a,
                                                 std::size_t b) {
  const Eigen::MatrixXd& c = focus.covariance_px2;
  const auto i = static_cast<Eigen::Index>(a), j = static_cast<Eigen::Index>(b);
  if (c.rows() <= std::max(i, j)) return 0.0;
  return std::max(0.0, c(i, i) + c(j, j) - 2.0 * c(i, j));
}

/// The same with what the long steps between them err by as a whole.
[[nodiscard]] inline double difference_variance_px2(const FocalPositions& focus, std::size_t a,
                                                    std::size_t b) {
  const std::vector<double>& sums = focus.long_steps_px2;
  const double long_steps = sums.size() > std::max(a, b) ? std::abs(sums[a] - sums[b]) : 0.0;
  return scatter_variance_px2(focus, a, b) + long_steps;
}

}  // namespace ringsweep
