#include "app/scene_check.h"

#include <cstddef>
#include <optional>
#include <span>
#include <utility>

#include "app/interrupt.h"

namespace ringsweep::app {
namespace {

constexpr std::size_t kMostFrames = 300;  // in two minutes one shoots more than these tell

/// The scene's frames, burst by burst; nothing where they are too many.
std::optional<Burst> frames_of(const Scene& scene, const Analysed& analysed) {
  Burst whole{.folder = analysed.bursts[scene.bursts.front()].folder, .frames = {}};
  for (const std::size_t i : scene.bursts)
    for (const std::optional<FrameRef>& file : analysed.files[i])
      if (file) whole.frames.push_back(*file);
  return whole.frames.size() > kMostFrames ? std::nullopt : std::optional(std::move(whole));
}

}  // namespace

std::vector<Scene> check_scenes(const Analysed& analysed, const AnalysisRequest& request,
                                const Console& console, const Stages& stages) {
  std::vector<Scene> scenes = group_scenes(analysed.bursts);
  for (Scene& scene : scenes) {
    if (InterruptGuard::interrupted() || !may_be_together(analysed.bursts, scene)) continue;
    const std::optional<Burst> frames = frames_of(scene, analysed);
    if (!frames) continue;
    Analysed whole = analyse_all(std::span(&*frames, 1), request, console, stages);
    if (whole.bursts.size() == 1)
      scene = judged_together(std::move(scene), analysed.bursts, std::move(whole.bursts.front()));
  }
  return scenes;
}

Analysed with_wholes(Analysed analysed, const std::vector<Scene>& scenes) {
  for (const Scene& scene : scenes) {
    if (!scene.whole) continue;
    std::vector<std::optional<FrameRef>> files;
    for (const std::size_t i : scene.bursts)
      files.insert(files.end(), analysed.files[i].begin(), analysed.files[i].end());
    analysed.bursts.push_back(*scene.whole);
    analysed.files.push_back(std::move(files));
  }
  return analysed;
}

}  // namespace ringsweep::app
