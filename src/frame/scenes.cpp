#include "ringsweep/scenes.h"

#include <map>

namespace ringsweep {
namespace {

/// Frames of one scene that follow one another; frames that cannot tell may lie between.
struct Run {
  std::size_t first = 0;
  std::size_t last = 0;
  std::size_t frames = 0;  // of the scene itself
  std::size_t scene = 0;
};

std::vector<Run> runs_of(std::span<const SceneNumber> scenes) {
  std::vector<Run> runs;
  for (std::size_t k = 0; k < scenes.size(); ++k) {
    if (!scenes[k]) continue;
    if (runs.empty() || runs.back().scene != *scenes[k]) runs.push_back({k, k, 0, *scenes[k]});
    runs.back().last = k;
    ++runs.back().frames;
  }
  return runs;
}

/// The scene that most frames show, the first of several.
SceneNumber most_frequent(const std::vector<Run>& runs) {
  std::map<std::size_t, std::size_t> frames;
  for (const Run& run : runs) frames[run.scene] += run.frames;
  SceneNumber best;
  for (const Run& run : runs)
    if (!best || frames[run.scene] > frames[*best]) best = run.scene;
  return best;
}

}  // namespace

std::vector<SceneRange> split_by_scene(std::span<const SceneNumber> scenes,
                                       std::size_t fewest_frames) {
  if (scenes.empty()) return {};
  const std::vector<Run> runs = runs_of(scenes);
  std::vector<SceneRange> ranges{{.last = scenes.size() - 1, .scene = most_frequent(runs)}};
  bool first_burst = true;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (runs[i].frames < fewest_frames) continue;
    if (!first_burst) {
      const std::size_t end = runs[i - 1].last;
      ranges.push_back({.first = end + 1, .last = ranges.back().last});
      ranges[ranges.size() - 2].last = end;
    }
    ranges.back().scene = runs[i].scene;
    first_burst = false;
  }
  return ranges;
}

}  // namespace ringsweep
