#include "app/measured_archive.h"

#include <cereal/archives/binary.hpp>
#include <cereal/types/array.hpp>
#include <cereal/types/optional.hpp>
#include <cereal/types/string.hpp>
#include <cereal/types/vector.hpp>
#include <cstdint>
#include <exception>
#include <span>
#include <sstream>

// Each struct is taken apart by name: one that gets a field more no longer compiles here.

namespace cereal {

template <class Archive>
void save(Archive& archive, const cv::Mat& m) {
  const cv::Mat whole = m.isContinuous() ? m : m.clone();
  archive(whole.rows, whole.cols, whole.type());
  archive(binary_data(whole.data, whole.total() * whole.elemSize()));
}

template <class Archive>
void load(Archive& archive, cv::Mat& m) {
  int rows = 0, cols = 0, type = 0;
  archive(rows, cols, type);
  m.release();
  if (rows > 0 && cols > 0) m.create(rows, cols, type);
  archive(binary_data(m.data, m.total() * m.elemSize()));
}

template <class Archive>
void save(Archive& archive, const Eigen::MatrixXd& m) {
  archive(m.rows(), m.cols());
  archive(binary_data(m.data(), static_cast<std::size_t>(m.size()) * sizeof(double)));
}

template <class Archive>
void load(Archive& archive, Eigen::MatrixXd& m) {
  Eigen::Index rows = 0, cols = 0;
  archive(rows, cols);
  m.resize(rows, cols);
  archive(binary_data(m.data(), static_cast<std::size_t>(m.size()) * sizeof(double)));
}

template <class Archive>
void serialize(Archive& archive, cv::Matx33d& m) {
  for (double& value : m.val) archive(value);
}

template <class Archive>
void serialize(Archive& archive, cv::Size& s) {
  archive(s.width, s.height);
}

template <class Archive, class T>
void serialize(Archive& archive, cv::Rect_<T>& r) {
  archive(r.x, r.y, r.width, r.height);
}

template <class Archive>
void serialize(Archive& archive, cv::Point& p) {
  archive(p.x, p.y);
}

template <class Archive>
void serialize(Archive& archive, cv::Point2d& p) {
  archive(p.x, p.y);
}

}  // namespace cereal

namespace ringsweep {

template <class Archive>
void serialize(Archive& archive, TileGrid& x) {
  auto& [size, tile_px] = x;
  archive(size, tile_px);
}

template <class Archive>
void serialize(Archive& archive, FrameExposure& x) {
  auto& [gain_ev, slow_ev, dark, dim, partly_lit, usable] = x;
  archive(gain_ev, slow_ev, dark, dim, partly_lit, usable);
}

template <class Archive>
void serialize(Archive& archive, Similarity& x) {
  auto& [log_scale, rotation, shift_x, shift_y] = x;
  archive(log_scale, rotation, shift_x, shift_y);
}

template <class Archive>
void serialize(Archive& archive, MeasuredFrame& x) {
  auto& [problem, flags, exposure, placed, placed_full, log_light, valid, energy] = x;
  archive(problem, flags, exposure, placed, placed_full, log_light, valid, energy);
}

template <class Archive>
void serialize(Archive& archive, Thumbnail& x) {
  auto& [levels] = x;
  archive(levels);
}

template <class Archive>
void serialize(Archive& archive, TileProfile& x) {
  auto& [row, col, peak_frame, energy, noise, log_curve, contrast] = x;
  archive(row, col, peak_frame, energy, noise, log_curve, contrast);
}

template <class Archive>
void serialize(Archive& archive, Profiles& x) {
  auto& [num_frames, diameter_px, tiles, grid, full_px_per_px, f_number_per_um] = x;
  archive(num_frames, diameter_px, tiles, grid, full_px_per_px, f_number_per_um);
}

template <class Archive>
void serialize(Archive& archive, FocalPosition& x) {
  auto& [q_px, sd_px, vague, usable, shake_px, log_contrast, scale_off_px] = x;
  archive(q_px, sd_px, vague, usable, shake_px, log_contrast, scale_off_px);
}

template <class Archive>
void serialize(Archive& archive, TilePosition& x) {
  auto& [q_px, weight] = x;
  archive(q_px, weight);
}

template <class Archive>
void serialize(Archive& archive, FocalPositions& x) {
  auto& [frames, tiles, covariance, long_steps, scale_sd, status, reason, iterations, cost,
         misfit] = x;
  archive(frames, tiles, covariance, long_steps, scale_sd, status, reason, iterations, cost,
          misfit);
}

template <class Archive>
void serialize(Archive& archive, Haze& x) {
  auto& [first_frame, contrast_lost, grows] = x;
  archive(first_frame, contrast_lost, grows);
}

template <class Archive>
void serialize(Archive& archive, SubjectView& x) {
  auto& [all_see, bands] = x;
  archive(all_see, bands);
}

template <class Archive>
void serialize(Archive& archive, SweepRange& x) {
  auto& [first, last, rising] = x;
  archive(first, last, rising);
}

template <class Archive>
void serialize(Archive& archive, MovedPart& x) {
  auto& [kind, frame, tiles, own, moves, box_on_grid, box, shift, shift_sd, before, after,
         conflict] = x;
  archive(kind, frame, tiles, own, moves, box_on_grid, box, shift, shift_sd, before, after,
          conflict);
}

template <class Archive>
void serialize(Archive& archive, GrownPart& x) {
  auto& [sweep] = x;
  archive(sweep);
}

template <class Archive>
void serialize(Archive& archive, Movement& x) {
  auto& [looked, parts, grown, changed, parallax_px] = x;
  static_cast<void>(changed);  // for the drops alone, which are told by then
  archive(looked, parts, grown, parallax_px);
}

template <class Archive>
void serialize(Archive& archive, DropChange& x) {
  auto& [fate, at, radius, reach, q, before, after, probability, log_odds, height, over_another,
         conflict] = x;
  archive(fate, at, radius, reach, q, before, after, probability, log_odds, height, over_another,
          conflict);
}

template <class Archive>
void serialize(Archive& archive, Drops& x) {
  auto& [looked, tracked, lost, appeared] = x;
  archive(looked, tracked, lost, appeared);
}

template <class Archive>
void serialize(Archive& archive, Light::Size& x) {
  auto& [frame, sigma] = x;
  archive(frame, sigma);
}

template <class Archive>
void serialize(Archive& archive, Light& x) {
  auto& [at, height, sizes] = x;
  archive(at, height, sizes);
}

template <class Archive>
void serialize(Archive& archive, MeasuredSweep& x);

template <class Archive>
void serialize(Archive& archive, MeasuredBurst& x) {
  auto& [folder, refs, frames, orientation, full_size, full_px_per_file_px, blur_limit,
         thumbnail_px, any, grid, reduction, reference, from_grid, look, profiles, focus, haze,
         near, view, sweeps, lit_alike, movement, drops, lights, movement_needs, drops_need,
         apart] = x;
  static_cast<void>(folder), static_cast<void>(refs);  // of the burst
  archive(frames, orientation, full_size, full_px_per_file_px, blur_limit, thumbnail_px, any, grid,
          reduction, reference, from_grid, look, profiles, focus, haze, near, view, sweeps,
          lit_alike, movement, drops, lights, movement_needs, drops_need, apart);
}

template <class Archive>
void serialize(Archive& archive, MeasuredSweep& x) {
  auto& [first, burst] = x;
  archive(first, burst);
}

namespace app {
namespace {

/// Where the frames of a part, which follow each other, begin in the burst.
std::optional<std::size_t> first_of(const MeasuredBurst& part, const Burst& burst) {
  if (part.refs.empty()) return 0;
  for (std::size_t first = 0; first + part.refs.size() <= burst.frames.size(); ++first) {
    bool same = true;
    for (std::size_t k = 0; k < part.refs.size() && same; ++k)
      same = part.refs[k].path == burst.frames[first + k].path;
    if (same) return first;
  }
  return std::nullopt;
}

/// Gives a part and its sweeps their frames.
void give_frames(MeasuredBurst& part, const std::string& folder, std::span<const FrameRef> frames) {
  part.folder = folder;
  part.refs.assign(frames.begin(), frames.end());
  for (MeasuredSweep& sweep : part.apart)
    give_frames(sweep.burst, folder, frames.subspan(sweep.first, sweep.burst.frames.size()));
}

}  // namespace

std::string archived(const std::vector<MeasuredBurst>& parts, const Burst& burst) {
  std::vector<std::size_t> firsts;
  for (const MeasuredBurst& part : parts) firsts.push_back(first_of(part, burst).value());
  std::ostringstream bytes;
  cereal::BinaryOutputArchive archive(bytes);
  archive(firsts, parts);
  return std::move(bytes).str();
}

std::optional<std::vector<MeasuredBurst>> from_archive(std::string_view bytes, const Burst& burst) {
  std::vector<std::size_t> firsts;
  std::vector<MeasuredBurst> parts;
  try {
    std::istringstream in{std::string(bytes)};
    cereal::BinaryInputArchive archive(in);
    archive(firsts, parts);
  } catch (const std::exception&) {
    return std::nullopt;
  }
  const std::span<const FrameRef> frames(burst.frames);
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (firsts.size() != parts.size() || firsts[i] > frames.size() ||
        parts[i].frames.size() > frames.size() - firsts[i])
      return std::nullopt;
    give_frames(parts[i], burst.folder, frames.subspan(firsts[i], parts[i].frames.size()));
  }
  return parts;
}

}  // namespace app
}  // namespace ringsweep
