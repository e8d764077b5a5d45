#include "ringsweep/session.h"

#include <algorithm>
#include <cmath>

#include "numerics/quantile.h"
#include "tiles_in_common.h"

namespace ringsweep {
namespace {

double widest_step(const BurstAnalysis& burst) {
  double widest = 0.0;
  for (const Step& step : burst.coverage.steps) widest = std::max(widest, step.width_px);
  return burst.allowed_step_px > 0.0 ? widest / burst.allowed_step_px : 0.0;
}

/// What is missing, in allowed steps.
double lacks(const BurstAnalysis& burst) {
  double px = 0.0;
  for (const Reason& reason : burst.verdict.reasons)
    if (reason.kind == ReasonKind::gap || reason.kind == ReasonKind::gap_from_dark ||
        reason.kind == ReasonKind::open_end)
      px += reason.width_px;
  return burst.allowed_step_px > 0.0 ? px / burst.allowed_step_px : 0.0;
}

constexpr double kLeastLost = 0.12, kSds = 8.0;  // as in haze.cpp

/// Brings full-size px of b's reference frame to those of a's; nothing where they do not match.
std::optional<cv::Matx33d> reference_from_reference(const BurstAnalysis& a,
                                                    const BurstAnalysis& b) {
  constexpr double kSameScale = 0.03, kLeastCorrelation = 0.6;
  if (a.look.levels.empty() || b.look.levels.empty() || a.full_size != b.full_size)
    return std::nullopt;
  const Link link = register_pair(a.look, b.look, {});
  if (!link.converged || link.correlation < kLeastCorrelation ||
      std::abs(link.to_from.log_scale) > kSameScale)
    return std::nullopt;
  const double px = static_cast<double>(a.full_size.width) / a.look.levels.front().cols;
  const cv::Point2d middle(0.5 * (a.full_size.width - 1), 0.5 * (a.full_size.height - 1));
  return link.to_from.in_other_px(px).matrix(middle);
}

/// Share of the amplitude that b lacks against a; nothing where it cannot be told.
std::optional<double> contrast_lost(const BurstAnalysis& a, const BurstAnalysis& b) {
  constexpr double kLeastWeight = 0.2;
  constexpr std::size_t kFewest = 50;
  constexpr double kTogether = 16.0;  // tiles that err together
  const auto a_from_b = reference_from_reference(a, b);
  if (!a_from_b || a.depth.log_contrast.empty() || b.depth.log_contrast.empty())
    return std::nullopt;
  std::vector<double> change;
  for (const TwoTiles& t : tiles_in_common(a.depth, b.depth, *a_from_b, kLeastWeight)) {
    const double log_ratio =
        b.depth.log_contrast.at<float>(t.b) - a.depth.log_contrast.at<float>(t.a);
    if (std::isfinite(log_ratio)) change.push_back(log_ratio);
  }
  if (change.size() < kFewest) return std::nullopt;
  const double middle = quantile(change, 0.5);
  std::vector<double> off;
  for (const double c : change) off.push_back(std::abs(c - middle));
  // 1.4826: sigma over the median deviation of a normal distribution; 1.2533: sd of a median.
  const double sd = 1.2533 * 1.4826 * quantile(off, 0.5) *
                    std::sqrt(kTogether / static_cast<double>(change.size()));
  if (-middle < kSds * sd) return std::nullopt;
  return 1.0 - std::exp(0.5 * middle);  // energy goes with the amplitude squared
}

}  // namespace

bool better(const BurstAnalysis& a, const BurstAnalysis& b) {
  if (a.verdict.kind != b.verdict.kind) return a.verdict.kind < b.verdict.kind;
  if (lacks(a) != lacks(b)) return lacks(a) < lacks(b);
  return widest_step(a) < widest_step(b);
}

std::vector<Scene> group_scenes(std::span<const BurstAnalysis> bursts) {
  std::vector<Scene> scenes;
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const auto same = std::ranges::find_if(scenes, [&](const Scene& scene) {
      return std::ranges::any_of(scene.bursts, [&](std::size_t other) {
        return alike(bursts[other].look, bursts[i].look) == Alike::yes;
      });
    });
    if (same == scenes.end()) {
      scenes.push_back({.bursts = {i}, .best = i});
      continue;
    }
    same->bursts.push_back(i);
    if (better(bursts[i], bursts[same->best])) same->best = i;
  }
  for (Scene& scene : scenes) {
    scene.verdict = bursts[scene.best].verdict.kind;
    scene.softer = find_softer(bursts, scene);
  }
  return scenes;
}

std::optional<Softer> find_softer(std::span<const BurstAnalysis> bursts, const Scene& scene) {
  for (const std::size_t i : scene.bursts) {
    if (i == scene.bursts.front()) continue;
    const auto lost = contrast_lost(bursts[scene.bursts.front()], bursts[i]);
    if (lost && *lost >= kLeastLost)
      return Softer{.burst = i, .than = scene.bursts.front(), .contrast_lost = *lost};
  }
  return std::nullopt;
}

bool may_be_together(std::span<const BurstAnalysis> bursts, const Scene& scene) {
  const auto sweeps = std::ranges::count_if(
      scene.bursts, [&](std::size_t i) { return is_sweep(bursts[i].verdict); });
  return sweeps > 1 && !is_complete(scene.verdict);
}

Scene judged_together(Scene scene, std::span<const BurstAnalysis> bursts, BurstAnalysis whole) {
  std::size_t frames = 0;
  for (const std::size_t i : scene.bursts) frames += bursts[i].frames.size();
  if (frames != whole.frames.size() || !is_complete(whole.verdict.kind)) return scene;
  std::size_t first = 0;
  for (const std::size_t i : scene.bursts) {
    const std::size_t end = first + bursts[i].frames.size();
    const bool needed = std::ranges::any_of(whole.complete_sweeps, [&](std::size_t sweep) {
      return whole.sweeps[sweep].first < end && whole.sweeps[sweep].last >= first;
    });
    if (needed) scene.together.push_back(i);
    first = end;
  }
  if (scene.together.empty()) return scene;
  scene.verdict = whole.verdict.kind;
  scene.whole = std::move(whole);
  return scene;
}

std::vector<const BurstAnalysis*> all_shown(std::span<const BurstAnalysis> bursts,
                                            std::span<const Scene> scenes) {
  std::vector<const BurstAnalysis*> shown;
  for (const BurstAnalysis& burst : bursts) shown.push_back(&burst);
  for (const Scene& scene : scenes)
    if (scene.whole) shown.push_back(&*scene.whole);
  return shown;
}

Session sum_up(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes) {
  Session session;
  std::vector<double> widest;
  for (const BurstAnalysis& burst : bursts) {
    if (!is_sweep(burst.verdict)) continue;
    ++session.bursts;
    session.sweeps += burst.sweeps.size();
    for (const Sweep& sweep : burst.sweeps)
      session.complete_sweeps += is_complete(sweep.verdict.kind) ? 1 : 0;
    if (!burst.coverage.steps.empty()) widest.push_back(widest_step(burst));
    if (is_complete(burst.verdict.kind)) {
      ++session.complete_bursts;
      continue;
    }
    const Reason first = burst.verdict.reasons.empty() ? Reason{} : burst.verdict.reasons.front();
    switch (first.kind) {
      case ReasonKind::gap:
        ++session.too_quick;
        break;
      case ReasonKind::gap_from_dark:
        ++session.flash;
        break;
      case ReasonKind::open_end:
        ++(first.at_start ? session.began_late : session.stopped_early);
        break;
      default:
        ++session.not_told;
    }
  }
  for (const Scene& scene : scenes) {
    const bool any = std::ranges::any_of(
        scene.bursts, [&](std::size_t i) { return is_sweep(bursts[i].verdict); });
    if (!any) continue;
    ++session.scenes;
    session.complete_scenes += is_complete(scene.verdict) ? 1 : 0;
  }
  constexpr std::size_t kFewest = 4;
  if (widest.size() >= kFewest) {
    const auto middle = widest.begin() + static_cast<std::ptrdiff_t>(widest.size() / 2);
    session.first_half_widest = quantile(std::vector(widest.begin(), middle), 0.5);
    session.second_half_widest = quantile(std::vector(middle, widest.end()), 0.5);
  }
  return session;
}

}  // namespace ringsweep
