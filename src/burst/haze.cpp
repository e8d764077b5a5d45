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

std::optional<Haze> find_haze(const FocalPositions& focus, std::span<const double> log_scale) {
  if (log_scale.size() != focus.frames.size())
    throw std::invalid_argument("log_scale needs one entry a frame");
  constexpr Eigen::Index kLeastFrames = 3;
  constexpr double kLeastLost = 0.07, kSds = 8.0, kJump = 3.0;
  // Contrast is read off a few tiles: less scatter than this is luck.
  constexpr double kLeastScatter = 0.005;

  std::vector<std::size_t> frames;
  for (std::size_t k = 0; k < focus.frames.size(); ++k)
    if (focus.frames[k].usable && focus.frames[k].log_contrast) frames.push_back(k);
  const auto n = static_cast<Eigen::Index>(frames.size());
  if (n < 2 * kLeastFrames + 2) return std::nullopt;
  Eigen::VectorXd contrast(n);
  Eigen::MatrixX3d by(n, 3);  // offset, scale, step
  by.col(0).setOnes();
  for (Eigen::Index i = 0; i < n; ++i) {
    const std::size_t k = frames[static_cast<std::size_t>(i)];
    contrast(i) = *focus.frames[k].log_contrast;
    by(i, 1) = log_scale[k];
  }
  by.col(1).array() -= by.col(1).mean();

  const auto step_px = [&](Eigen::Index i) {
    const auto q = [&](Eigen::Index at) {
      return focus.frames[frames[static_cast<std::size_t>(at)]].q_px.value_or(0.0);
    };
    return std::abs(q(i) - q(i - 1));
  };
  std::vector<double> steps_px;
  for (Eigen::Index i = 1; i < n; ++i) steps_px.push_back(step_px(i));
  const double usual_px = quantile_in_place(steps_px, 0.5);

  std::optional<Haze> found;
  double least = std::numeric_limits<double>::max();
  for (Eigen::Index split = kLeastFrames; split + kLeastFrames <= n; ++split) {
    for (Eigen::Index i = 0; i < n; ++i) by(i, 2) = i < split ? 0.0 : 1.0;
    Eigen::Matrix3d normal = by.transpose() * by;
    normal(1, 1) += 1e-9;  // a lens that does not breathe leaves no slope to find
    const Eigen::LDLT<Eigen::Matrix3d> solver(normal);
    const Eigen::Vector3d x = solver.solve(by.transpose() * contrast);
    const double squares = (contrast - by * x).squaredNorm();
    if (squares >= least) continue;
    least = squares;
    found.reset();
    if (step_px(split) > kJump * usual_px) continue;
    const double scatter = std::max(kLeastScatter, std::sqrt(squares / static_cast<double>(n - 3)));
    const double sd = scatter * std::sqrt(solver.solve(Eigen::Vector3d::UnitZ())(2));
    const double lost = 1.0 - std::exp(0.5 * x(2));  // energy goes with the amplitude squared
    if (lost >= kLeastLost && x(2) < -kSds * sd)
      found = Haze{.first_frame = frames[static_cast<std::size_t>(split)], .contrast_lost = lost};
  }
  return found;
}

}  // namespace ringsweep
