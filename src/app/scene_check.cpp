#include "app/scene_check.h"

#include <algorithm>
#include <cstddef>
#include <optional>

#include "app/interrupt.h"

namespace ringsweep::app {
namespace {

constexpr std::size_t kMostFrames = 300;  // in two minutes one shoots more than these tell

/// The files that a burst was analysed from; fewer than its frames where some cannot be found.
std::vector<FrameRef> files_of(const BurstAnalysis& analysis, const Burst& burst) {
  std::vector<FrameRef> files;
  auto next = burst.frames.begin();
  for (const FrameAnalysis& frame : analysis.frames) {
    next = std::ranges::find(next, burst.frames.end(), frame.file, &FrameRef::file);
    if (next == burst.frames.end()) break;
    files.push_back(*next++);
  }
  return files;
}

/// The scene's frames, burst by burst; nothing where they are too many.
std::optional<Burst> frames_of(const Scene& scene, const Analysed& analysed,
                               std::span<const Burst> bursts) {
  std::vector<Burst> members;
  std::size_t frames = 0;
  for (const std::size_t i : scene.bursts) {
    const Burst& burst = bursts[analysed.from[i]];
    members.push_back({.folder = burst.folder, .frames = files_of(analysed.bursts[i], burst)});
    frames += members.back().frames.size();
  }
  if (frames > kMostFrames) return std::nullopt;
  return joined(members);
}

}  // namespace

std::vector<Scene> check_scenes(const Analysed& analysed, std::span<const Burst> bursts,
                                const AnalysisRequest& request, const Console& console,
                                const Stages& stages) {
  std::vector<Scene> scenes = group_scenes(analysed.bursts);
  for (Scene& scene : scenes) {
    if (InterruptGuard::interrupted() || !may_be_together(analysed.bursts, scene)) continue;
    const std::optional<Burst> frames = frames_of(scene, analysed, bursts);
    if (!frames) continue;
    const Analysed whole = analyse_all(std::span(&*frames, 1), request, console, stages);
    if (whole.bursts.size() == 1)
      scene = judged_together(std::move(scene), analysed.bursts, whole.bursts.front());
  }
  return scenes;
}

}  // namespace ringsweep::app
