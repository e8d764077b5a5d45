#pragma once
/// What it would cost to have a frame elsewhere, the tiles and the other frames held.

#include <Eigen/Core>
#include <cstddef>
#include <span>
#include <vector>

#include "burst/fit_state.h"

namespace ringsweep {

/// What tiles would show at a row of trial positions, once for all frames that are not shaken.
class FrameSearch {
 public:
  /// @param tiles these speak. The trial positions lie `step_px` apart, from `low_px` to `high_px`.
  FrameSearch(const FitInput& input, const FitState& state, std::span<const std::size_t> tiles,
              double low_px, double high_px, double step_px);

  [[nodiscard]] const Eigen::ArrayXd& trials_px() const { return trials_; }

  /// Cost of the frame at each trial position.
  [[nodiscard]] Eigen::ArrayXd costs(std::size_t frame) const;
  /// Cost of the frame where it is.
  [[nodiscard]] double cost_here(std::size_t frame) const;

 private:
  void predict(std::size_t t, double shake_px2, std::vector<PlaceOnCurves>& places,
               Eigen::Ref<Eigen::ArrayXXf> predicted) const;

  const FitInput& input_;
  const FitState& state_;
  std::span<const std::size_t> tiles_;
  Eigen::ArrayXd trials_;      // G
  Eigen::ArrayXXf predicted_;  // G x (tile, band), for a frame without gain
};

}  // namespace ringsweep
