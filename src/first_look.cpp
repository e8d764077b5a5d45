#include "first_look.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "majority.h"
#include "memory_shares.h"
#include "ringsweep/block_means.h"
#include "ringsweep/scenes.h"

namespace ringsweep {
namespace {

LinearFrame shrunk(const LinearFrame& frame, int times) {
  LinearFrame small = frame;
  small.full_px_per_px *= times;
  small.luminance = block_means(frame.luminance, times);
  small.clipped = block_means(frame.clipped, times) > 127;  // of most of the block
  return small;
}

/// @param reduction  of the thumbnail, at least that of the second look
FirstLook look(const FrameRef& frame, const ReadFrame& read, int reduction, int working,
               bool holds) {
  FirstLook result;
  Result<LinearFrame> picture = read(frame, working);
  if (!picture) {
    result.problem = one_line(picture.error());
    return result;
  }
  if (holds) result.held = hold(*picture, working);
  // A reader may give fewer px than asked for: then there is less to shrink.
  *picture = shrunk(*picture, left_to_shrink(reduction, picture->full_px_per_px));
  result.light = measure_light(picture->luminance, picture->clipped);
  constexpr int kFinePx = 8;  // a block's edge: little of the next one is in it when it is moved
  cv::resize(picture->luminance, result.fine_light,
             {kFinePx * LightGrid::kGridCols, kFinePx * LightGrid::kGridRows}, 0, 0,
             cv::INTER_AREA);
  // The floor follows the frame's own light, so that a dim frame looks like a lit one.
  const double floor = std::max(1e-4, 0.05 * cv::mean(picture->luminance)[0]);
  result.thumbnail = make_thumbnail(picture->luminance, floor);
  result.full_size = picture->full_size;
  result.full_px_per_px = picture->full_px_per_px;
  result.full_px_per_file_px = picture->full_px_per_file_px;
  return result;
}

}  // namespace

HeldPicture hold(const LinearFrame& frame, int reduction) {
  return {.packed = pack(frame.luminance, frame.clipped, 1.0),
          .reduction = reduction,
          .full_px_per_px = frame.full_px_per_px};
}

int thumbnail_reduction(cv::Size full) {
  constexpr double kThumbnailPx = 0.35e6;  // pixels; registration to 0.02 px of it is plenty
  int reduction = 1;
  while (reduction < 8 && full.area() / (reduction * reduction) > kThumbnailPx) reduction *= 2;
  return reduction;
}

std::vector<FirstLook> look_at_all(const std::vector<FrameRef>& frames, const ReadFrame& read,
                                   const MeasureOptions& options, Telling& telling) {
  std::vector<FirstLook> looks(frames.size());
  cv::Size size;
  double full_px_per_file_px = 1.0;
  for (const FrameRef& f : frames) {
    if (!f.full_size) continue;
    size = *f.full_size;
    if (f.file_size && !f.file_size->empty())
      full_px_per_file_px = static_cast<double>(size.width) / f.file_size->width;
  }
  if (size.empty()) {  // no metadata: one frame has to be opened to learn the size
    for (const FrameRef& f : frames) {
      telling.tell("looking", 0, frames.size());
      const auto picture = read(f, 8);
      if (!picture) continue;
      size = picture->full_size;
      full_px_per_file_px = picture->full_px_per_file_px;
      break;
    }
  }
  // Always read as large: what is seen must not hang on how much can be held.
  const int working = reduction_read(size, full_px_per_file_px, options);
  const int reduction = std::max(working, thumbnail_reduction(size));
  const auto px = [&](int shrunk_by) {
    return static_cast<double>(size.area()) / (shrunk_by * shrunk_by);
  };
  constexpr double kPyramid = 4.0 / 3.0;  // of floats
  const double thumbnails =
      static_cast<double>(frames.size() * sizeof(float)) * kPyramid * px(reduction);
  const std::size_t room =
      share_memory(options.memory_bytes).pictures_kept(px(working), thumbnails);
  telling.tell("looking", 0, frames.size());
  telling.for_each()(frames.size(), [&](std::size_t k) {
    looks[k] = look(frames[k], read, reduction, working, k < room);
    telling.one_more();
  });
  return looks;
}

std::vector<bool> other_settings(const std::vector<FrameRef>& frames,
                                 const std::vector<FirstLook>& looks) {
  using Key = std::array<double, 3>;
  std::vector<Key> keys;
  for (const FrameRef& f : frames)
    keys.push_back({f.settings.exposure_time_s.value_or(0.0), f.settings.f_number.value_or(0.0),
                    f.settings.iso.value_or(0.0)});
  std::vector<Key> own;
  for (std::size_t k = 0; k < frames.size(); ++k)
    if (!looks[k].other_picture) own.push_back(keys[k]);
  const Key usual = majority(own);
  std::vector<bool> other(frames.size());
  for (std::size_t k = 0; k < frames.size(); ++k)
    for (std::size_t i = 0; i < usual.size(); ++i)
      other[k] = other[k] || (keys[k][i] > 0.0 && usual[i] > 0.0 &&
                              std::abs(std::log2(keys[k][i] / usual[i])) > 0.2);
  return other;
}

std::vector<BurstPart> part_by_scene(const Burst& burst, std::vector<FirstLook> looks,
                                     const ForEach& for_each) {
  std::vector<Thumbnail> thumbnails;
  std::vector<std::optional<LightGrid>> light;
  for (const FirstLook& l : looks) {
    thumbnails.push_back(l.thumbnail);
    light.push_back(l.light);
  }
  const std::vector<SceneNumber> scenes = find_scenes(thumbnails, light, {}, for_each);
  std::vector<BurstPart> parts;
  for (const SceneRange& range : split_by_scene(scenes)) {
    BurstPart& part = parts.emplace_back();
    part.burst.folder = burst.folder;
    for (std::size_t k = range.first; k <= range.last; ++k) {
      part.burst.frames.push_back(burst.frames[k]);
      part.looks.push_back(std::move(looks[k]));
      part.looks.back().other_picture = scenes[k] && scenes[k] != range.scene;
    }
  }
  if (parts.empty()) parts.push_back({burst, {}});
  return parts;
}

}  // namespace ringsweep
