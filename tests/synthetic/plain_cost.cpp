#include "synthetic/plain_cost.h"

#include <cmath>

namespace ringsweep::synthetic {
namespace {

constexpr double kCauchy = 2.3849;  // 95 % efficiency on a normal distribution (from memory)
constexpr int kRounds = 30;         // amplitudes and gains in turn: then the cost is good to 1e-5

double loss(double r) { return kCauchy * kCauchy * std::log(1.0 + r * r / (kCauchy * kCauchy)); }
double weight(double r) { return 1.0 / (1.0 + r * r / (kCauchy * kCauchy)); }

/// Log h, a straight line in d^2 from one known diameter to the next, and on past both ends.
double log_h(const std::vector<double>& diameter_px, const std::vector<float>& log_curve,
             double x) {
  std::size_t i = 1;
  while (i + 1 < diameter_px.size() && x > diameter_px[i] * diameter_px[i]) ++i;
  const double x0 = diameter_px[i - 1] * diameter_px[i - 1], x1 = diameter_px[i] * diameter_px[i];
  const double y0 = log_curve[i - 1], y1 = log_curve[i];
  return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
}

/// Blur at which the middle band's curve has fallen to this energy; the last diameter at most.
double blur_of_energy(const Profiles& profiles, const TileProfile& tile, double energy) {
  const double last = profiles.diameter_px.back();
  if (energy < 3.0 * tile.noise[1]) return last;
  const auto curve = [&](double d) {
    return std::exp(log_h(profiles.diameter_px, tile.log_curve[1], d * d));
  };
  double low = 0.0, high = last;
  if (energy >= 1.0) return low;
  if (energy < curve(last)) return last;
  for (int i = 0; i < 60; ++i) {
    const double middle = (low + high) / 2.0;
    (curve(middle) > energy ? low : high) = middle;
  }
  return low;
}

}  // namespace

PlainCost::PlainCost(const Profiles& profiles, const FitOptions& options,
                     const std::vector<double>& noise_factor)
    : profiles_(profiles), options_(options), sigma_(profiles.tiles.size()) {
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
    const TileProfile& tile = profiles.tiles[t];
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (std::size_t k = 0; k < profiles.num_frames; ++k) {
        // Far out of focus the model is believed less.
        const double reach =
            blur_of_energy(profiles, tile, tile.energy[1][k]) / options.max_blur_px;
        const double model_error =
            options.model_error * noise_factor[t] * std::sqrt(1.0 + std::pow(reach, 4));
        sigma_[t][j].push_back(std::hypot(model_error, tile.noise[j]));
      }
  }
}

double PlainCost::model(std::size_t t, std::size_t j, std::size_t k,
                        const std::vector<double>& q_px, const std::vector<double>& u_px) const {
  const TileProfile& tile = profiles_.tiles[t];
  const double d = q_px[k] - u_px[t], d0 = q_px[tile.peak_frame] - u_px[t];
  double x = d * d - d0 * d0;
  // Two discs one upon the other are no disc.
  const double t_px2 = 30.0 * std::pow(profiles_.full_px_per_px, 2.0);
  if (x > 0.0) x += options_.disc_on_disc * d0 * d0 * x / (x + t_px2);
  return std::exp(log_h(profiles_.diameter_px, tile.log_curve[j], x));
}

double PlainCost::at(const std::vector<double>& q_px, const std::vector<double>& u_px,
                     const Others& others) const {
  double cost = 0.0;
  for (const double gain : others.log_gain)
    cost += gain * gain / (options_.gain_sd * options_.gain_sd);
  for (std::size_t t = 0; t < profiles_.tiles.size(); ++t)
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const double a = others.amplitude[t][j];
      cost += (a - 1.0) * (a - 1.0) / (options_.amplitude_sd * options_.amplitude_sd);
      for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
        const double energy = profiles_.tiles[t].energy[j][k];
        if (energy < 0.0) continue;
        const double gain = others.log_gain[k] - others.log_gain[profiles_.tiles[t].peak_frame];
        const double expected = a * std::exp(gain) * model(t, j, k, q_px, u_px);
        cost += loss((energy - expected) / sigma_[t][j][k]);
      }
    }
  return cost;
}

PlainCost::Others PlainCost::best_others(const std::vector<double>& q_px,
                                         const std::vector<double>& u_px) const {
  const std::size_t n = profiles_.num_frames, m = profiles_.tiles.size();
  Others others;
  others.log_gain.assign(n, 0.0);
  others.amplitude.resize(m);
  for (auto& amplitude : others.amplitude) amplitude.fill(1.0);
  std::vector<double> h;
  for (std::size_t t = 0; t < m; ++t)
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (std::size_t k = 0; k < n; ++k) h.push_back(model(t, j, k, q_px, u_px));
  const auto h_at = [&](std::size_t t, std::size_t j, std::size_t k) {
    return h[(t * kNumBands + j) * n + k];
  };
  // A tile's units are those of its sharpest frame, with that frame's gain in them.
  const auto factor = [&](std::size_t t, std::size_t k) {
    return std::exp(others.log_gain[k] - others.log_gain[profiles_.tiles[t].peak_frame]);
  };
  for (int round = 0; round < kRounds; ++round) {
    // Each amplitude, the rest held: reweighted least squares; then each gain: one Gauss step.
    for (std::size_t t = 0; t < m; ++t)
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const double prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
        double top = prior, bottom = prior;
        for (std::size_t k = 0; k < n; ++k) {
          const double energy = profiles_.tiles[t].energy[j][k];
          if (energy < 0.0) continue;
          const double by_a = factor(t, k) * h_at(t, j, k) / sigma_[t][j][k];
          const double seen = energy / sigma_[t][j][k];
          const double w = weight(seen - others.amplitude[t][j] * by_a);
          top += w * by_a * seen, bottom += w * by_a * by_a;
        }
        others.amplitude[t][j] = top / bottom;
      }
    for (std::size_t k = 0; k < n; ++k) {
      const double prior = 1.0 / (options_.gain_sd * options_.gain_sd);
      double top = -prior * others.log_gain[k], bottom = prior;
      for (std::size_t t = 0; t < m; ++t) {
        const std::size_t peak = profiles_.tiles[t].peak_frame;
        for (std::size_t l = 0; l < n; ++l) {
          if ((l == k) == (peak == k)) continue;  // neither, or it cancels
          for (std::size_t j = 0; j < kNumBands; ++j) {
            const double energy = profiles_.tiles[t].energy[j][l];
            if (energy < 0.0) continue;
            const double expected =
                others.amplitude[t][j] * factor(t, l) * h_at(t, j, l) / sigma_[t][j][l];
            const double r = energy / sigma_[t][j][l] - expected;
            top += weight(r) * (l == k ? expected : -expected) * r;
            bottom += weight(r) * expected * expected;
          }
        }
      }
      others.log_gain[k] += top / bottom;
    }
  }
  return others;
}

}  // namespace ringsweep::synthetic
