#include "synthetic/made_burst.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <random>
#include <stdexcept>

namespace ringsweep::synthetic {
namespace {

constexpr std::array<double, kNumBands> kFall{0.12, 0.06, 0.03};  // s per px^2, fine to coarse
constexpr int kPartRows = 6, kPartCols = 8;

/// Squared blur by which a tile with x0 goes beyond its mosaic where that is blurred by a disc of
/// squared diameter `disc`: the inverse of disc = x + share x0 x / (x + t), two discs being no
/// disc.
double beyond(double full_px_per_px, double share, double x0, double disc) {
  const double t = 30.0 * full_px_per_px * full_px_per_px;
  const double half = 0.5 * (t + share * x0 - disc);
  return std::sqrt(half * half + disc * t) - half;
}

double log_h(Fall fall, double s, double x) {
  return fall == Fall::gaussian ? -s * x : -2.0 * std::log1p(s * x / 2.0);
}

/// What a tile shows: one depth, or two halves with one each; either may change on the way.
struct Part {
  double share = 1.0;
  std::vector<double> u_px;  ///< N
  double sharpest_px = 0.0;  ///< d_p: blur in the frame that shows it best
};

std::mt19937 stream(unsigned seed, std::size_t a, std::size_t b) {
  std::seed_seq sequence{seed, static_cast<unsigned>(a), static_cast<unsigned>(b)};
  return std::mt19937(sequence);
}

double uniform(std::mt19937& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

double normal(std::mt19937& random) { return std::normal_distribution<double>()(random); }

bool inside_any(const std::vector<Range>& ranges, double u) {
  return std::ranges::any_of(ranges, [&](const Range& r) { return u > r.low_px && u < r.high_px; });
}

}  // namespace

MadeBurst make_burst(const std::vector<double>& q_px, const BurstOptions& options) {
  const std::size_t n = q_px.size();
  if (!options.log_gain.empty() && options.log_gain.size() != n)
    throw std::invalid_argument("log_gain needs one entry a frame");
  if (!options.shake_px2.empty() && options.shake_px2.size() != n)
    throw std::invalid_argument("shake_px2 needs one entry a frame");
  const auto shake = [&](std::size_t k) {
    return options.shake_px2.empty() ? 0.0 : options.shake_px2[k];
  };
  const auto defocus = [&](std::size_t k, double u_px) {
    return (options.aperture.empty() ? 1.0 : options.aperture[k]) * (q_px[k] - u_px);
  };
  MadeBurst made{.q_px = q_px, .log_gain = options.log_gain};
  made.log_gain.resize(n);
  double middle = 0.0;
  for (const double q : q_px) middle += q / static_cast<double>(n);
  for (std::size_t k = 0; k < n; ++k) {
    std::mt19937 random = stream(options.seed, k, 3);
    made.log_scale.push_back(std::log1p(options.breathing_per_px * (q_px[k] - middle)) +
                             options.scale_noise * normal(random));
  }
  Range subject{};
  if (options.subject)
    subject = *options.subject;
  else if (n > 0)
    subject = {std::ranges::min(q_px), std::ranges::max(q_px)};

  Profiles& p = made.profiles;
  p.num_frames = n;
  p.diameter_px = options.diameter_px;
  if (p.diameter_px.empty())
    p.diameter_px = {0.0, 0.7, 1.0, 1.5, 2.0, 2.5,  3.0,  3.5,  4.0,  4.5, 5.0,
                     6.0, 7.0, 8.0, 9.0, 10., 12.0, 14.0, 16.0, 20.0, 24.0};
  p.full_px_per_px = options.full_px_per_px;
  for (double& d : p.diameter_px) d *= p.full_px_per_px;
  const auto across =
      static_cast<int>(std::ceil(std::sqrt(1.5 * static_cast<double>(options.tiles))));
  const auto count = static_cast<int>(options.tiles);
  const int down = (count + across - 1) / std::max(1, across);
  p.grid.size = {across * p.grid.tile_px, down * p.grid.tile_px};

  for (std::size_t t = 0; t < options.tiles && n > 0; ++t) {
    std::mt19937 random = stream(options.seed, t, 0);
    TileProfile tile;
    tile.row = static_cast<int>(t) / across;
    tile.col = static_cast<int>(t) % across;
    tile.contrast = uniform(random, 20.0, 220.0);
    double u = 0.0;
    do {
      const double along = options.relief == Relief::scattered
                               ? uniform(random, 0.0, 1.0)
                               : (tile.col + uniform(random, 0.0, 1.0)) / across;
      u = subject.low_px + along * (subject.high_px - subject.low_px);
    } while (inside_any(options.no_subject, u) && options.relief == Relief::scattered);
    if (inside_any(options.no_subject, u)) continue;

    // One draw each, needed or not, so that an option changes only what it speaks of.
    const double texture = uniform(random, 0.7, 1.3), odd = uniform(random, 0.0, 1.0);
    const double jump_px = uniform(random, 3.0, 10.0) * (normal(random) < 0.0 ? -1.0 : 1.0);
    const double jump_at = uniform(random, 0.2, 0.8) * static_cast<double>(n);
    const double share = uniform(random, 0.35, 0.65);
    const double hidden_from = uniform(random, 0.0, 1.0) * static_cast<double>(n);
    const bool unseen = uniform(random, 0.0, 1.0) < options.unseen_share;
    const bool jumps = odd < options.jumping_share;
    const bool any_energy = !jumps && odd < options.jumping_share + options.random_share;
    const bool two = !jumps && !any_energy &&
                     odd < options.jumping_share + options.random_share + options.two_depth_share;

    std::vector<Part> parts{{.share = two ? share : 1.0, .u_px = std::vector<double>(n, u)}};
    if (two)
      parts.push_back(
          {.share = 1.0 - share, .u_px = std::vector<double>(n, u + options.two_depth_px)});
    if (jumps)
      for (std::size_t k = 0; k < n; ++k)
        if (static_cast<double>(k) >= jump_at) parts[0].u_px[k] += jump_px;
    const auto sees = [&](std::size_t k) {
      const double into = static_cast<double>(k) - hidden_from;
      return !(unseen && into >= 0.0 && into < 0.2 * static_cast<double>(n));
    };

    // What the frames show, in units of nothing yet.
    std::mt19937 errors = stream(options.seed, t, 1);
    const int part_of_picture =
        tile.row * kPartRows / std::max(1, down) * kPartCols + tile.col * kPartCols / across;
    std::mt19937 common = stream(options.seed, static_cast<std::size_t>(part_of_picture), 2);
    std::array<double, kNumBands> fall{};
    std::array<std::vector<double>, kNumBands> shown;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      fall[j] =
          kFall[j] * texture * uniform(random, 0.85, 1.15) / (p.full_px_per_px * p.full_px_per_px);
      for (std::size_t k = 0; k < n; ++k) {
        double energy = 0.0;
        for (const Part& part : parts) {
          const double d = defocus(k, part.u_px[k]);
          energy += part.share * std::exp(log_h(options.fall, fall[j], d * d + shake(k)));
        }
        if (any_energy) energy = uniform(random, 0.0, 1.0);
        shown[j].push_back(sees(k) ? energy * std::exp(made.log_gain[k]) : -1.0);
      }
      const double top = std::ranges::max(shown[j]);
      for (double& energy : shown[j]) {
        const double relative =
            options.scatter * normal(errors) + options.common_scatter * normal(common);
        const double absolute = options.noise * top * normal(errors);
        if (energy >= 0.0) energy = std::max(0.0, energy * (1.0 + relative) + absolute);
      }
    }

    // The mosaic shows the tile as its sharpest frame does, and each half of two as that half's.
    tile.peak_frame =
        static_cast<std::size_t>(std::ranges::max_element(shown[0]) - shown[0].begin());
    for (Part& part : parts) {
      part.sharpest_px = std::abs(defocus(tile.peak_frame, part.u_px[tile.peak_frame]));
      for (std::size_t k = 0; k < n && two; ++k)
        if (sees(k))
          part.sharpest_px = std::min(part.sharpest_px, std::abs(defocus(k, part.u_px[k])));
    }
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const auto mosaic_at = [&](double x) {
        double energy = 0.0;
        for (const Part& part : parts) {
          const double x0 = part.sharpest_px * part.sharpest_px + shake(tile.peak_frame);
          energy += part.share *
                    std::exp(log_h(options.fall, fall[j],
                                   x0 + beyond(p.full_px_per_px, options.disc_on_disc, x0, x)));
        }
        return energy;
      };
      for (const double d : p.diameter_px)
        tile.log_curve[j].push_back(
            static_cast<float>(std::log(mosaic_at(d * d) / mosaic_at(0.0))));
      tile.noise[j] = options.noise;
      const double amplitude = std::exp(options.amplitude_sd * normal(random));
      const double unit = mosaic_at(0.0) * std::exp(made.log_gain[tile.peak_frame]);
      for (const double energy : shown[j])
        tile.energy[j].push_back(
            energy < 0.0 ? -1.0F
                         : static_cast<float>(energy * amplitude / (any_energy ? 1.0 : unit)));
    }
    p.tiles.push_back(std::move(tile));
    made.tile_px.push_back(u);
    made.one_depth.push_back(!jumps && !any_energy && !two);
  }
  return made;
}

std::vector<double> even_steps(std::size_t frames, double step_px) {
  std::vector<double> q;
  for (std::size_t k = 0; k < frames; ++k) q.push_back(static_cast<double>(k) * step_px);
  return q;
}

std::vector<double> hand_steps(std::size_t frames, double least_px, double most_px, unsigned seed) {
  std::mt19937 random(seed);
  std::vector<double> q;
  double at = 0.0;
  for (std::size_t k = 0; k < frames; ++k, at += uniform(random, least_px, most_px))
    q.push_back(at);
  return q;
}

Agreement compare(const std::vector<std::optional<double>>& fitted,
                  const std::vector<double>& truth) {
  if (fitted.size() != truth.size()) throw std::invalid_argument("one true position for each");
  Agreement a;
  double mean_fit = 0.0, mean_true = 0.0;
  for (std::size_t k = 0; k < truth.size(); ++k)
    if (fitted[k]) mean_fit += *fitted[k], mean_true += truth[k], ++a.count;
  if (a.count == 0) return a;
  const auto n = static_cast<double>(a.count);
  mean_fit /= n, mean_true /= n;
  double cross = 0.0, spread = 0.0;
  for (std::size_t k = 0; k < truth.size(); ++k)
    if (fitted[k]) {
      cross += (*fitted[k] - mean_fit) * (truth[k] - mean_true);
      spread += (truth[k] - mean_true) * (truth[k] - mean_true);
    }
  a.sign = cross < 0.0 ? -1.0 : 1.0;
  a.scale = spread > 0.0 ? std::abs(cross) / spread : 0.0;
  double squares = 0.0, shape = 0.0;
  for (std::size_t k = 0; k < truth.size(); ++k)
    if (fitted[k]) {
      const double error = *fitted[k] - mean_fit - a.sign * (truth[k] - mean_true);
      const double of_shape = *fitted[k] - mean_fit - a.sign * a.scale * (truth[k] - mean_true);
      squares += error * error, shape += of_shape * of_shape;
      a.worst_px = std::max(a.worst_px, std::abs(error));
    }
  a.shift_px = mean_fit - a.sign * a.scale * mean_true;
  a.rms_px = std::sqrt(squares / n);
  a.shape_rms_px = std::sqrt(shape / n);
  return a;
}

Agreement compare_frames(const FocalPositions& fit, const MadeBurst& burst) {
  std::vector<std::optional<double>> fitted;
  for (const FocalPosition& frame : fit.frames) fitted.push_back(frame.q_px);
  return compare(fitted, burst.q_px);
}

Agreement compare_tiles(const FocalPositions& fit, const MadeBurst& burst, double min_weight) {
  std::vector<std::optional<double>> fitted(fit.tiles.size());
  for (std::size_t t = 0; t < fit.tiles.size(); ++t)
    if (burst.one_depth[t] && fit.tiles[t].weight >= min_weight) fitted[t] = fit.tiles[t].q_px;
  return compare(fitted, burst.tile_px);
}

}  // namespace ringsweep::synthetic
