#pragma once
/// What the parts of the joint fit share: what is given, and what is sought.

#include <Eigen/Core>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "burst/breathing.h"
#include "burst/tile_curves.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

using Amplitudes = std::array<double, kNumBands>;
inline constexpr double kLeastAmplitude = 0.3, kMostAmplitude = 3.0;

/// What is sought of a tile.
struct TileState {
  double u = 0.0;  ///< position, px
  Amplitudes amplitude{};
  double noise_factor = 1.0;  ///< of the model error
  bool placed = false;        ///< its profile says where it lies
};

/// What is sought.
struct FitState {
  Eigen::VectorXd q;     ///< N, px
  Eigen::VectorXd gain;  ///< N, log; a tile's mosaic has that of its sharpest frame
  /// N, px^2: blur that has nothing to do with depth (shake), as a disc of that squared diameter.
  Eigen::VectorXd shake_px2;
  BreathingLine breathing;
  std::vector<TileState> tiles;  ///< M

  /// Squared blur of frame k at `u`.
  [[nodiscard]] double blur_px2(std::size_t k, double u) const {
    const auto frame = static_cast<Eigen::Index>(k);
    return (q(frame) - u) * (q(frame) - u) + shake_px2(frame);
  }
  /// Squared blur that the mosaic has already, where tile t would stand in it at `u`.
  [[nodiscard]] double mosaic_px2(const Profiles& profiles, std::size_t t, double u) const {
    return blur_px2(profiles.tiles[t].peak_frame, u);
  }
  /// Factor of frame k's energies against the mosaic of tile t.
  [[nodiscard]] double gain_factor(const Profiles& profiles, std::size_t t, std::size_t k) const {
    const auto peak = static_cast<Eigen::Index>(profiles.tiles[t].peak_frame);
    return std::exp(gain(static_cast<Eigen::Index>(k)) - gain(peak));
  }
};

/// What is given. Does not change during a fit.
struct FitInput {
  /// @param log_scale N, of each frame's picture.
  FitInput(const Profiles& profiles_in, const std::vector<bool>& use_in,
           std::span<const double> log_scale, const FitOptions& options_in,
           const ForEach& for_each_in);

  const Profiles& profiles;
  const FitOptions& options;
  const ForEach& for_each;
  TileCurves curves;
  DiscOnDisc discs;
  std::size_t num_frames;
  std::vector<bool> use;  ///< N
  Eigen::VectorXd scale;  ///< N
  /// Far out of focus the model fails slowly: its error grows there, M x N. By the blur read off
  /// the tile, not by the fitted one, or pushing everything apart would explain everything.
  std::vector<std::vector<float>> vagueness;

  [[nodiscard]] bool counts(std::size_t t, std::size_t j, std::size_t k) const {
    return use[k] && profiles.tiles[t].energy[j][k] >= 0.0F;
  }
  /// 1 / sd of an energy.
  [[nodiscard]] double per_sigma(std::size_t t, std::size_t j, std::size_t k,
                                 double noise_factor) const {
    const double model = options.model_error * noise_factor * static_cast<double>(vagueness[t][k]);
    const double noise = profiles.tiles[t].noise[j];
    return 1.0 / std::sqrt(model * model + noise * noise);
  }
  /// Squared diameter of the disc that blurs the mosaic as far as that: where a curve is to be
  /// read.
  [[nodiscard]] double disc_px2(double blur_px2, double mosaic_px2) const {
    return discs.beyond(blur_px2 - mosaic_px2, mosaic_px2);
  }
  [[nodiscard]] PlaceOnCurves place(double blur_px2, double mosaic_px2) const {
    return curves.place(disc_px2(blur_px2, mosaic_px2));
  }
  /// Energies from this much blur on hardly count.
  [[nodiscard]] double reach_px() const { return kReach * options.max_blur_px; }
  /// Does the tile itself show that much blur in the frame?
  [[nodiscard]] bool far_out(std::size_t t, std::size_t k) const {
    return vagueness[t][k] > vagueness_at(kReach);
  }
  /// Blur of a tile in a frame, read off the tile's own curve; none where noise hides it.
  [[nodiscard]] std::optional<double> blur_read_px(std::size_t t, std::size_t k) const;
  /// A background that is blurred in all frames has a flat curve: a little more blur changes
  /// nothing, and so it says nothing about the frames.
  [[nodiscard]] bool has_fine_texture(std::size_t t) const;

 private:
  static constexpr double kReach = 1.5;  // of the largest blur that counts in full
  static float vagueness_at(double reach) {
    return static_cast<float>(std::sqrt(1.0 + reach * reach * reach * reach));
  }
};

/// Sums over tiles are made in this many parts, in the same order on any number of cores.
inline constexpr std::size_t kChunks = 16;

/// Parts of the picture: tiles of one err together, those of two do not.
inline constexpr int kPartRows = 6, kPartCols = 8;

/// Evenly spread over these, about as many as `most`, or all: every second, third, ... of them.
[[nodiscard]] std::vector<std::size_t> every_nth(std::span<const std::size_t> tiles,
                                                 std::size_t most);

/// Positions of the outermost frames in use.
[[nodiscard]] std::pair<double, double> range_of_frames(const FitInput& input,
                                                        const FitState& state);

}  // namespace ringsweep
