#include "burst/fit_state.h"

#include <algorithm>
#include <limits>

namespace ringsweep {

using Eigen::Index;

FitInput::FitInput(const Profiles& profiles_in, const std::vector<bool>& use_in,
                   std::span<const double> log_scale, const FitOptions& options_in,
                   const ForEach& for_each_in)
    : profiles(profiles_in),
      options(options_in),
      for_each(for_each_in),
      curves(profiles_in),
      discs(profiles_in.full_px_per_px, options_in.disc_on_disc),
      num_frames(profiles_in.num_frames),
      use(use_in),
      scale(
          Eigen::Map<const Eigen::VectorXd>(log_scale.data(), static_cast<Index>(log_scale.size()))
              .array()
              .exp()),
      vagueness(profiles_in.tiles.size(), std::vector<float>(num_frames, 1.0F)) {
  for_each(kChunks, [&](std::size_t chunk) {
    for (std::size_t t = chunk; t < vagueness.size(); t += kChunks)
      for (std::size_t k = 0; k < num_frames; ++k) {
        const double reach =
            blur_read_px(t, k).value_or(profiles.diameter_px.back()) / options.max_blur_px;
        vagueness[t][k] = vagueness_at(reach);
      }
  });
}

std::optional<double> FitInput::blur_read_px(std::size_t t, std::size_t k) const {
  constexpr std::size_t kBand = 1;
  const TileProfile& tile = profiles.tiles[t];
  if (tile.energy[kBand][k] < 3.0 * tile.noise[kBand]) return std::nullopt;
  return curves.blur_px(tile, kBand, tile.energy[kBand][k]);
}

bool FitInput::has_fine_texture(std::size_t t) const {
  constexpr double kTrialPx = 6.0, kLeft = 0.8;
  const double d = kTrialPx * profiles.full_px_per_px;
  return curves.at(profiles.tiles[t], 1, d * d).value < kLeft;
}

std::vector<std::size_t> every_nth(std::span<const std::size_t> tiles, std::size_t most) {
  std::vector<std::size_t> some;
  const std::size_t stride = std::max<std::size_t>(1, tiles.size() / most);
  for (std::size_t i = 0; i < tiles.size(); i += stride) some.push_back(tiles[i]);
  return some;
}

std::pair<double, double> range_of_frames(const FitInput& input, const FitState& state) {
  double low = std::numeric_limits<double>::max(), high = std::numeric_limits<double>::lowest();
  for (std::size_t k = 0; k < input.num_frames; ++k) {
    if (!input.use[k]) continue;
    low = std::min(low, state.q(static_cast<Index>(k)));
    high = std::max(high, state.q(static_cast<Index>(k)));
  }
  return {low, high};
}

}  // namespace ringsweep
