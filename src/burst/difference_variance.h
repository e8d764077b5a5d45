#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <cstddef>

#include "ringsweep/focal_positions.h"

namespace ringsweep {

/// Variance of the distance between two frames, px^2, scale error excluded: the errors of
/// neighbours are alike, and go out of it. 0 where the covariance does not hold them.
[[nodiscard]] inline double difference_variance_px2(const FocalPositions& focus, std::size_t a,
                                                    std::size_t b) {
  const Eigen::MatrixXd& c = focus.covariance_px2;
  const auto i = static_cast<Eigen::Index>(a), j = static_cast<Eigen::Index>(b);
  if (c.rows() <= std::max(i, j)) return 0.0;
  return std::max(0.0, c(i, i) + c(j, j) - 2.0 * c(i, j));
}

}  // namespace ringsweep
