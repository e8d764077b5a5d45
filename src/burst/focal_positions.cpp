#include "ringsweep/focal_positions.h"

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <numeric>
#include <stdexcept>

#include "burst/breathing.h"
#include "burst/focal_starts.h"
#include "burst/tile_curves.h"
#include "numerics/cauchy.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t kTileUnknowns = 1 + kNumBands;  // position, one amplitude a band
using TileVec = Eigen::Matrix<double, kTileUnknowns, 1>;
using TileMat = Eigen::Matrix<double, kTileUnknowns, kTileUnknowns>;
using Amplitudes = std::array<double, kNumBands>;
constexpr double kLeastAmplitude = 0.3, kMostAmplitude = 3.0;
constexpr int kClusterRows = 6, kClusterCols = 8;  // parts of the picture, for the sds
constexpr std::size_t kChunks = 16;  // fixed: sums run in the same order on any number of cores

/// What is known of a tile while fitting.
struct TileState {
  double u = 0.0;
  Amplitudes amplitude{};
  double noise_factor = 1.0;  // of the model error, estimated
  bool placed = false;        // its profile says where it lies
};

/// One energy of a tile, with what does not change while the tile alone is moved.
struct Sample {
  double q = 0.0;
  double gain = 1.0;  // e^gain of its frame
  double energy = 0.0;
  double per_sigma = 1.0;
  double model = 0.0;  // gain h at the trial position
};
using TileSamples = std::array<std::vector<Sample>, kNumBands>;

class Fit {
 public:
  Fit(const Profiles& profiles, const std::vector<bool>& use, std::span<const double> log_scale,
      const FitOptions& options, const ForEach& for_each)
      : profiles_(profiles),
        options_(options),
        for_each_(for_each),
        curves_(profiles),
        num_frames_(profiles.num_frames),
        use_(use),
        q_(VectorXd::Zero(static_cast<Index>(num_frames_))),
        gain_(VectorXd::Zero(static_cast<Index>(num_frames_))),
        scale_(Eigen::Map<const VectorXd>(log_scale.data(), static_cast<Index>(log_scale.size()))
                   .array()
                   .exp()),
        tiles_(profiles.tiles.size()) {
    for (std::size_t t = 0; t < tiles_.size(); ++t)
      if (has_fine_texture(t)) chosen_.push_back(t);
    measure_vagueness();
    update_sigmas();
    if (chosen_.size() > options.max_tiles) chosen_ = spread_over_depth(options.max_tiles);
  }

  FocalPositions run();

 private:
  [[nodiscard]] std::vector<VectorXd> starts() const;
  void take_best(const std::vector<VectorXd>& starts);
  void place_frames(const std::vector<std::size_t>& by_tiles);
  [[nodiscard]] double frame_cost(std::size_t frame, double q,
                                  const std::vector<std::size_t>& by_tiles) const;
  [[nodiscard]] std::pair<double, double> range_of_frames() const;
  [[nodiscard]] std::optional<double> blur_read_px(std::size_t t, std::size_t k) const;
  void place_tile(std::size_t t, double reach_px);
  void place_tiles(const std::vector<std::size_t>& which, double reach_px);
  void collect_samples(std::size_t t, TileSamples& samples) const;
  double fit_amplitudes(std::size_t t, double u, TileSamples& samples, Amplitudes& amplitude) const;
  void measure_vagueness();
  void update_sigmas();
  void update_noise_factors();
  struct System {
    MatrixXd a;
    VectorXd b;
    std::vector<TileMat> v;   // per chosen tile
    std::vector<MatrixXd> w;  // per chosen tile: 2 n x 4
    std::vector<TileVec> gt;  // per chosen tile
  };
  System linearise(double lambda, std::vector<VectorXd>* scores = nullptr) const;
  void add_breathing(System& system, std::vector<VectorXd>* scores) const;
  [[nodiscard]] double breathing_cost() const;
  [[nodiscard]] double total_cost() const;
  void levenberg_marquardt(int iterations);
  void sd(FocalPositions& out) const;
  void keep_the_truest_half();
  void judge(FocalPositions& out) const;
  void widen_by_other_places(FocalPositions& out, const VectorXd& inflation) const;
  [[nodiscard]] std::vector<std::size_t> every_nth_chosen(std::size_t most) const;
  [[nodiscard]] std::vector<std::size_t> spread_over_depth(std::size_t most) const;
  [[nodiscard]] bool has_fine_texture(std::size_t t) const;
  [[nodiscard]] std::size_t cluster_of(const TileProfile& tile) const;
  [[nodiscard]] bool counts(std::size_t t, std::size_t j, std::size_t k) const {
    return use_[k] && profiles_.tiles[t].energy[j][k] >= 0.0F;
  }
  [[nodiscard]] double peak_blur(std::size_t t) const {
    return q_(static_cast<Index>(profiles_.tiles[t].peak_frame)) - tiles_[t].u;
  }
  [[nodiscard]] double per_sigma(std::size_t t, std::size_t j, std::size_t k) const {
    return static_cast<double>(per_sigma_[t][j * num_frames_ + k]);
  }

  const Profiles& profiles_;
  const FitOptions& options_;
  const ForEach& for_each_;
  TileCurves curves_;
  std::size_t num_frames_;
  std::vector<bool> use_;
  VectorXd q_, gain_, scale_;
  BreathingLine breathing_;
  std::vector<TileState> tiles_;
  std::vector<std::size_t> chosen_;
  // Far out of focus the model fails slowly: its error grows there. By the blur read off the tile,
  // tile x frame, not by the fitted one, or pushing everything apart would explain everything.
  std::vector<std::vector<float>> vagueness_;
  std::vector<std::vector<float>> per_sigma_;  // tile x (band, frame): 1 / sigma of an energy
  int iterations_ = 0;
  bool converged_ = false;
};

/// The best tiles of every frame in turn, so that one rich depth does not crowd out the others.
std::vector<std::size_t> Fit::spread_over_depth(std::size_t most) const {
  std::vector<std::vector<std::size_t>> by_frame(num_frames_);
  for (const std::size_t t : chosen_) by_frame[profiles_.tiles[t].peak_frame].push_back(t);
  for (auto& tiles : by_frame)
    std::ranges::stable_sort(tiles, std::greater<>(),
                             [&](std::size_t t) { return profiles_.tiles[t].contrast; });
  std::vector<std::size_t> kept;
  for (std::size_t rank = 0; kept.size() < most; ++rank)
    for (const auto& tiles : by_frame)
      if (rank < tiles.size() && kept.size() < most) kept.push_back(tiles[rank]);
  std::ranges::sort(kept);
  return kept;
}

/// A background that is blurred in all frames has a flat curve: a little more blur changes nothing,
/// and so it says nothing about the frames.
bool Fit::has_fine_texture(std::size_t t) const {
  constexpr double kTrialPx = 6.0, kLeft = 0.8;
  const double d = kTrialPx * profiles_.full_px_per_px;
  return curves_.at(profiles_.tiles[t], 1, d * d).value < kLeft;
}

void Fit::measure_vagueness() {
  vagueness_.assign(tiles_.size(), std::vector<float>(num_frames_, 1.0F));
  for (std::size_t t = 0; t < tiles_.size(); ++t)
    for (std::size_t k = 0; k < num_frames_; ++k) {
      const double reach =
          blur_read_px(t, k).value_or(profiles_.diameter_px.back()) / options_.max_blur_px;
      vagueness_[t][k] = static_cast<float>(std::sqrt(1.0 + std::pow(reach, 4)));
    }
}

void Fit::update_sigmas() {
  per_sigma_.resize(tiles_.size());
  for (std::size_t t = 0; t < tiles_.size(); ++t) {
    per_sigma_[t].resize(kNumBands * num_frames_);
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (std::size_t k = 0; k < num_frames_; ++k) {
        const double model_error =
            options_.model_error * tiles_[t].noise_factor * static_cast<double>(vagueness_[t][k]);
        const double noise = profiles_.tiles[t].noise[j];
        per_sigma_[t][j * num_frames_ + k] =
            static_cast<float>(1.0 / std::sqrt(model_error * model_error + noise * noise));
      }
  }
}

void Fit::collect_samples(std::size_t t, TileSamples& samples) const {
  for (std::size_t j = 0; j < kNumBands; ++j) {
    samples[j].clear();
    for (std::size_t k = 0; k < num_frames_; ++k)
      if (counts(t, j, k))
        samples[j].push_back({.q = q_(static_cast<Index>(k)),
                              .gain = std::exp(gain_(static_cast<Index>(k))),
                              .energy = static_cast<double>(profiles_.tiles[t].energy[j][k]),
                              .per_sigma = per_sigma(t, j, k)});
  }
}

/// Best amplitudes of a tile at a trial position, in closed form; returns the cost.
double Fit::fit_amplitudes(std::size_t t, double u, TileSamples& samples,
                           Amplitudes& amplitude) const {
  const TileProfile& tile = profiles_.tiles[t];
  const double d0 = q_(static_cast<Index>(tile.peak_frame)) - u;
  const double prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
  CauchySum cost;
  double prior_cost = 0.0;
  for (std::size_t j = 0; j < kNumBands; ++j) {
    for (Sample& s : samples[j]) {
      const double d = s.q - u;
      s.model = s.gain * curves_.at(tile, j, d * d - d0 * d0).value;
    }
    double a = 1.0;
    for (int pass = 0; pass < 2; ++pass) {  // the second with robust weights
      double top = prior, bottom = prior;
      for (const Sample& s : samples[j]) {
        double w = s.per_sigma * s.per_sigma;
        if (pass > 0) w *= cauchy_weight((s.energy - a * s.model) * s.per_sigma);
        top += w * s.model * s.energy;
        bottom += w * s.model * s.model;
      }
      a = std::clamp(top / bottom, kLeastAmplitude, kMostAmplitude);
    }
    amplitude[j] = a;
    prior_cost += (a - 1.0) * (a - 1.0) * prior;
    for (const Sample& s : samples[j]) cost.add((s.energy - a * s.model) * s.per_sigma);
  }
  return prior_cost + cost.value();
}

/// Seeks a tile's position on a grid of trial positions, then between them.
void Fit::place_tile(std::size_t t, double reach_px) {
  const TileProfile& tile = profiles_.tiles[t];
  if (!use_[tile.peak_frame]) {
    tiles_[t].placed = false;
    return;
  }
  // A tile lies near the frame that shows it sharpest: no farther off than the frames next to that
  // one in depth. Only a tile that is sharpest at an end of the sweep may lie beyond.
  const double peak = q_(static_cast<Index>(tile.peak_frame));
  double below = std::numeric_limits<double>::max(), above = below;
  bool lowest = true, highest = true;
  tiles_[t].placed = true;
  for (std::size_t k = 0; k < num_frames_; ++k) {
    if (!use_[k]) continue;
    const double q = q_(static_cast<Index>(k));
    const bool sees = tile.energy[0][k] >= 0.0F;
    if (q < peak) lowest = false, below = sees ? std::min(below, peak - q) : below;
    if (q > peak) highest = false, above = sees ? std::min(above, q - peak) : above;
  }
  // Sharpest in the last frame that sees it, while other frames go on: it cannot be told where.
  constexpr double kNone = std::numeric_limits<double>::max();
  if ((!lowest && below == kNone) || (!highest && above == kNone)) tiles_[t].placed = false;
  const double slack = 1.5 * profiles_.full_px_per_px;
  const double low = peak - (lowest ? reach_px : below == kNone ? slack : below + slack);
  const double high = peak + (highest ? reach_px : above == kNone ? slack : above + slack);
  const double step = 0.25 * profiles_.full_px_per_px;
  double best = std::numeric_limits<double>::max(), best_u = peak;
  TileSamples samples;
  collect_samples(t, samples);
  const auto try_at = [&](double u) {
    Amplitudes amplitude{};
    const double cost = fit_amplitudes(t, u, samples, amplitude);
    if (cost < best) best = cost, best_u = u, tiles_[t].amplitude = amplitude;
  };
  for (double u = low; u <= high; u += step) try_at(u);
  for (double width = step / 2; width > 0.02 * step; width /= 2) {
    const double middle = best_u;
    try_at(middle - width);
    try_at(middle + width);
  }
  // At the far edge of the search there is no minimum.
  if ((lowest && best_u < low + step) || (highest && best_u > high - step))
    tiles_[t].placed = false;
  tiles_[t].u = best_u;
}

void Fit::place_tiles(const std::vector<std::size_t>& which, double reach_px) {
  for_each_(kChunks, [&](std::size_t chunk) {
    for (std::size_t i = chunk; i < which.size(); i += kChunks) place_tile(which[i], reach_px);
  });
}

/// Blur of a tile in a frame, read off the tile's own curve.
std::optional<double> Fit::blur_read_px(std::size_t t, std::size_t k) const {
  constexpr std::size_t kBand = 1;
  const TileProfile& tile = profiles_.tiles[t];
  if (tile.energy[kBand][k] < 3.0 * tile.noise[kBand]) return std::nullopt;
  return curves_.blur_px(tile, kBand, tile.energy[kBand][k]);
}

std::vector<std::size_t> Fit::every_nth_chosen(std::size_t most) const {
  std::vector<std::size_t> some;
  const std::size_t stride = std::max<std::size_t>(1, chosen_.size() / most);
  for (std::size_t i = 0; i < chosen_.size(); i += stride) some.push_back(chosen_[i]);
  return some;
}

std::vector<VectorXd> Fit::starts() const {
  const std::vector<std::size_t> sample = every_nth_chosen(800);
  const double far = options_.max_blur_px * 1.2;
  Eigen::MatrixXf blur = Eigen::MatrixXf::Constant(static_cast<Index>(num_frames_),
                                                   static_cast<Index>(sample.size()), -1.0F);
  for (std::size_t i = 0; i < sample.size(); ++i)
    for (std::size_t k = 0; k < num_frames_; ++k) {
      const auto d = use_[k] ? blur_read_px(sample[i], k) : std::nullopt;
      if (d && *d <= far)
        blur(static_cast<Index>(k), static_cast<Index>(i)) = static_cast<float>(*d);
    }
  return starting_positions(blur, use_, scale_, 0.6 * options_.max_blur_px, for_each_);
}

std::pair<double, double> Fit::range_of_frames() const {
  double low = std::numeric_limits<double>::max(), high = std::numeric_limits<double>::lowest();
  for (std::size_t k = 0; k < num_frames_; ++k) {
    if (!use_[k]) continue;
    low = std::min(low, q_(static_cast<Index>(k)));
    high = std::max(high, q_(static_cast<Index>(k)));
  }
  return {low, high};
}

/// Cost of one frame at a trial position, the tiles and the other frames held.
double Fit::frame_cost(std::size_t frame, double q,
                       const std::vector<std::size_t>& by_tiles) const {
  const auto k = static_cast<Index>(frame);
  const double gain = std::exp(gain_(k));
  CauchySum cost;
  for (const std::size_t t : by_tiles) {
    const TileProfile& tile = profiles_.tiles[t];
    if (tile.peak_frame == frame) continue;  // its curve starts from this very frame
    const double d = q - tiles_[t].u, d0 = peak_blur(t);
    for (std::size_t j = 0; j < kNumBands; ++j) {
      if (!counts(t, j, frame)) continue;
      const double predicted =
          tiles_[t].amplitude[j] * gain * curves_.at(tile, j, d * d - d0 * d0).value;
      cost.add((tile.energy[j][frame] - predicted) * per_sigma(t, j, frame));
    }
  }
  cost.add((scale_(k) - breathing_.offset - breathing_.slope * q) / breathing_.sd);
  return cost.value();
}

/// Seeks each frame's position with the tiles held: brings back a frame that was put on the wrong
/// side, which no small step can do.
void Fit::place_frames(const std::vector<std::size_t>& by_tiles) {
  const auto [low, high] = range_of_frames();
  const double step = 0.5 * profiles_.full_px_per_px;
  VectorXd found = q_;
  for_each_(num_frames_, [&, low = low, high = high](std::size_t frame) {
    if (!use_[frame]) return;
    const auto k = static_cast<Index>(frame);
    double best = 0.98 * frame_cost(frame, q_(k), by_tiles);  // a clear gain, or the frame stays
    for (double q = low - 8.0; q <= high + 8.0; q += step)
      if (const double cost = frame_cost(frame, q, by_tiles); cost < best)
        best = cost, found(k) = q;
  });
  q_ = found;
}

/// Tries every start on some of the tiles and goes on with the best.
void Fit::take_best(const std::vector<VectorXd>& starts) {
  const std::vector<std::size_t> all = chosen_;
  chosen_ = every_nth_chosen(500);
  const auto used = static_cast<double>(std::ranges::count(use_, true));
  double best = std::numeric_limits<double>::max();
  VectorXd best_q;
  for (const VectorXd& start : starts) {
    q_ = start;
    gain_.setZero();
    for (int round = 0; round < 2; ++round) {
      breathing_ = fit_breathing(q_, scale_, use_, options_.breathing_sd_px);
      if (round > 0) place_frames(chosen_);
      place_tiles(chosen_, 12.0);
      levenberg_marquardt(6);
    }
    breathing_ = fit_breathing(q_, scale_, use_, options_.breathing_sd_px);
    // Each start has a breathing sd of its own, so its logarithm belongs to the likelihood.
    const double cost = total_cost() + 2.0 * used * std::log(breathing_.sd);
    if (cost < best) best = cost, best_q = q_;
  }
  q_ = best_q;
  gain_.setZero();
  chosen_ = all;
}

void Fit::update_noise_factors() {
  for (const std::size_t t : chosen_) {
    const TileProfile& tile = profiles_.tiles[t];
    const double d0 = peak_blur(t);
    // Mean square of the residuals in units of the plain model error, with a prior of 1.
    double sum = 6.0, count = 6.0;
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (std::size_t k = 0; k < num_frames_; ++k) {
        if (!counts(t, j, k) || vagueness_[t][k] > 1.5F) continue;
        const auto ik = static_cast<Index>(k);
        const double d = q_(ik) - tiles_[t].u;
        const double predicted = tiles_[t].amplitude[j] * std::exp(gain_(ik)) *
                                 curves_.at(tile, j, d * d - d0 * d0).value;
        const double e = (tile.energy[j][k] - predicted) /
                         (options_.model_error * static_cast<double>(vagueness_[t][k]));
        sum += std::min(e * e, 100.0);
        count += 1.0;
      }
    tiles_[t].noise_factor = std::sqrt(sum / count);
  }
  update_sigmas();
}

/// A tile that sees several depths has a profile that is too wide, and makes the ring seem to turn
/// less: even a small weight for each of them pulls the scale. Of the tiles that are sharpest in
/// one frame, the half that the model explains better stays, but always a few.
void Fit::keep_the_truest_half() {
  constexpr std::size_t kFew = 8;
  std::vector<std::vector<std::size_t>> by_frame(num_frames_);
  for (const std::size_t t : chosen_) by_frame[profiles_.tiles[t].peak_frame].push_back(t);
  chosen_.clear();
  for (auto& tiles : by_frame) {
    std::ranges::stable_sort(tiles, {}, [&](std::size_t t) { return tiles_[t].noise_factor; });
    const std::size_t keep = std::max(std::min(kFew, tiles.size()), (tiles.size() + 1) / 2);
    chosen_.insert(chosen_.end(), tiles.begin(), tiles.begin() + static_cast<std::ptrdiff_t>(keep));
  }
  std::ranges::sort(chosen_);
}

std::size_t Fit::cluster_of(const TileProfile& tile) const {
  const int r = tile.row * kClusterRows / std::max(1, profiles_.grid.rows());
  const int c = tile.col * kClusterCols / std::max(1, profiles_.grid.cols());
  return static_cast<std::size_t>(std::min(r, kClusterRows - 1) * kClusterCols +
                                  std::min(c, kClusterCols - 1));
}

/// The normal equations of the frames, tiles eliminated.
/// @param lambda damping of the tiles' own blocks; 0 for covariances.
/// @param scores if wanted: the gradient's parts, one for each part of the picture and one for each
/// frame's breathing, which err independently.
Fit::System Fit::linearise(double lambda, std::vector<VectorXd>* scores) const {
  const auto n = static_cast<Index>(num_frames_);
  System system;
  system.v.resize(chosen_.size());
  system.w.resize(chosen_.size());
  system.gt.resize(chosen_.size());
  std::vector<MatrixXd> a_part(kChunks, MatrixXd::Zero(2 * n, 2 * n));
  std::vector<VectorXd> b_part(kChunks, VectorXd::Zero(2 * n));
  std::vector<VectorXd> score(scores ? chosen_.size() : 0);
  const double amplitude_prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
  const VectorXd gain_factor = gain_.array().exp();

  for_each_(kChunks, [&](std::size_t chunk) {
    MatrixXd& a = a_part[chunk];
    VectorXd& b = b_part[chunk];
    for (std::size_t i = chunk; i < chosen_.size(); i += kChunks) {
      const std::size_t t = chosen_[i];
      const TileProfile& tile = profiles_.tiles[t];
      const auto k0 = static_cast<Index>(tile.peak_frame);
      const double d0 = peak_blur(t);
      TileMat v = TileMat::Zero();
      TileVec gt = TileVec::Zero();
      MatrixXd w = MatrixXd::Zero(2 * n, kTileUnknowns);
      VectorXd gf = VectorXd::Zero(2 * n);
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const auto ja = static_cast<Index>(1 + j);
        const double amplitude = tiles_[t].amplitude[j];
        v(ja, ja) += amplitude_prior;
        gt(ja) += amplitude_prior * (1.0 - amplitude);
        for (std::size_t frame = 0; frame < num_frames_; ++frame) {
          if (!counts(t, j, frame)) continue;
          const auto k = static_cast<Index>(frame);
          const double d = q_(k) - tiles_[t].u;
          const CurveValue h = curves_.at(tile, j, d * d - d0 * d0);
          // Derivatives of the prediction, in sigmas.
          const double ja_value = gain_factor(k) * h.value * per_sigma(t, j, frame);
          const double m = amplitude * ja_value;
          const double by_x = m * h.log_slope;
          const double jq = by_x * 2.0 * d;
          const double j0 = -by_x * 2.0 * d0;
          const double ju = -jq - j0;
          const double e = tile.energy[j][frame] * per_sigma(t, j, frame) - m;
          const double wt = cauchy_weight(e);
          a(k, k) += wt * jq * jq;
          a(k, k0) += wt * jq * j0, a(k0, k) += wt * jq * j0;
          a(k0, k0) += wt * j0 * j0;
          a(n + k, n + k) += wt * m * m;
          a(n + k, k) += wt * m * jq, a(k, n + k) += wt * m * jq;
          a(n + k, k0) += wt * m * j0, a(k0, n + k) += wt * m * j0;
          gf(k) += wt * jq * e, gf(k0) += wt * j0 * e, gf(n + k) += wt * m * e;
          w(k, 0) += wt * jq * ju, w(k0, 0) += wt * j0 * ju, w(n + k, 0) += wt * m * ju;
          w(k, ja) += wt * jq * ja_value, w(k0, ja) += wt * j0 * ja_value;
          w(n + k, ja) += wt * m * ja_value;
          v(0, 0) += wt * ju * ju;
          v(0, ja) += wt * ju * ja_value, v(ja, 0) += wt * ju * ja_value;
          v(ja, ja) += wt * ja_value * ja_value;
          gt(0) += wt * ju * e, gt(ja) += wt * ja_value * e;
        }
      }
      v.diagonal() *= 1.0 + lambda;
      v(0, 0) += 1e-6;
      const Eigen::LDLT<TileMat> solver(v);
      const MatrixXd vw = solver.solve(w.transpose());  // 4 x 2n
      a.noalias() -= w * vw;
      const VectorXd reduced = gf - w * solver.solve(gt);
      b += reduced;
      if (scores) score[i] = reduced;
      system.v[i] = v;
      system.w[i] = std::move(w);
      system.gt[i] = gt;
    }
  });
  system.a = MatrixXd::Zero(2 * n, 2 * n);
  system.b = VectorXd::Zero(2 * n);
  for (std::size_t c = 0; c < kChunks; ++c) system.a += a_part[c], system.b += b_part[c];
  const double gain_prior = 1.0 / (options_.gain_sd * options_.gain_sd);
  for (Index k = 0; k < n; ++k) {
    system.a(n + k, n + k) += gain_prior;
    system.b(n + k) -= gain_prior * gain_(k);
  }
  if (scores) {
    scores->assign(kClusterRows * kClusterCols, VectorXd::Zero(2 * n));
    for (std::size_t i = 0; i < chosen_.size(); ++i)
      (*scores)[cluster_of(profiles_.tiles[chosen_[i]])] += score[i];
  }
  add_breathing(system, scores);
  return system;
}

/// The frames' scales, the breathing line's offset and slope eliminated.
void Fit::add_breathing(System& system, std::vector<VectorXd>* scores) const {
  const auto n = static_cast<Index>(num_frames_);
  const BreathingLine line = refit_breathing(breathing_, q_, scale_, use_);
  const double by_q = line.slope / line.sd;
  VectorXd weight = VectorXd::Zero(n);
  for (Index k = 0; k < n; ++k) {
    if (!use_[static_cast<std::size_t>(k)]) continue;
    const double r = (scale_(k) - line.offset - line.slope * q_(k)) / line.sd;
    weight(k) = cauchy_weight(r);
    const double gradient = weight(k) * by_q * r;
    system.b(k) += gradient;
    if (!scores) continue;
    scores->push_back(VectorXd::Zero(2 * n));
    scores->back()(k) = gradient;
  }
  Eigen::MatrixX2d x(n, 2);
  x.col(0).setOnes();
  x.col(1) = q_;
  const Eigen::MatrixX2d wx = weight.asDiagonal() * x;
  Eigen::Matrix2d xwx = x.transpose() * wx;
  if (xwx.determinant() <= 1e-9 * xwx(0, 0) * xwx(1, 1)) return;  // all at one place
  MatrixXd a = weight.asDiagonal();
  a -= wx * xwx.ldlt().solve(wx.transpose());
  system.a.topLeftCorner(n, n) += by_q * by_q * a;
}

double Fit::breathing_cost() const {
  const BreathingLine line = refit_breathing(breathing_, q_, scale_, use_);
  CauchySum cost;
  for (std::size_t k = 0; k < num_frames_; ++k) {
    const auto ik = static_cast<Index>(k);
    if (use_[k]) cost.add((scale_(ik) - line.offset - line.slope * q_(ik)) / line.sd);
  }
  return cost.value();
}

double Fit::total_cost() const {
  std::vector<double> part(kChunks, 0.0);
  const double amplitude_prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
  const VectorXd gain_factor = gain_.array().exp();
  for_each_(kChunks, [&](std::size_t chunk) {
    CauchySum cost;
    double prior_cost = 0.0;
    for (std::size_t i = chunk; i < chosen_.size(); i += kChunks) {
      const std::size_t t = chosen_[i];
      const TileProfile& tile = profiles_.tiles[t];
      const double d0 = peak_blur(t);
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const double a = tiles_[t].amplitude[j];
        prior_cost += amplitude_prior * (a - 1.0) * (a - 1.0);
        for (std::size_t k = 0; k < num_frames_; ++k) {
          if (!counts(t, j, k)) continue;
          const auto ik = static_cast<Index>(k);
          const double d = q_(ik) - tiles_[t].u;
          const double predicted = a * gain_factor(ik) * curves_.at(tile, j, d * d - d0 * d0).value;
          cost.add((tile.energy[j][k] - predicted) * per_sigma(t, j, k));
        }
      }
    }
    part[chunk] = prior_cost + cost.value();
  });
  double cost = gain_.squaredNorm() / (options_.gain_sd * options_.gain_sd) + breathing_cost();
  for (const double p : part) cost += p;
  return cost;
}

void Fit::levenberg_marquardt(int iterations) {
  const auto n = static_cast<Index>(num_frames_);
  double cost = total_cost();
  double lambda = 1e-3;
  converged_ = false;
  for (int it = 0; it < iterations && !converged_; ++it, ++iterations_) {
    const System system = linearise(lambda);
    bool accepted = false;
    for (int trial = 0; trial < 8 && !accepted; ++trial) {
      MatrixXd a = system.a;
      const double ridge = 1e-9 * std::max(1.0, a.diagonal().maxCoeff());
      a.diagonal() *= 1.0 + lambda;
      a.diagonal().array() += ridge;
      const VectorXd step = a.ldlt().solve(system.b);
      const VectorXd old_q = q_, old_gain = gain_;
      const std::vector<TileState> old_tiles = tiles_;
      for (Index k = 0; k < n; ++k) {
        q_(k) += std::clamp(step(k), -2.0, 2.0);
        gain_(k) += std::clamp(step(n + k), -0.3, 0.3);
      }
      for (std::size_t i = 0; i < chosen_.size(); ++i) {
        TileState& tile = tiles_[chosen_[i]];
        const TileVec own = system.v[i].ldlt().solve(system.gt[i] - system.w[i].transpose() * step);
        tile.u += std::clamp(own(0), -2.0, 2.0);
        for (std::size_t j = 0; j < kNumBands; ++j)
          tile.amplitude[j] = std::clamp(tile.amplitude[j] + own(static_cast<Index>(1 + j)),
                                         kLeastAmplitude, kMostAmplitude);
      }
      const double trial_cost = total_cost();
      if (trial_cost < cost) {
        const double largest = step.head(n).cwiseAbs().maxCoeff();
        converged_ = largest < 2e-3 || cost - trial_cost < 1e-7 * cost;
        cost = trial_cost;
        breathing_ = refit_breathing(breathing_, q_, scale_, use_);
        lambda = std::max(1e-7, lambda / 5.0);
        accepted = true;
      } else {
        q_ = old_q, gain_ = old_gain, tiles_ = old_tiles;
        lambda = std::min(1e6, lambda * 6.0);
      }
    }
    if (!accepted) {
      converged_ = true;  // no step helps: this is the minimum to rounding
      break;
    }
  }
}

/// Sandwich covariance over parts of the picture, gauge taken out.
void Fit::sd(FocalPositions& out) const {
  const auto n = static_cast<Index>(num_frames_);
  std::vector<VectorXd> scores;
  const System system = linearise(0.0, &scores);
  MatrixXd a = system.a;
  const double big = a.diagonal().maxCoeff();
  for (Index k = 0; k < n; ++k)
    if (!use_[static_cast<std::size_t>(k)]) a(k, k) += big;
  a.topLeftCorner(n, n).array() += 1e-3 * big / static_cast<double>(n);  // holds the free shift
  a.diagonal().array() += 1e-9 * big;
  const MatrixXd inverse = a.ldlt().solve(MatrixXd::Identity(2 * n, 2 * n));
  MatrixXd meat = MatrixXd::Zero(2 * n, 2 * n);
  double clusters = 0.0;
  for (const VectorXd& s : scores) {
    if (s.squaredNorm() == 0.0) continue;
    meat += s * s.transpose();
    clusters += 1.0;
  }
  if (clusters > 1.0) meat *= clusters / (clusters - 1.0);
  // With few clusters the sandwich sees too little; the plain covariance is a lower bound.
  const MatrixXd c = (inverse * meat * inverse + inverse).topLeftCorner(n, n);
  const VectorXd inflation = c.diagonal().array() / inverse.diagonal().head(n).array().max(1e-300);

  // Mean and scale of the frames on the subject are taken out: they are the gauge and scale_sd.
  VectorXd one = VectorXd::Zero(n), centered = VectorXd::Zero(n);
  double count = 0.0, mean = 0.0;
  for (Index k = 0; k < n; ++k)
    if (out.frames[static_cast<std::size_t>(k)].usable) count += 1.0, mean += q_(k);
  if (count < 2.0) return;
  mean /= count;
  double spread = 0.0;
  for (Index k = 0; k < n; ++k) {
    if (!out.frames[static_cast<std::size_t>(k)].usable) continue;
    one(k) = 1.0 / count;
    centered(k) = q_(k) - mean;
    spread += centered(k) * centered(k);
  }
  const VectorXd slope = centered / std::max(spread, 1e-9);
  MatrixXd project = MatrixXd::Identity(n, n);
  for (Index k = 0; k < n; ++k)
    project.row(k) -= one.transpose() + (q_(k) - mean) * slope.transpose();
  out.covariance_px2 = project * c * project.transpose();
  // The model's own error is common to all tiles, and no scatter between them shows it.
  out.covariance_px2.diagonal().array() += options_.model_sd_px * options_.model_sd_px;
  out.scale_sd =
      std::hypot(std::sqrt(std::max(0.0, slope.dot(c * slope))), options_.model_scale_sd);
  widen_by_other_places(out, inflation);
  for (Index k = 0; k < n; ++k) {
    FocalPosition& frame = out.frames[static_cast<std::size_t>(k)];
    if (frame.q_px) frame.sd_px = std::sqrt(std::max(0.0, out.covariance_px2(k, k)));
  }
}

/// A frame that fits nearly as well somewhere else (on the other side of a subject that lies all in
/// one depth, above all) is as uncertain as the two places are apart: the variance of its position
/// over all places, each as likely as exp(-cost / 2) says. The curvature at the best place, which
/// is all that a covariance sees, does not know of others.
/// @param inflation N, how much more the parts of the picture scatter than single energies do: a
/// cost counts so much less.
void Fit::widen_by_other_places(FocalPositions& out, const VectorXd& inflation) const {
  constexpr double kApartPx = 1.0, kStepPx = 0.25, kBeyondPx = 8.0;
  const auto [low, high] = range_of_frames();
  const std::vector<std::size_t> some = every_nth_chosen(500);
  const double share = static_cast<double>(some.size()) / static_cast<double>(chosen_.size());
  std::vector<double> extra_px2(num_frames_, 0.0);
  for_each_(num_frames_, [&, low = low, high = high](std::size_t frame) {
    if (!use_[frame]) return;
    const auto k = static_cast<Index>(frame);
    const double here = frame_cost(frame, q_(k), some);
    const double own_sd = std::sqrt(std::max(out.covariance_px2(k, k), 1e-6));
    double mass = own_sd * std::sqrt(2.0 * std::numbers::pi), spread = 0.0;
    for (double q = low - kBeyondPx; q <= high + kBeyondPx; q += kStepPx) {
      const double away = q - q_(k);
      if (std::abs(away) < std::max(kApartPx, 3.0 * own_sd)) continue;
      const double worse = (frame_cost(frame, q, some) - here) / (share * inflation(k));
      const double likely = std::exp(-0.5 * std::max(0.0, worse)) * kStepPx;
      mass += likely;
      spread += likely * away * away;
    }
    extra_px2[frame] = spread / mass;
  });
  for (std::size_t k = 0; k < num_frames_; ++k)
    out.covariance_px2(static_cast<Index>(k), static_cast<Index>(k)) += extra_px2[k];
}

/// Can the positions be believed?
void Fit::judge(FocalPositions& out) const {
  std::vector<double> positions;
  std::size_t vague = 0;
  for (const FocalPosition& frame : out.frames) {
    if (!frame.q_px) continue;
    positions.push_back(*frame.q_px);
    if (!(frame.sd_px && *frame.sd_px <= options_.trusted_sd_px)) ++vague;
  }
  const double span = quantile(positions, 0.95) - quantile(positions, 0.05);
  if (span < options_.least_sweep_px) {
    out.status = FitStatus::no_sweep;
    out.reason = "all frames focus in the same place";
  } else if (2 * vague > positions.size()) {
    out.status = FitStatus::not_trusted;
    out.reason = "most frames fit in more than one place";
  } else if (!(out.scale_sd <= options_.trusted_scale_sd)) {
    out.status = FitStatus::not_trusted;
    out.reason = "the pictures do not tell how far apart the frames are";
  } else if (!converged_) {
    out.status = FitStatus::iteration_limit;
    out.reason = "the positions had not settled";
  } else {
    out.status = FitStatus::converged;
  }
}

FocalPositions Fit::run() {
  const std::size_t n = num_frames_;
  FocalPositions out;
  out.frames.resize(n);
  out.tiles.resize(profiles_.tiles.size());
  out.covariance_px2 = MatrixXd::Zero(static_cast<Index>(n), static_cast<Index>(n));
  const auto lit = static_cast<std::size_t>(std::ranges::count(use_, true));
  if (lit < 3) {
    out.status = FitStatus::too_few_frames;
    out.reason = "fewer than three frames can be used";
    return out;
  }
  if (chosen_.size() < 20) {
    out.status = FitStatus::no_subject;
    out.reason = "nothing with texture is sharp in any frame";
    return out;
  }
  take_best(starts());
  place_tiles(chosen_, 12.0);
  for (int outer = 0; outer < 5; ++outer) {
    update_noise_factors();
    breathing_ = fit_breathing(q_, scale_, use_, options_.breathing_sd_px);
    levenberg_marquardt(options_.max_iterations / 5);
    if (outer < 1) place_tiles(chosen_, 12.0);  // later only small steps are left
    if (outer == 1) keep_the_truest_half();
  }

  double mean = 0.0;
  for (std::size_t k = 0; k < n; ++k)
    if (use_[k]) mean += q_(static_cast<Index>(k)) / static_cast<double>(lit);
  q_.array() -= mean;
  breathing_.offset += breathing_.slope * mean;
  for (TileState& tile : tiles_) tile.u -= mean;
  for (std::size_t k = 0; k < n; ++k) {
    if (!use_[k]) continue;
    out.frames[k].q_px = q_(static_cast<Index>(k));
    out.frames[k].usable = true;
  }
  out.iterations = iterations_;
  out.cost = total_cost();
  sd(out);
  judge(out);

  // Everything with texture gets a place, tiles that were not in the fit too.
  chosen_.resize(profiles_.tiles.size());
  std::iota(chosen_.begin(), chosen_.end(), std::size_t{0});
  place_tiles(chosen_, 24.0);
  update_noise_factors();
  for (std::size_t t = 0; t < tiles_.size(); ++t) {
    out.tiles[t].q_px = tiles_[t].u;
    if (tiles_[t].placed && has_fine_texture(t))
      out.tiles[t].weight = std::min(1.0, 1.0 / (tiles_[t].noise_factor * tiles_[t].noise_factor));
  }
  return out;
}

}  // namespace

FocalPositions fit_focal_positions(const Profiles& profiles, const std::vector<bool>& light_ok,
                                   std::span<const double> log_scale, const FitOptions& options,
                                   const ForEach& for_each) {
  if (light_ok.size() != profiles.num_frames || log_scale.size() != profiles.num_frames)
    throw std::invalid_argument("light_ok and log_scale need one entry a frame");
  return Fit(profiles, light_ok, log_scale, options, for_each).run();
}

}  // namespace ringsweep
