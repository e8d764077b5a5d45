#pragma once
/// The cost of fit_focal_positions once more, slow and obvious: no code of the fit's.
///
/// What the fit does not report (amplitudes, gains) is sought here, so that two sets of positions
/// can be held against each other.

#include <array>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep::synthetic {

class PlainCost {
 public:
  /// Amplitude of each tile and band, log gain of each frame.
  struct Others {
    std::vector<std::array<double, kNumBands>> amplitude;
    std::vector<double> log_gain;
  };

  /// @param noise_factor M, of the model error, one a tile.
  PlainCost(const Profiles& profiles, const FitOptions& options,
            const std::vector<double>& noise_factor);

  [[nodiscard]] double at(const std::vector<double>& q_px, const std::vector<double>& u_px,
                          const Others& others) const;
  /// Amplitudes and gains of the least cost at these positions.
  [[nodiscard]] Others best_others(const std::vector<double>& q_px,
                                   const std::vector<double>& u_px) const;

 private:
  [[nodiscard]] double model(std::size_t t, std::size_t j, std::size_t k,
                             const std::vector<double>& q_px,
                             const std::vector<double>& u_px) const;

  const Profiles& profiles_;
  FitOptions options_;
  std::vector<std::array<std::vector<double>, kNumBands>> sigma_;  // tile, band, frame
};

}  // namespace ringsweep::synthetic
