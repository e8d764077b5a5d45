#include "measured_frames.h"

#include <tbb/parallel_pipeline.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstdint>
#include <limits>
#include <optional>
#include <utility>
#if defined(__GLIBC__)  // known from here on
#include <malloc.h>
#endif

#include <opencv2/imgproc.hpp>

#include "ringsweep/depth_edges.h"

namespace ringsweep {
namespace {

/// Small tiles see fewer depths at once: on the ray-traced bursts 8 px instead of 16 halve the
/// error of scale and shape (bench/accuracy). In large pictures depth changes less from px to px,
/// and there would be too many.
int tile_edge(cv::Size working) { return working.area() <= 2.5e6 ? 8 : 16; }

cv::Point2d center_of(cv::Size size) { return {(size.width - 1) / 2.0, (size.height - 1) / 2.0}; }

/// Allocators keep what lies in pieces, or belongs to a thread that no longer needs it.
void give_back_freed_memory() {
#if defined(__GLIBC__)
  malloc_trim(0);
#endif
}

/// What alike() needs of thumbnails, a few hundred px each.
std::vector<Thumbnail> coarse_levels(std::vector<Thumbnail> thumbnails) {
  constexpr std::ptrdiff_t kLevels = 2;
  for (Thumbnail& t : thumbnails)
    if (std::ssize(t.levels) > kLevels) t.levels.erase(t.levels.begin(), t.levels.end() - kLevels);
  return thumbnails;
}

/// Light of the places that the reference frame's blocks show; at the edge, of the last ones that
/// the frame does.
/// @param fine  of the frame, any number of px for each of its blocks
/// @param thumbnail  whose px the similarity is in
cv::Mat on_reference(const cv::Mat& fine, const Similarity& reference_from_frame,
                     cv::Size thumbnail) {
  const double across = static_cast<double>(fine.cols) / thumbnail.width;
  const double down = static_cast<double>(fine.rows) / thumbnail.height;
  const cv::Matx33d fine_from_thumbnail(across, 0.0, 0.5 * across - 0.5, 0.0, down,
                                        0.5 * down - 0.5, 0.0, 0.0, 1.0);
  const cv::Matx33d m = fine_from_thumbnail * reference_from_frame.matrix(center_of(thumbnail)) *
                        fine_from_thumbnail.inv();
  cv::Mat moved, blocks;
  cv::warpAffine(fine, moved, m.get_minor<2, 3>(0, 0), fine.size(), cv::INTER_LINEAR,
                 cv::BORDER_REPLICATE);
  cv::resize(moved, blocks, {LightGrid::kGridCols, LightGrid::kGridRows}, 0, 0, cv::INTER_AREA);
  return blocks;
}

/// Blocks of light in which something sways, CV_8UC1; empty: none.
cv::Mat swaying_blocks(const Registration& registration) {
  constexpr double kOften = 0.2;  // of the links: one that the animal moves across is in fewer
  cv::Mat share;
  if (registration.astray.empty()) return {};
  cv::resize(registration.astray, share, {LightGrid::kGridCols, LightGrid::kGridRows}, 0, 0,
             cv::INTER_LINEAR);
  return share > kOften;
}

void expose_and_register(MeasuredFrames& out, const std::vector<FrameRef>& frames,
                         std::vector<FirstLook>& looks, const ForEach& for_each) {
  const std::size_t n = frames.size();
  std::vector<std::optional<LightGrid>> light;
  const std::vector<bool> other = other_settings(frames, looks);
  for (std::size_t k = 0; k < n; ++k)
    light.push_back(other[k] || looks[k].other_picture ? std::nullopt : looks[k].light);
  const auto enough_light = [](const FrameExposure& exposure) {
    return exposure.gain_ev && !exposure.dark && !exposure.partly_lit;
  };
  const std::vector<FrameExposure> before = estimate_exposure(light);
  std::vector<Thumbnail> thumbnails;
  for (std::size_t k = 0; k < n; ++k) {
    thumbnails.push_back(std::move(looks[k].thumbnail));
    out.measured[k] = enough_light(before[k]);
    std::vector<FrameFlag>& flags = out.flags[k];
    if (!looks[k].light) flags.push_back(FrameFlag::unreadable);
    if (looks[k].other_picture)
      flags.push_back(FrameFlag::other_picture);
    else if (other[k] && looks[k].light)
      flags.push_back(FrameFlag::other_settings);
    if (looks[k].light) out.thumbnail_px = looks[k].full_px_per_px;
  }
  out.registration = register_burst(thumbnails, out.measured, {}, for_each);
  const cv::Mat swaying = swaying_blocks(out.registration);
  if (!swaying.empty()) {
    // Grass before the picture's border looks like the edge of the shutter.
    bool more = false;
    const std::vector<FrameExposure> again = estimate_exposure(light, {}, swaying);
    for (std::size_t k = 0; k < n; ++k) {
      if (out.measured[k] || !enough_light(again[k])) continue;
      out.measured[k] = more = true;
    }
    if (more) out.registration = register_burst(thumbnails, out.measured, {}, for_each);
  }
  for (std::size_t k = 0; k < n; ++k) {
    const cv::Mat fine = std::exchange(looks[k].fine_light, {});
    if (out.measured[k])
      light[k]->mean = on_reference(fine, out.registration.reference_from_frame[k],
                                    thumbnails[k].levels[0].size());
  }
  out.coarse = coarse_levels(std::move(thumbnails));
  // The thumbnails of a long burst take more than all that is held later, and lie in pieces.
  give_back_freed_memory();
  for (std::size_t k = 0; k < n; ++k) {
    if (!out.measured[k] || out.registration.same_picture[k]) continue;
    out.flags[k].push_back(FrameFlag::other_picture);
    out.measured[k] = false;
  }
  std::vector<double> log_scale;
  for (const Similarity& s : out.registration.reference_from_frame)
    log_scale.push_back(-s.log_scale);
  out.exposure = estimate_exposure(light, log_scale, swaying);
  for (std::size_t k = 0; k < n; ++k) {
    const FrameExposure& exposure = out.exposure[k];
    if (exposure.dark) out.flags[k].push_back(FrameFlag::dark);
    if (exposure.dim) out.flags[k].push_back(FrameFlag::dim);
    if (exposure.partly_lit) out.flags[k].push_back(FrameFlag::partly_lit);
    out.measured[k] = out.measured[k] && !exposure.dark && !exposure.partly_lit;
  }
}

/// The middle scale, the reduction and the tiles.
void lay_the_grid(MeasuredFrames& out, const SecondLookOptions& options) {
  double low = 0.0, high = 0.0;
  for (std::size_t k = 0; k < out.measured.size(); ++k) {
    if (!out.measured[k]) continue;
    low = std::min(low, out.registration.reference_from_frame[k].log_scale);
    high = std::max(high, out.registration.reference_from_frame[k].log_scale);
  }
  out.to_middle = -0.5 * (low + high);
  out.reduction =
      working_reduction(out.full_size, options.blur_limit_px, options.full_px_per_file_px);
  out.grid.size = {(out.full_size.width + out.reduction - 1) / out.reduction,
                   (out.full_size.height + out.reduction - 1) / out.reduction};
  out.grid.tile_px = tile_edge(out.grid.size);
}

/// One frame on its way through the pipeline.
struct OnTheWay {
  std::size_t frame = 0;
  std::optional<GridFrame> grid{};
  PackedPicture packed{};
  std::vector<Spot> spots{};
  cv::Mat edge_picture{};
  std::string problem{};
};

/// A frame at the working scale, out of what the first look holds or from its file: the same to the
/// bit, so that nothing hangs on how much can be held.
Result<LinearFrame> take_picture(HeldPicture held, const FrameRef& frame, const ReadFrame& read,
                                 const MeasuredFrames& out) {
  if (held.packed.values.empty() || held.reduction != out.reduction) {
    const auto again = read(frame, out.reduction);
    if (!again) return again;
    held = hold(*again, out.reduction);
  }
  GridPicture picture = unpack(held.packed);
  return LinearFrame{.luminance = std::move(picture.luminance),
                     .clipped = std::move(picture.clipped),
                     .full_size = out.full_size,
                     .full_px_per_px = held.full_px_per_px};
}

OnTheWay measure_one(const MeasuredFrames& out, Result<LinearFrame> picture, bool spots, bool keep,
                     std::size_t k) {
  OnTheWay m{.frame = k};
  if (!picture) {
    m.problem = one_line(picture.error());
    return m;
  }
  const cv::Matx33d place =
      out.grid_from_frame(picture->luminance.size(), picture->full_px_per_px, k);
  m.grid = measure_on_grid(*std::move(picture), place, out.gain(k), out.grid);
  if (keep) m.packed = pack(m.grid->picture, out.gain(k));
  if (spots) m.spots = find_spots(m.grid->picture.luminance);
  m.edge_picture = edge_picture(m.grid->picture.luminance, out.edge_reduction);
  return m;
}

void take_in(MeasuredFrames& out, OnTheWay m) {
  if (!m.grid) {
    out.measured[m.frame] = false;
    out.flags[m.frame].push_back(FrameFlag::unreadable);
    out.problem[m.frame] = std::move(m.problem);
    return;
  }
  merge_into(out.mosaic, *m.grid, m.frame);
  out.tiles[m.frame] = std::move(m.grid->tiles);
  out.spots[m.frame] = std::move(m.spots);
  out.edge_pictures[m.frame] = std::move(m.edge_picture);
  out.kept[m.frame] = std::move(m.packed);
}

}  // namespace

int working_reduction(cv::Size full, double blur_limit_px, double full_px_per_file_px) {
  constexpr double kSmallEnoughPx = 6e6;  // pictures up to this size are measured as they are
  int reduction = 1;
  while (reduction < 8 && 2 * reduction <= full_px_per_file_px) reduction *= 2;
  while (reduction < 8 && full.area() / (reduction * reduction) > kSmallEnoughPx &&
         blur_limit_px / (2 * reduction) >= 1.0)
    reduction *= 2;
  return reduction;
}

double MeasuredFrames::gain(std::size_t k) const {
  return std::exp2(-exposure[k].gain_ev.value_or(0.0) - exposure[k].slow_ev);
}

cv::Matx33d MeasuredFrames::grid_from_frame(cv::Size size, double full_px_per_px,
                                            std::size_t k) const {
  Similarity s = registration.reference_from_frame[k].in_other_px(thumbnail_px / reduction *
                                                                  std::exp(to_middle));
  s.log_scale += to_middle + std::log(full_px_per_px / reduction);
  const cv::Point2d c = center_of(size), g = center_of(grid.size);
  cv::Matx33d m = s.matrix(c);
  m(0, 2) += g.x - c.x;
  m(1, 2) += g.y - c.y;
  return m;
}

cv::Matx33d MeasuredFrames::reference_from_frame(std::size_t k) const {
  return registration.reference_from_frame[k]
      .in_other_px(thumbnail_px)
      .matrix(center_of(full_size));
}

cv::Mat MeasuredFrames::all_see() const {
  cv::Mat common;
  for (const TileMeasures& frame : tiles) {
    if (frame.valid.empty()) continue;
    if (common.empty()) common = frame.valid.clone();
    common &= frame.valid;
  }
  return common;
}

std::vector<double> MeasuredFrames::log_light() const {
  const cv::Mat common = all_see();
  std::vector<double> result;
  for (const TileMeasures& frame : tiles)
    result.push_back(frame.valid.empty()
                         ? std::numeric_limits<double>::quiet_NaN()
                         : std::log(std::max(1e-6, cv::mean(frame.level, common)[0])));
  return result;
}

MeasuredFrames measure_frames(const std::vector<FrameRef>& frames, std::vector<FirstLook>& looks,
                              const ReadFrame& read, const SecondLookOptions& options,
                              Telling& telling) {
  const std::size_t n = frames.size();
  MeasuredFrames out;
  out.full_size = options.full_size;
  out.measured.assign(n, false);
  out.problem.resize(n);
  out.flags.resize(n);
  out.tiles.resize(n);
  out.kept.resize(n);
  out.spots.resize(n);
  out.edge_pictures.resize(n);
  expose_and_register(out, frames, looks, telling.for_each());
  lay_the_grid(out, options);
  for (std::size_t k = 0; k < n; ++k)
    if (!out.measured[k]) looks[k].held = {};
  if (out.grid.rows() < 2 || out.grid.cols() < 2) return out;

  std::vector<std::size_t> todo;
  for (std::size_t k = 0; k < n; ++k)
    if (out.measured[k]) todo.push_back(k);
  // Of so many that hardly any fit none is kept: nearly all would be read again all the same.
  constexpr std::size_t kHardlyAny = 4;
  std::size_t room = options.memory.pictures_kept(out.grid.size.area());
  if (todo.size() > kHardlyAny * room) room = 0;
  const std::size_t not_kept = todo.size() > room ? todo[room] : n;  // from this frame on
  out.mosaic = empty_mosaic(out.grid);
  out.edge_reduction = edge_picture_reduction(out.grid.size, todo.size());
  telling.tell("measuring", 0, todo.size());
  std::size_t next = 0, taken = 0;
  constexpr std::size_t kFramesAtATime = 8;  // oftener it would take time, more seldom be of no use
  // An exception that leaves a stage would leave the frame in it behind, unfreed.
  std::atomic<bool> stopped = false;
  // One more than threads, so that none waits for the one that is taken in.
  const auto threads = static_cast<std::size_t>(tbb::this_task_arena::max_concurrency());
  tbb::parallel_pipeline(
      std::min(options.memory.frames_at_once, threads + 1),
      tbb::make_filter<void, std::size_t>(tbb::filter_mode::serial_in_order,
                                          [&](tbb::flow_control& control) -> std::size_t {
                                            if (stopped || next >= todo.size()) {
                                              control.stop();
                                              return 0;
                                            }
                                            return todo[next++];
                                          }) &
          tbb::make_filter<std::size_t, OnTheWay>(
              tbb::filter_mode::parallel,
              [&](std::size_t k) {
                return measure_one(out,
                                   take_picture(std::move(looks[k].held), frames[k], read, out),
                                   options.spots, k < not_kept, k);
              }) &
          tbb::make_filter<OnTheWay, void>(tbb::filter_mode::serial_in_order, [&](OnTheWay m) {
            take_in(out, std::move(m));
            if (++taken % kFramesAtATime == 0) give_back_freed_memory();
            try {
              telling.one_more();
            } catch (const Stopped&) {
              stopped = true;
            }
          }));
  if (stopped) throw Stopped();
  if (todo.empty()) out.mosaic = {};
  give_back_freed_memory();
  return out;
}

PackedPicture picture_again(const MeasuredFrames& measured, const FrameRef& frame,
                            const ReadFrame& read, std::size_t k) {
  if (!measured.measured[k]) return {};
  if (!measured.kept[k].values.empty()) return measured.kept[k];
  const auto picture = take_picture({}, frame, read, measured);
  if (!picture) return {};
  return pack(
      bring_to_grid(*picture,
                    measured.grid_from_frame(picture->luminance.size(), picture->full_px_per_px, k),
                    measured.gain(k), measured.grid.size),
      measured.gain(k));
}

}  // namespace ringsweep
