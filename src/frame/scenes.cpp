#include "ringsweep/scenes.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <map>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <set>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr std::size_t kReach = 8;  // frames that something else, or the dark, may part
constexpr int kBlocks = LightGrid::kGridRows * LightGrid::kGridCols;

using Pair = std::pair<std::size_t, std::size_t>;

/// Groups that grow together, each named by its first member.
class Groups {
 public:
  explicit Groups(std::size_t n) : parent_(n) {
    std::iota(parent_.begin(), parent_.end(), std::size_t{0});
  }
  [[nodiscard]] std::size_t of(std::size_t k) const {
    while (parent_[k] != k) k = parent_[k];
    return k;
  }
  void join(std::size_t a, std::size_t b) {
    a = of(a), b = of(b);
    parent_[std::max(a, b)] = std::min(a, b);
  }

 private:
  std::vector<std::size_t> parent_;
};

/// Light of a block in EV; what lies below the noise of a dark corner counts as that.
double block_ev(const LightGrid& light, int block) {
  constexpr double kFloor = 1.0 / 256.0;
  return std::log2(std::max<double>(light.mean.at<float>(block / 16, block % 16), kFloor));
}

/// Detail of a picture: sd of its logarithm at a coarse level, smooth light left out.
double detail_of(const Thumbnail& thumbnail) {
  const std::size_t n = thumbnail.levels.size();
  const cv::Mat& level = thumbnail.levels[n - std::min<std::size_t>(n, 2)];
  cv::Mat smooth;
  cv::GaussianBlur(level, smooth, {}, 2.5, 2.5, cv::BORDER_REFLECT);
  cv::Scalar mean, sd;
  cv::meanStdDev(level - smooth, mean, sd);
  return sd[0];
}

class SceneFinder {
 public:
  SceneFinder(std::span<const Thumbnail> thumbnails,
              std::span<const std::optional<LightGrid>> light, const SceneOptions& options,
              const ForEach& for_each)
      : thumbnails_(thumbnails),
        light_(light),
        options_(options),
        for_each_(for_each),
        groups_(thumbnails.size()) {
    for (std::size_t k = 0; k < light.size(); ++k)
      if (light[k]) readable_.push_back(k);
  }

  std::vector<SceneNumber> run();

 private:
  using Frames = std::vector<std::size_t>;
  using Members = std::map<std::size_t, Frames>;  // by group

  [[nodiscard]] std::vector<Alike> compare(const std::vector<Pair>& pairs) const;
  void join_within_reach();
  [[nodiscard]] Members members() const;
  /// The first, the middle and the last: as different as the sweep makes them.
  [[nodiscard]] static Frames spread(const Frames& frames);
  [[nodiscard]] bool is_scene(const Frames& frames) const {
    return frames.size() >= options_.fewest_frames;
  }
  [[nodiscard]] std::set<std::size_t> beside(const Frames& frames, const Members& all) const;
  void join_beside(bool scenes);
  [[nodiscard]] bool only_lost_light(const Frames& frames, const Frames& scene) const;
  [[nodiscard]] bool only_lost_detail(const Frames& frames, const Frames& scene) const;
  [[nodiscard]] bool burnt_out(std::size_t frame) const;
  [[nodiscard]] double light_ev(const Frames& frames) const;
  [[nodiscard]] cv::Mat mean_grid(const Frames& frames) const;
  [[nodiscard]] bool smooth(const Frames& frames, const Frames& scene) const;

  std::span<const Thumbnail> thumbnails_;
  std::span<const std::optional<LightGrid>> light_;
  const SceneOptions& options_;
  const ForEach& for_each_;
  std::vector<std::size_t> readable_;
  Groups groups_;
};

std::vector<Alike> SceneFinder::compare(const std::vector<Pair>& pairs) const {
  std::vector<Alike> found(pairs.size(), Alike::no);
  for_each_(pairs.size(), [&](std::size_t i) {
    found[i] = alike(thumbnails_[pairs[i].first], thumbnails_[pairs[i].second]);
  });
  return found;
}

/// Joins neighbours that are alike, then frames ever farther apart that are still in two groups.
void SceneFinder::join_within_reach() {
  for (std::size_t stride = 1; stride <= kReach; ++stride) {
    std::vector<Pair> pairs;
    for (std::size_t i = stride; i < readable_.size(); ++i) {
      const Pair pair(readable_[i - stride], readable_[i]);
      if (groups_.of(pair.first) != groups_.of(pair.second)) pairs.push_back(pair);
    }
    const std::vector<Alike> found = compare(pairs);
    for (std::size_t i = 0; i < pairs.size(); ++i)
      if (found[i] == Alike::yes) groups_.join(pairs[i].first, pairs[i].second);
  }
}

SceneFinder::Members SceneFinder::members() const {
  Members result;
  for (const std::size_t k : readable_) result[groups_.of(k)].push_back(k);
  return result;
}

SceneFinder::Frames SceneFinder::spread(const Frames& frames) {
  return {frames.front(), frames[frames.size() / 2], frames.back()};
}

/// Names of the other scenes that lie next to these frames in time.
std::set<std::size_t> SceneFinder::beside(const Frames& frames, const Members& all) const {
  const std::size_t own = groups_.of(frames.front());
  const auto is_other_scene = [&](std::size_t k) {
    const std::size_t name = groups_.of(k);
    return name != own && is_scene(all.at(name));
  };
  std::set<std::size_t> names;
  for (const std::size_t k : frames) {
    const auto here = std::ranges::lower_bound(readable_, k);
    const auto after = std::find_if(here, readable_.end(), is_other_scene);
    if (after != readable_.end()) names.insert(groups_.of(*after));
    const auto before =
        std::find_if(std::make_reverse_iterator(here), readable_.rend(), is_other_scene);
    if (before != readable_.rend()) names.insert(groups_.of(*before));
  }
  return names;
}

/// Joins groups, all that are scenes or all that are not, with the scenes beside them that they
/// might show: here a doubt speaks for the same. What is no scene joins one only.
void SceneFinder::join_beside(bool scenes) {
  std::vector<Pair> pairs;
  std::vector<std::size_t> name_of_pair;
  const Members all = members();
  for (const auto& [name, frames] : all) {
    if (is_scene(frames) != scenes) continue;
    for (const std::size_t other : beside(frames, all))
      for (const std::size_t i : scenes ? spread(frames) : frames)
        for (const std::size_t j : spread(all.at(other))) pairs.emplace_back(i, j);
    name_of_pair.resize(pairs.size(), name);
  }
  const std::vector<Alike> found = compare(pairs);
  std::set<std::size_t> joined;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    if (found[i] == Alike::no || (!scenes && joined.contains(name_of_pair[i]))) continue;
    groups_.join(pairs[i].first, pairs[i].second);
    joined.insert(name_of_pair[i]);
  }
}

/// Median of the frames' mean light, EV.
double SceneFinder::light_ev(const Frames& frames) const {
  std::vector<double> values;
  for (const std::size_t k : frames)
    values.push_back(std::log2(std::max(cv::mean(light_[k]->mean)[0], 1e-6)));
  return quantile_in_place(values, 0.5);
}

cv::Mat SceneFinder::mean_grid(const Frames& frames) const {
  cv::Mat sum = cv::Mat::zeros(LightGrid::kGridRows, LightGrid::kGridCols, CV_32FC1);
  for (const std::size_t k : frames) sum += light_[k]->mean;
  return sum / static_cast<double>(frames.size());
}

/// Whether the frames have next to no detail of their own.
bool SceneFinder::smooth(const Frames& frames, const Frames& scene) const {
  constexpr double kNextToNone = 0.2;  // of the scene's
  const auto detail = [this](const Frames& of) {
    std::vector<double> values;
    for (const std::size_t k : of) values.push_back(detail_of(thumbnails_[k]));
    return quantile_in_place(values, 0.5);
  };
  return detail(frames) < kNextToNone * detail(scene);
}

bool SceneFinder::burnt_out(std::size_t frame) const {
  constexpr double kMost = 0.5;  // of the picture: what is left may lie anywhere
  return cv::mean(light_[frame]->clipped)[0] > kMost;
}

/// Whether the frames differ from the scene's in that light is missing, and in nothing else. Light
/// that falls on something else brightens what was dark.
bool SceneFinder::only_lost_light(const Frames& frames, const Frames& scene) const {
  constexpr double kBrighterEv = 0.2;    // than any frame of the scene: flicker is less
  constexpr double kDarkerEv = 0.5;      // than all but a few,
  constexpr double kFew = 0.2;           // of which others may have lost light, too
  constexpr double kFewBrighter = 0.05;  // of the blocks: edges that sway
  constexpr double kEnoughDarker = 0.2;  // of the blocks
  int brighter = 0, darker = 0;
  for (int b = 0; b < kBlocks; ++b) {
    std::vector<double> here, there;
    for (const std::size_t k : frames) here.push_back(block_ev(*light_[k], b));
    for (const std::size_t k : scene) there.push_back(block_ev(*light_[k], b));
    const double level = quantile(here, 0.5);
    brighter += level > std::ranges::max(there) + kBrighterEv ? 1 : 0;
    darker += level < quantile(there, kFew) - kDarkerEv ? 1 : 0;
  }
  if (brighter > kFewBrighter * kBlocks || darker < kEnoughDarker * kBlocks) return false;

  return light_ev(frames) - light_ev(scene) < options_.black_ev || !smooth(frames, scene);
}

/// Whether the frames are as the scene when the ring is turned so far that nothing is left of it:
/// blur takes the detail, but the light lies about where it lay.
bool SceneFinder::only_lost_detail(const Frames& frames, const Frames& scene) const {
  constexpr double kLeastCorrelation = 0.5;
  if (!smooth(frames, scene)) return false;
  const cv::Mat here = mean_grid(frames), there = mean_grid(scene);
  for (const double blur : {0.5, 1.0, 2.0, 4.0}) {  // sd in blocks: up to the whole picture
    cv::Mat blurred, match;
    cv::GaussianBlur(there, blurred, {}, blur, blur, cv::BORDER_REFLECT);
    cv::matchTemplate(blurred, here, match, cv::TM_CCOEFF_NORMED);
    if (match.at<float>(0, 0) >= kLeastCorrelation) return true;
  }
  return false;
}

std::vector<SceneNumber> SceneFinder::run() {
  std::vector<SceneNumber> result(thumbnails_.size());
  join_within_reach();
  join_beside(true);
  join_beside(false);

  const Members all = members();
  if (std::ranges::none_of(all, [&](const auto& group) { return is_scene(group.second); }))
    return result;
  for (const auto& [name, frames] : all) {
    bool evidence = true;
    for (const std::size_t other : beside(frames, all))
      evidence = evidence && !only_lost_light(frames, all.at(other)) &&
                 !only_lost_detail(frames, all.at(other));
    for (const std::size_t k : frames)
      if (evidence && (is_scene(frames) || !burnt_out(k))) result[k] = name;
  }
  return result;
}

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

std::vector<SceneNumber> find_scenes(std::span<const Thumbnail> thumbnails,
                                     std::span<const std::optional<LightGrid>> light,
                                     const SceneOptions& options, const ForEach& for_each) {
  return SceneFinder(thumbnails, light, options, for_each).run();
}

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
