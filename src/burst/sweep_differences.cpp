#include "ringsweep/sweep_differences.h"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <optional>

#include "burst/breathing.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Frames = std::vector<std::size_t>;

Frames usable_in(const FocalPositions& focus, const SweepRange& sweep) {
  Frames frames;
  for (std::size_t k = sweep.first; k <= sweep.last && k < focus.frames.size(); ++k)
    if (focus.frames[k].usable && focus.frames[k].q_px) frames.push_back(k);
  return frames;
}

template <class Value>
double median(const Frames& frames, const Value& value) {
  std::vector<double> values;
  for (const std::size_t k : frames) values.push_back(value(k));
  return quantile_in_place(values, 0.5);
}

/// A frame of each of two sweeps.
struct Together {
  std::size_t a = 0, b = 0;
  double apart_px = 0.0;
};

/// The pairs that focus most alike; a few are enough, since they err in common.
std::vector<Together> most_alike(const FocalPositions& focus, const Frames& a, const Frames& b,
                                 double blur_limit_px) {
  constexpr std::size_t kMost = 5;  // ours, no source
  std::vector<Together> pairs;
  for (const std::size_t i : a)
    for (const std::size_t j : b) {
      const double apart_px = std::abs(*focus.frames[i].q_px - *focus.frames[j].q_px);
      if (2.0 * apart_px <= blur_limit_px) pairs.push_back({i, j, apart_px});
    }
  std::ranges::stable_sort(pairs, {}, &Together::apart_px);
  pairs.resize(std::min(pairs.size(), kMost));
  return pairs;
}

/// How far a quarter of the tiles at least is lit otherwise than the rest of them; 0: cannot be
/// told.
double shading_ev(std::span<const Together> pairs, std::span<const cv::Mat> light,
                  std::span<const cv::Point> tiles) {
  constexpr std::size_t kFewestTiles = 20;  // of a quarter that stands for something; ours
  std::vector<std::vector<double>> of_tile(tiles.size());
  for (const Together& pair : pairs) {
    std::vector<double> all;
    std::vector<std::optional<double>> ratios;
    for (const cv::Point& tile : tiles) {
      const float a = light[pair.a].at<float>(tile), b = light[pair.b].at<float>(tile);
      ratios.emplace_back(a > 0.0F && b > 0.0F ? std::optional(std::log2(b / a)) : std::nullopt);
      if (ratios.back()) all.push_back(*ratios.back());
    }
    if (all.size() < kFewestTiles) continue;
    const double exposure = quantile_in_place(all, 0.5);
    for (std::size_t t = 0; t < tiles.size(); ++t)
      if (ratios[t]) of_tile[t].push_back(*ratios[t] - exposure);
  }
  std::vector<double> differences;
  for (std::vector<double>& of_pairs : of_tile)
    if (!of_pairs.empty()) differences.push_back(std::abs(quantile_in_place(of_pairs, 0.5)));
  return differences.empty() ? 0.0 : quantile_in_place(differences, 0.75);
}

double visible(double difference, double from) {
  return std::abs(difference) >= from ? difference : 0.0;
}

/// Log of how much the picture's scale changes per px of blur.
struct Breathing {
  double log_slope = 0.0;
  double sd = 0.0;
};

std::optional<Breathing> breathing_of(const FocalPositions& focus,
                                      std::span<const double> log_scale) {
  std::vector<double> q, scale;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    if (!focus.frames[k].q_px) continue;
    q.push_back(*focus.frames[k].q_px);
    scale.push_back(std::exp(log_scale[k]));
  }
  const auto n = static_cast<Eigen::Index>(q.size());
  const Eigen::Map<const Eigen::VectorXd> at(q.data(), n), size(scale.data(), n);
  const BreathingLine line =
      fit_breathing(at, size, std::vector<bool>(q.size(), true), FitOptions{}.breathing_sd_px);
  const double slope_sd = line.sd / (at.array() - at.mean()).matrix().norm();
  constexpr double kMostSd = 0.1;  // beyond, it tells no aperture from the next
  const double sd = std::hypot(focus.scale_sd, slope_sd / std::abs(line.slope));
  if (!(sd < kMostSd)) return std::nullopt;
  return Breathing{.log_slope = std::log(std::abs(line.slope)), .sd = sd};
}

}  // namespace

std::vector<SweepDifference> compare_sweeps(const FocalPositions& focus,
                                            std::span<const SweepRange> sweeps,
                                            std::span<const FrameView> views,
                                            const SweepDifferenceOptions& options) {
  std::vector<SweepDifference> result(sweeps.size());
  if (sweeps.empty()) return result;
  const Frames first = usable_in(focus, sweeps[0]);
  const auto q = [&](std::size_t k) { return *focus.frames[k].q_px; };
  for (std::size_t i = 1; i < sweeps.size(); ++i) {
    const Frames own = usable_in(focus, sweeps[i]);
    if (first.empty() || own.empty()) continue;
    // Each of its frames beside the frame of the first sweep that focuses nearest to it.
    std::vector<double> size, rotation, shift;
    for (const std::size_t k : own) {
      const std::size_t beside = *std::ranges::min_element(
          first, {}, [&](std::size_t f) { return std::abs(q(f) - q(k)); });
      const FrameView &a = views[beside], &b = views[k];
      size.push_back(std::exp(b.log_scale - a.log_scale) - 1.0);
      rotation.push_back(b.rotation_deg - a.rotation_deg);
      shift.push_back(std::hypot(b.shift_x - a.shift_x, b.shift_y - a.shift_y));
    }
    SweepDifference& difference = result[i];
    difference.size = visible(quantile(size, 0.5), options.size);
    difference.rotation_deg = visible(quantile(rotation, 0.5), options.rotation_deg);
    difference.shift = visible(quantile(shift, 0.5), options.shift);
    const auto light = [&](std::size_t k) { return views[k].light_ev.value_or(0.0); };
    difference.light_ev = visible(median(own, light) - median(first, light), options.light_ev);
  }
  return result;
}

bool blurs_differ(const Profiles& profiles, const std::vector<bool>& use,
                  std::span<const double> log_scale, std::span<const SweepRange> sweeps,
                  const ForEach& for_each) {
  // Apertures go by thirds of a stop, 12 %. Ours, no source.
  constexpr double kLeast = 0.1, kSds = 4.0;
  const std::vector<double> unchanged(log_scale.size(), 0.0);
  std::optional<Breathing> first;
  for (const SweepRange& sweep : sweeps) {
    std::vector<bool> own(use.size(), false);
    for (std::size_t k = sweep.first; k <= sweep.last; ++k) own[k] = use[k];
    const FocalPositions focus = fit_focal_positions(profiles, own, unchanged, {}, for_each);
    if (focus.status != FitStatus::converged) continue;
    const std::optional<Breathing> breathing = breathing_of(focus, log_scale);
    if (!breathing) continue;
    if (!first) {
      first = breathing;
    } else if (std::abs(breathing->log_slope - first->log_slope) >
               std::max(kLeast, kSds * std::hypot(breathing->sd, first->sd))) {
      return true;
    }
  }
  return false;
}

std::vector<std::size_t> groups_lit_alike(const FocalPositions& focus,
                                          std::span<const SweepRange> sweeps,
                                          std::span<const cv::Mat> light,
                                          std::span<const cv::Point> subject,
                                          std::span<const cv::Point> perch, double blur_limit_px,
                                          const SweepDifferenceOptions& options) {
  std::vector<Frames> frames;
  for (const SweepRange& sweep : sweeps) {
    frames.push_back(usable_in(focus, sweep));
    std::erase_if(frames.back(), [&](std::size_t k) { return light[k].empty(); });
  }
  const auto alike = [&](std::size_t i, std::size_t j) {
    const auto pairs = most_alike(focus, frames[j], frames[i], blur_limit_px);
    return std::min(shading_ev(pairs, light, subject), shading_ev(pairs, light, perch)) <=
           options.shading_ev;
  };
  std::vector<std::size_t> group(sweeps.size());
  for (std::size_t i = 0; i < sweeps.size(); ++i) {
    group[i] = i;
    for (std::size_t j = 0; j < i && group[i] == i; ++j)
      if (group[j] == j && alike(i, j)) group[i] = j;
  }
  return group;
}

}  // namespace ringsweep
