#include "ringsweep/measured_burst.h"

#include <tbb/task_arena.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <stdexcept>
#include <utility>

#include "burst/light_exponent.h"
#include "first_look.h"
#include "frame/sample_windows.h"
#include "majority.h"
#include "measured_frames.h"
#include "memory_shares.h"
#include "ringsweep/bands.h"
#include "ringsweep/near_side.h"
#include "ringsweep/sweep_differences.h"
#include "telling.h"
#include "usable_frames.h"

namespace ringsweep {
namespace {

bool smaller(const cv::Size& a, const cv::Size& b) {
  return a.width != b.width ? a.width < b.width : a.height < b.height;
}

double measuring_limit_px(cv::Size full_size, const MeasureOptions& options) {
  return options.finer_limit_px.value_or(default_blur_limit_px(full_size));
}

/// All that is measured of one burst after the first look, in the order of the design.
class Measuring {
 public:
  Measuring(BurstPart part, const ReadFrame& read, const MeasureOptions& options, Telling& telling)
      : looks_(std::move(part.looks)),
        read_(read),
        options_(options),
        telling_(telling),
        for_each_(telling.for_each()) {
    out_.folder = std::move(part.burst.folder);
    out_.refs = std::move(part.burst.frames);
  }

  MeasuredBurst run();
  /// The sweep of a burst: it is not parted again.
  MeasuredBurst run_alone() {
    is_sweep_ = true;
    return run();
  }

 private:
  void find_size();
  void describe_measured();
  /// What a part of the picture says before all of it is asked.
  struct SampleFit {
    double light_exponent = 1.0;  ///< power of the files' light in which blur adds up
    std::vector<double> q_px{};   ///< N, px, 0 where a frame has none; empty: not trusted
  };
  [[nodiscard]] SampleFit fit_sample(BlurModel model, const ProfileOptions& options) const;
  void fit();
  void choose_reference();
  void distrust_other_apertures();
  [[nodiscard]] std::vector<MeasuredSweep> sweeps_apart();
  void ask_the_picture();
  void find_subject_and_light();
  [[nodiscard]] std::size_t needed_bytes(double bytes_per_px) const;
  void look_for_movement();
  void look_for_drops();

  std::vector<FirstLook> looks_;
  const ReadFrame& read_;
  const MeasureOptions& options_;
  const MemoryShares memory_ = share_memory(options_.memory_bytes);
  Telling& telling_;
  const ForEach for_each_;
  MeasuredBurst out_;
  MeasuredFrames measured_;
  std::vector<double> log_scale_;
  FocalPositions
      focus_;  ///< without frames that shook, grown towards near where the picture says so
  bool turned_ = false;  ///< against the fit
  bool is_sweep_ = false;
};

/// The size that most have, what cannot be read, and what that makes of the blur limit.
void Measuring::find_size() {
  std::vector<cv::Size> sizes;
  for (std::size_t k = 0; k < out_.refs.size(); ++k) {
    out_.frames[k].problem = looks_[k].problem;
    if (!looks_[k].light) continue;
    sizes.push_back(looks_[k].full_size);
    out_.full_px_per_file_px = std::max(out_.full_px_per_file_px, looks_[k].full_px_per_file_px);
  }
  if (sizes.empty()) return;
  out_.full_size = majority(sizes, smaller);
  out_.blur_limit_px = measuring_limit_px(out_.full_size, options_);
}

void Measuring::describe_measured() {
  out_.grid = measured_.grid;
  out_.reduction = measured_.reduction;
  out_.thumbnail_px = measured_.thumbnail_px;
  const std::vector<double> light = measured_.log_light();
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    MeasuredFrame& frame = out_.frames[k];
    frame.flags = measured_.flags[k];
    if (!measured_.problem[k].empty()) frame.problem = measured_.problem[k];
    frame.exposure = measured_.exposure[k];
    frame.reference_from_frame = measured_.registration.reference_from_frame[k];
    frame.full_reference_from_frame = measured_.reference_from_frame(k);
    frame.log_light = light[k];
    frame.valid = measured_.tiles[k].valid;
    frame.energy = measured_.tiles[k].energy.back();
  }
}

Measuring::SampleFit Measuring::fit_sample(BlurModel model, const ProfileOptions& options) const {
  const SampleWindows sample = sample_windows(measured_.mosaic, measured_.tiles, measured_.grid);
  if (sample.mosaic.empty()) return {.light_exponent = model.light_exponent};
  SampleFit found;
  found.light_exponent = find_light_exponent([&](double exponent) -> std::optional<double> {
    model.light_exponent = exponent;
    const BlurCurves curves = measure_blur_curves(sample.mosaic, sample.grid, for_each_, model);
    const FocalPositions focus = fit_focal_positions(
        collect_profiles(sample.frames, curves, sample.grid, measured_.reduction, options),
        measured_.measured, log_scale_, {}, for_each_);
    if (focus.status != FitStatus::converged) return std::nullopt;
    found.q_px.clear();
    for (const FocalPosition& frame : focus.frames) found.q_px.push_back(frame.q_px.value_or(0.0));
    return focus.misfit;
  });
  return found;
}

void Measuring::fit() {
  telling_.tell("fitting", 0, 1);
  for (const Similarity& s : measured_.registration.reference_from_frame)
    log_scale_.push_back(s.log_scale);
  const KnownLens lens = known_lens(out_.refs, options_.lens);
  BlurModel model;
  if (lens.wave_model())
    model.f_number_per_um = *lens.working_f_number / (1000.0 * *lens.pitch_mm * out_.reduction);
  const ProfileOptions options{.noise_floor = find_noise_floor(measured_.tiles, measured_.grid)};
  const SampleFit sample = fit_sample(model, options);
  model.light_exponent = sample.light_exponent;
  const BlurCurves curves =
      measure_blur_curves(measured_.mosaic.luminance, measured_.grid, for_each_, model);
  out_.profiles =
      collect_profiles(measured_.tiles, curves, measured_.grid, measured_.reduction, options);
  out_.focus = fit_focal_positions(out_.profiles, measured_.measured, log_scale_,
                                   {.also_from_px = sample.q_px}, for_each_);
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FocalPosition& frame = out_.focus.frames[k];
    frame.usable = frame.usable && measured_.exposure[k].usable;
  }
  focus_ = without_shaken(out_.focus, out_.blur_limit_px);
  if (focus_.status == FitStatus::converged) out_.haze = find_haze(focus_, measured_.log_light());
}

void Measuring::choose_reference() {
  double nearest = 1e300;
  for (std::size_t k = 0; k < focus_.frames.size(); ++k) {
    const FocalPosition& frame = focus_.frames[k];
    if (!frame.usable || !frame.q_px || std::abs(*frame.q_px) >= nearest) continue;
    nearest = std::abs(*frame.q_px);
    out_.reference = k;
  }
  out_.look = measured_.coarse[out_.reference];
  out_.reference_from_grid = measured_.grid_from_frame(out_.full_size, 1.0, out_.reference).inv();
}

/// Sweeps through different apertures have no common fit, even where one has settled.
void Measuring::distrust_other_apertures() {
  if (is_sweep_ || focus_.status != FitStatus::converged || out_.sweeps.size() < 2) return;
  if (!blurs_differ(out_.profiles, measured_.measured, log_scale_, out_.sweeps, for_each_)) return;
  for (FocalPositions* focus : {&out_.focus, &focus_}) {
    focus->status = FitStatus::not_trusted;
    focus->reason = "the aperture was changed between two sweeps";
  }
}

/// Where the frames do not agree, maybe those of each sweep do. Reads the pictures once more.
std::vector<MeasuredSweep> Measuring::sweeps_apart() {
  constexpr std::size_t kFewestFrames = 5;  // of a burst, and of a sweep that is judged alone
  if (is_sweep_ || focus_.status != FitStatus::not_trusted) return {};
  std::vector<SweepRange> ranges =
      find_sweeps_by_scale(log_scale_, measured_.measured, out_.time_s());
  if (ranges.size() < 2) ranges = out_.sweeps;
  // Frames of a shorter one go to the sweep before it.
  std::erase_if(ranges, [](const SweepRange& r) { return r.last - r.first + 1 < kFewestFrames; });
  if (ranges.size() < 2) return {};
  std::vector<MeasuredSweep> sweeps;
  bool any = false;
  for (std::size_t i = 0; i < ranges.size(); ++i) {
    const std::size_t first = i == 0 ? 0 : ranges[i].first;
    const std::size_t end = i + 1 < ranges.size() ? ranges[i + 1].first : out_.refs.size();
    const auto from = out_.refs.begin() + static_cast<std::ptrdiff_t>(first);
    const auto to = out_.refs.begin() + static_cast<std::ptrdiff_t>(end);
    BurstPart part{.burst = {.folder = out_.folder, .frames = {from, to}}, .looks = {}};
    part.looks = look_at_all(part.burst.frames, read_, options_, telling_);
    for (std::size_t k = first; k < end; ++k)
      part.looks[k - first].other_picture = looks_[k].other_picture;
    sweeps.push_back({.first = first,
                      .burst = Measuring(std::move(part), read_, options_, telling_).run_alone()});
    any = any || sweeps.back().burst.focus.status == FitStatus::converged;
  }
  if (!any) return {};
  return sweeps;
}

/// What the usable frames tell of the near side; turns the positions if they tell it.
void Measuring::ask_the_picture() {
  if (focus_.status == FitStatus::converged) {
    std::vector<std::size_t> order;
    for (std::size_t k = 0; k < focus_.frames.size(); ++k)
      if (focus_.frames[k].usable && focus_.frames[k].q_px && !measured_.edge_pictures[k].empty())
        order.push_back(k);
    std::ranges::stable_sort(order, {}, [&](std::size_t k) { return *focus_.frames[k].q_px; });
    std::vector<cv::Mat> pictures;
    std::vector<double> q_px;
    for (const std::size_t k : order) {
      pictures.push_back(measured_.edge_pictures[k]);
      q_px.push_back(*focus_.frames[k].q_px / (out_.reduction * measured_.edge_reduction));
    }
    const DepthLook look = look_at_depth(pictures, for_each_);
    // Haze takes contrast from the background too, and would pass for the ring.
    const Background background =
        out_.haze ? Background{} : find_background(pictures, q_px, look, {}, for_each_);
    out_.picture_tells_near = picture_tells(find_depth_edges(pictures, q_px, look), background);
  }
  measured_.edge_pictures.clear();  // nobody else needs them
  NearSide side = weigh_near_side({.picture = out_.picture_tells_near});
  turned_ = side.known() && side.probability < 0.5;
  focus_ = grown_towards_near(std::move(focus_), side);
}

/// Which sweeps are lit alike, on what is found to be the subject.
void Measuring::find_subject_and_light() {
  out_.view.all_see = measured_.all_see();
  out_.view.bands =
      find_bands(measured_.mosaic.luminance, measured_.grid, out_.view.all_see, for_each_);
  out_.lit_alike.assign(out_.sweeps.size(), 0);
  if (out_.sweeps.size() < 2) return;
  const Subject subject = find_subject(out_.profiles, focus_, out_.blur_limit_px, out_.view);
  std::vector<cv::Mat> light;
  for (const TileMeasures& frame : measured_.tiles) {
    light.push_back(frame.level.clone());
    if (!light.back().empty()) light.back().setTo(std::nanf(""), frame.valid == 0);
  }
  const auto tiles_of = [&](TileRole role) {
    std::vector<cv::Point> tiles;
    for (std::size_t t = 0; t < out_.profiles.tiles.size(); ++t)
      if (subject.roles[t] == role)
        tiles.emplace_back(out_.profiles.tiles[t].col, out_.profiles.tiles[t].row);
    return tiles;
  };
  out_.lit_alike = groups_lit_alike(focus_, out_.sweeps, light, tiles_of(TileRole::subject),
                                    tiles_of(TileRole::perch), out_.blur_limit_px);
}

/// 0 where all usable frames together may be held, at so many bytes a px of the grid; else how much
/// memory in all would do.
std::size_t Measuring::needed_bytes(double bytes_per_px) const {
  const auto usable = std::ranges::count_if(focus_.frames, &FocalPosition::usable);
  const double bytes = static_cast<double>(usable) * measured_.grid.size.area() * bytes_per_px;
  if (bytes <= memory_.step_bytes) return 0;
  return static_cast<std::size_t>(
      std::ceil(bytes / memory_.step_bytes * static_cast<double>(options_.memory_bytes)));
}

void Measuring::look_for_movement() {
  // Light in four bytes and mask in one, tiles 8 px wide, and a third more for the coarser levels.
  const double shrunk = 8.0 / measured_.grid.tile_px;
  if (focus_.status != FitStatus::converged) return;
  out_.movement_needs_bytes = needed_bytes(5.0 * 4.0 / 3.0 * shrunk * shrunk);
  if (out_.movement_needs_bytes > 0) return;
  telling_.tell("looking for movement", 0, 1);
  out_.movement = find_movement(
      out_.profiles, focus_, out_.sweeps,
      [this](std::size_t k) { return picture_again(measured_, out_.refs[k], read_, k); },
      {.blur_limit_px = out_.blur_limit_px, .lit_alike = out_.lit_alike}, for_each_);
}

void Measuring::look_for_drops() {
  if (focus_.status != FitStatus::converged || !options_.drops) return;
  out_.drops_need_bytes = needed_bytes(sizeof(std::uint16_t));
  if (out_.drops_need_bytes > 0) return;
  telling_.tell("looking for drops", 0, 1);
  const std::size_t n = out_.frames.size();
  const double px = out_.reduction;
  std::vector<DropFrame> frames(n);
  std::vector<PackedPicture> pictures(n);
  for (std::size_t k = 0; k < n; ++k) {
    const FocalPosition& frame = focus_.frames[k];
    frames[k] = {.q_px = frame.q_px.value_or(0.0) / px, .usable = frame.usable && frame.q_px};
    if (frames[k].usable) pictures[k] = picture_again(measured_, out_.refs[k], read_, k);
  }
  constexpr double kLeastWeight = SubjectOptions{}.min_weight;
  cv::Mat tile_q(measured_.grid.rows(), measured_.grid.cols(), CV_32FC1, cv::Scalar(NAN));
  for (std::size_t t = 0; t < out_.profiles.tiles.size(); ++t)
    if (focus_.tiles[t].weight >= kLeastWeight)
      tile_q.at<float>(out_.profiles.tiles[t].row, out_.profiles.tiles[t].col) =
          static_cast<float>(focus_.tiles[t].q_px / px);
  out_.drops = find_drops(frames, pictures, measured_.spots, out_.movement.changed, tile_q,
                          measured_.grid.tile_px, for_each_);
  std::vector<std::optional<double>> q_px(n);
  for (std::size_t k = 0; k < n; ++k)
    if (frames[k].usable) q_px[k] = frames[k].q_px;
  out_.lights = find_lights(q_px, measured_.spots);
  measured_.spots.clear();  // nobody else needs them
  out_.movement.changed.clear();
  // In other light highlights lie elsewhere, and some are not there; on drops that have grown, too.
  const auto seen_otherwise = [&](const DropChange& drop) {
    if (out_.sweeps.empty()) return false;
    const std::size_t from = sweep_of(out_.sweeps, drop.before),
                      to = sweep_of(out_.sweeps, drop.after);
    return out_.lit_alike[from] != out_.lit_alike[to] ||
           std::ranges::any_of(out_.movement.grown, [&](const GrownPart& part) {
             return from < part.sweep && part.sweep <= to;
           });
  };
  std::erase_if(out_.drops.lost, seen_otherwise);
  std::erase_if(out_.drops.appeared, seen_otherwise);
  if (!turned_) return;
  for (auto* list : {&out_.drops.lost, &out_.drops.appeared})
    for (DropChange& drop : *list) drop.q_px = -drop.q_px;
}

MeasuredBurst Measuring::run() {
  std::vector<int> orientations;
  for (const FrameRef& ref : out_.refs) orientations.push_back(ref.orientation);
  out_.frames.resize(out_.refs.size());
  if (out_.refs.empty()) return out_;
  out_.orientation = majority(orientations);
  find_size();
  if (out_.full_size.empty()) {
    for (MeasuredFrame& frame : out_.frames) frame.flags.push_back(FrameFlag::unreadable);
    return out_;
  }
  measured_ = measure_frames(out_.refs, looks_, read_,
                             {.full_size = out_.full_size,
                              .blur_limit_px = out_.blur_limit_px,
                              .full_px_per_file_px = out_.full_px_per_file_px,
                              .spots = options_.drops,
                              .memory = memory_},
                             telling_);
  out_.any = measured_.any();
  describe_measured();
  if (!out_.any) return out_;
  fit();
  choose_reference();
  out_.sweeps = find_sweeps(focus_, least_turn_px(out_.blur_limit_px), out_.time_s());
  distrust_other_apertures();
  out_.apart = sweeps_apart();
  if (!out_.apart.empty()) return out_;
  ask_the_picture();
  find_subject_and_light();
  look_for_movement();
  look_for_drops();
  telling_.tell("fitting", 1, 1);
  return out_;
}

}  // namespace

std::vector<std::optional<double>> MeasuredBurst::time_s() const {
  std::vector<std::optional<double>> times;
  for (const FrameRef& ref : refs) times.push_back(ref.time_s);
  return times;
}

int threads_for(int threads, std::size_t memory_bytes) {
  const int wanted = threads > 0 ? threads : tbb::this_task_arena::max_concurrency();
  if (memory_bytes >= kUsualMemoryBytes) return wanted;
  return std::min(wanted, static_cast<int>(share_memory(memory_bytes).frames_at_once));
}

double handbook_blur_limit_px(cv::Size full_size) {
  return std::hypot(full_size.width, full_size.height) / 1500.0;
}

double default_blur_limit_px(cv::Size full_size) {
  return std::max(2.0, std::hypot(full_size.width, full_size.height) / 3000.0);
}

int reduction_read(cv::Size full_size, double full_px_per_file_px, const MeasureOptions& options) {
  return working_reduction(full_size, measuring_limit_px(full_size, options), full_px_per_file_px);
}

std::vector<MeasuredBurst> measure(const Burst& burst, const ReadFrame& read,
                                   const MeasureOptions& options, const Progress& progress) {
  if (options.finer_limit_px && !(*options.finer_limit_px > 0.0))
    throw std::invalid_argument("finer_limit_px must be > 0");
  if (const std::string why = why_not(options.lens); !why.empty()) throw std::invalid_argument(why);
  if (options.memory_bytes < kLeastMemoryBytes)
    throw std::invalid_argument("memory_bytes must be at least kLeastMemoryBytes");
  Telling telling(progress);
  std::vector<MeasuredBurst> result;
  tbb::task_arena arena(threads_for(options.threads, options.memory_bytes));
  try {
    arena.execute([&] {
      for (BurstPart& part : part_by_scene(burst, look_at_all(burst.frames, read, options, telling),
                                           telling.for_each()))
        result.push_back(Measuring(std::move(part), read, options, telling).run());
    });
  } catch (const Stopped&) {
    return {};
  }
  return result;
}

}  // namespace ringsweep
