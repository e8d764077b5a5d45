#include "ringsweep/focal_positions.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <stdexcept>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t kTileUnknowns = 1 + kNumBands;  // position, one amplitude a band
using TileVec = Eigen::Matrix<double, kTileUnknowns, 1>;
using TileMat = Eigen::Matrix<double, kTileUnknowns, kTileUnknowns>;
constexpr double kCauchy = 2.3849;  // 95 % efficiency on a normal distribution (from memory)
constexpr int kClusterRows = 6, kClusterCols = 8;  // parts of the picture, for the sds
constexpr std::size_t kChunks = 16;  // fixed: sums run in the same order on any number of cores

double cauchy_cost(double residual) {
  const double c = residual / kCauchy;
  return kCauchy * kCauchy * std::log1p(c * c);
}

/// h(x) of one tile and band and its slope d(log h)/dx, x = d^2 - d_0^2.
struct CurveValue {
  double value = 0.0;
  double log_slope = 0.0;
};

class Curves {
 public:
  explicit Curves(const Profiles& profiles) : profiles_(profiles) {
    for (const double d : profiles.diameter_px) x_.push_back(d * d);
    while (near_ + 1 < x_.size() && profiles.diameter_px[near_] < 1.4 * profiles.full_px_per_px)
      ++near_;
  }

  [[nodiscard]] CurveValue at(const TileProfile& tile, std::size_t band, double x) const {
    const auto& y = tile.log_curve[band];
    if (x <= 0.0) {
      // Sharper than the mosaic: go on along the first stretch, a little way.
      const double slope = y[near_] / x_[near_];
      x = std::max(x, -x_[near_]);
      return {std::exp(slope * x), slope};
    }
    const auto up = std::upper_bound(x_.begin(), x_.end(), x);
    const std::size_t i = std::min(static_cast<std::size_t>(up - x_.begin()), x_.size() - 1);
    const double slope = (y[i] - y[i - 1]) / (x_[i] - x_[i - 1]);
    return {std::exp(y[i - 1] + slope * (x - x_[i - 1])), slope};
  }

  /// Blur that explains a relative energy, px beyond the mosaic's own; nothing below the curve.
  [[nodiscard]] std::optional<double> blur_px(const TileProfile& tile, std::size_t band,
                                              double energy) const {
    const auto& y = tile.log_curve[band];
    if (energy >= 1.0) return 0.0;
    const double log_e = std::log(std::max(energy, 1e-12));
    for (std::size_t i = 1; i < x_.size(); ++i) {
      if (y[i] > log_e) continue;
      const double drop = y[i - 1] - y[i];
      const double part = drop > 0.0 ? (y[i - 1] - log_e) / drop : 0.0;
      return std::sqrt(x_[i - 1] + part * (x_[i] - x_[i - 1]));
    }
    return std::nullopt;
  }

 private:
  const Profiles& profiles_;
  std::vector<double> x_;
  std::size_t near_ = 1;
};

/// What is known of a tile while fitting.
struct TileState {
  double u = 0.0;
  std::array<double, kNumBands> amplitude{};
  double noise_factor = 1.0;  // of the model error, estimated
  bool placed = false;        // its profile says where it lies
};

struct Residual {
  double value = 0.0;   // in sigmas
  double weight = 0.0;  // robust
  double model = 0.0;   // h
  double log_slope = 0.0;
  double sigma = 1.0;
};

class Fit {
 public:
  Fit(const Profiles& profiles, const std::vector<bool>& use, std::span<const double> log_scale,
      const FitOptions& options, const ForEach& for_each)
      : profiles_(profiles),
        options_(options),
        for_each_(for_each),
        curves_(profiles),
        use_(use),
        q_(VectorXd::Zero(static_cast<Index>(profiles.num_frames))),
        gain_(VectorXd::Zero(static_cast<Index>(profiles.num_frames))),
        log_scale_(
            Eigen::Map<const VectorXd>(log_scale.data(), static_cast<Index>(log_scale.size()))),
        tiles_(profiles.tiles.size()) {
    for (std::size_t t = 0; t < tiles_.size(); ++t)
      if (has_fine_texture(t)) chosen_.push_back(t);
    vagueness_.assign(tiles_.size(), std::vector<float>(profiles.num_frames, 1.0F));
    for (std::size_t t = 0; t < tiles_.size(); ++t)
      for (std::size_t k = 0; k < profiles.num_frames; ++k) {
        const double reach =
            blur_read_px(t, k).value_or(profiles.diameter_px.back()) / options.max_blur_px;
        vagueness_[t][k] = static_cast<float>(std::sqrt(1.0 + std::pow(reach, 4)));
      }
    if (chosen_.size() > options.max_tiles) chosen_ = spread_over_depth(options.max_tiles);
  }

  FocalPositions run();

 private:
  /// Sets of positions to begin with.
  [[nodiscard]] std::vector<VectorXd> starts() const;
  void take_best(const std::vector<VectorXd>& starts);
  void place_frames(const std::vector<std::size_t>& by_tiles);
  [[nodiscard]] std::optional<double> blur_read_px(std::size_t t, std::size_t k) const;
  void place_tile(std::size_t t, double reach_px);
  void place_tiles(const std::vector<std::size_t>& which, double reach_px);
  double fit_amplitudes(std::size_t t, double u, std::array<double, kNumBands>& amplitude) const;
  [[nodiscard]] Residual residual(std::size_t t, std::size_t j, std::size_t k, double u,
                                  double amplitude) const;
  [[nodiscard]] double sigma(std::size_t t, std::size_t j, std::size_t k) const;
  void update_noise_factors();
  struct System {
    MatrixXd a;
    VectorXd b;
    std::vector<TileMat> v;   // per chosen tile
    std::vector<MatrixXd> w;  // per chosen tile: 2 n x 4
    std::vector<TileVec> gt;  // per chosen tile
  };
  System linearise(std::vector<VectorXd>* cluster_scores = nullptr) const;
  double total_cost() const;
  void levenberg_marquardt(int iterations);
  void sd(FocalPositions& out) const;
  [[nodiscard]] std::vector<std::size_t> spread_over_depth(std::size_t most) const;
  [[nodiscard]] bool has_fine_texture(std::size_t t) const;
  [[nodiscard]] std::size_t cluster_of(const TileProfile& tile) const;

  const Profiles& profiles_;
  const FitOptions& options_;
  const ForEach& for_each_;
  Curves curves_;
  std::vector<bool> use_;
  VectorXd q_, gain_, log_scale_;
  std::vector<TileState> tiles_;
  std::vector<std::size_t> chosen_;
  // Far out of focus the model fails slowly: its error grows there. By the blur read off the tile,
  // tile x frame, not by the fitted one, or pushing everything apart would explain everything.
  std::vector<std::vector<float>> vagueness_;
  double lambda_ = 1e-3;
  int iterations_ = 0;
  bool converged_ = false;
};

/// The best tiles of every frame in turn, so that one rich depth does not crowd out the others.
std::vector<std::size_t> Fit::spread_over_depth(std::size_t most) const {
  std::vector<std::vector<std::size_t>> by_frame(profiles_.num_frames);
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

double Fit::sigma(std::size_t t, std::size_t j, std::size_t k) const {
  const double model_error =
      options_.model_error * tiles_[t].noise_factor * static_cast<double>(vagueness_[t][k]);
  const double noise = profiles_.tiles[t].noise[j];
  return std::sqrt(model_error * model_error + noise * noise);
}

Residual Fit::residual(std::size_t t, std::size_t j, std::size_t k, double u,
                       double amplitude) const {
  const TileProfile& tile = profiles_.tiles[t];
  const auto ik = static_cast<Index>(k);
  const double d = q_(ik) - u;
  const double d0 = q_(static_cast<Index>(tile.peak_frame)) - u;
  const CurveValue h = curves_.at(tile, j, d * d - d0 * d0);
  Residual r{.model = h.value, .log_slope = h.log_slope};
  r.sigma = sigma(t, j, k);
  const double predicted = amplitude * std::exp(gain_(ik)) * h.value;
  r.value = (tile.energy[j][k] - predicted) / r.sigma;
  const double c = r.value / kCauchy;
  r.weight = 1.0 / (1.0 + c * c);
  return r;
}

/// Best amplitudes of a tile at a trial position, in closed form; returns the cost.
double Fit::fit_amplitudes(std::size_t t, double u,
                           std::array<double, kNumBands>& amplitude) const {
  const TileProfile& tile = profiles_.tiles[t];
  double cost = 0.0;
  const double prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
  for (std::size_t j = 0; j < kNumBands; ++j) {
    double a = 1.0;
    for (int pass = 0; pass < 2; ++pass) {  // the second with robust weights
      double top = prior, bottom = prior;
      for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
        if (!use_[k] || tile.energy[j][k] < 0.0F) continue;
        const Residual r = residual(t, j, k, u, a);
        const double w = (pass == 0 ? 1.0 : r.weight) / (r.sigma * r.sigma);
        const double m = std::exp(gain_(static_cast<Index>(k))) * r.model;
        top += w * m * tile.energy[j][k];
        bottom += w * m * m;
      }
      a = std::clamp(top / bottom, 0.3, 3.0);
    }
    amplitude[j] = a;
    cost += (a - 1.0) * (a - 1.0) * prior;
    for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
      if (!use_[k] || tile.energy[j][k] < 0.0F) continue;
      cost += cauchy_cost(residual(t, j, k, u, a).value);
    }
  }
  return cost;
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
  for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
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
  std::array<double, kNumBands> amplitude{};
  for (double u = low; u <= high; u += step) {
    const double cost = fit_amplitudes(t, u, amplitude);
    if (cost < best) best = cost, best_u = u;
  }
  for (double width = step / 2; width > 0.02 * step; width /= 2) {
    for (const double u : {best_u - width, best_u + width}) {
      const double cost = fit_amplitudes(t, u, amplitude);
      if (cost < best) best = cost, best_u = u;
    }
  }
  // At the far edge of the search there is no minimum.
  if ((lowest && best_u < low + step) || (highest && best_u > high - step))
    tiles_[t].placed = false;
  tiles_[t].u = best_u;
  fit_amplitudes(t, best_u, tiles_[t].amplitude);
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

std::vector<VectorXd> Fit::starts() const {
  const std::size_t n = profiles_.num_frames;
  std::vector<std::size_t> sample;
  const std::size_t stride = std::max<std::size_t>(1, chosen_.size() / 800);
  for (std::size_t i = 0; i < chosen_.size(); i += stride) sample.push_back(chosen_[i]);
  const double far = options_.max_blur_px * 1.2;
  std::vector<std::vector<float>> blur(n, std::vector<float>(sample.size(), -1.0F));
  for (std::size_t i = 0; i < sample.size(); ++i)
    for (std::size_t k = 0; k < n; ++k) {
      const auto d = use_[k] ? blur_read_px(sample[i], k) : std::nullopt;
      if (d && *d <= far) blur[k][i] = static_cast<float>(*d);
    }
  // |d_tk - d_tl| <= |q_k - q_l| <= d_tk + d_tl for every tile: the left is reached by tiles to one
  // side of both frames, the right by tiles between them. Only frames with a tile that is nearly
  // sharp in both (a small sum) are neighbours; for these most tiles lie to one side.
  const double inf = std::numeric_limits<double>::infinity();
  const double near = 0.6 * options_.max_blur_px;
  MatrixXd distance = MatrixXd::Constant(static_cast<Index>(n), static_cast<Index>(n), inf);
  MatrixXd least_sum = distance, one_sided = distance;
  for_each_(n, [&](std::size_t k) {
    std::vector<double> difference, sum;
    for (std::size_t l = 0; l < k; ++l) {
      difference.clear(), sum.clear();
      for (std::size_t i = 0; i < sample.size(); ++i) {
        if (blur[k][i] < 0.0F || blur[l][i] < 0.0F) continue;
        sum.push_back(blur[k][i] + blur[l][i]);
        difference.push_back(std::abs(blur[k][i] - blur[l][i]));
      }
      if (sum.size() < 12) continue;
      const auto ik = static_cast<Index>(k), il = static_cast<Index>(l);
      const double most = std::max(quantile_in_place(sum, 0.08), 0.05);
      const double apart = std::min(quantile_in_place(difference, 0.8), most);
      if (most <= near) distance(ik, il) = apart;
      least_sum(ik, il) = most;
      one_sided(ik, il) = std::min(quantile_in_place(difference, 0.6), most);
    }
  });
  for (Index k = 0; k < distance.rows(); ++k) {
    distance(k, k) = 0.0;
    for (Index l = 0; l < k; ++l) {
      distance(l, k) = distance(k, l);
      least_sum(l, k) = least_sum(k, l);
      one_sided(l, k) = one_sided(k, l);
    }
  }
  // A frame focused on air beside the subject has no neighbour in this sense. All tiles lie to one
  // side of it, and it hangs on the frame that shares the sharpest tiles with it.
  for (Index k = 0; k < distance.rows(); ++k) {
    if ((distance.row(k).array() < inf).count() > 1) continue;
    Index l = 0;
    if (least_sum.row(k).minCoeff(&l) < inf) distance(k, l) = distance(l, k) = one_sided(k, l);
  }
  std::vector<Index> used;
  for (std::size_t k = 0; k < n; ++k)
    if (use_[k]) used.push_back(static_cast<Index>(k));

  // The scale of the picture follows the ring (breathing): so many px a unit, from frames that have
  // a distance. It speaks for frames that share no sharp tile.
  std::vector<double> rate;
  for (std::size_t i = 1; i < used.size(); ++i) {
    const double ds = std::abs(log_scale_(used[i]) - log_scale_(used[i - 1]));
    const double d = distance(used[i], used[i - 1]);
    if (ds > 1e-4 && d < inf && d > 0.3) rate.push_back(d / ds);
  }
  const double px_per_log_scale = rate.size() >= 4 ? quantile_in_place(rate, 0.5) : 0.0;
  std::vector<double> steps;
  for (std::size_t i = 1; i < used.size(); ++i)
    if (const double d = distance(used[i], used[i - 1]); d < inf) steps.push_back(d);
  const double usual_step = steps.empty() ? 1.0 : quantile_in_place(steps, 0.5);
  const auto step_between = [&](Index a, Index b) {
    if (distance(a, b) < inf) return distance(a, b);
    const double breathing = px_per_log_scale * std::abs(log_scale_(a) - log_scale_(b));
    const double seen = one_sided(a, b) < inf ? one_sided(a, b) : 0.0;
    return std::max({breathing, seen, 0.3 * usual_step});
  };
  for (std::size_t i = 1; i < used.size(); ++i) {
    const Index a = used[i - 1], b = used[i];
    if (distance(a, b) == inf) distance(a, b) = distance(b, a) = step_between(a, b);
  }

  std::vector<VectorXd> result;
  // In capture order, one way; and one way or the other as the picture's scale goes.
  VectorXd one_way = VectorXd::Zero(static_cast<Index>(n)), by_scale = one_way;
  for (std::size_t i = 1; i < used.size(); ++i) {
    const double step = step_between(used[i], used[i - 1]);
    const double ds = log_scale_(used[i]) - log_scale_(used[i - 1]);
    one_way(used[i]) = one_way(used[i - 1]) + step;
    by_scale(used[i]) = by_scale(used[i - 1]) + (ds < 0.0 ? step : -step);
  }
  result.push_back(one_way);
  if (px_per_log_scale > 0.0) result.push_back(by_scale);

  // Without any order: shortest paths between all frames, embedded on a line.
  for (Index m = 0; m < distance.rows(); ++m)
    for (Index k = 0; k < distance.rows(); ++k) {
      if (distance(k, m) == inf) continue;
      for (Index l = 0; l < distance.rows(); ++l)
        distance(k, l) = std::min(distance(k, l), distance(k, m) + distance(m, l));
    }
  const auto size = static_cast<Index>(used.size());
  MatrixXd gram(size, size);
  for (Index a = 0; a < size; ++a)
    for (Index b = 0; b < size; ++b) {
      const double d =
          distance(used[static_cast<std::size_t>(a)], used[static_cast<std::size_t>(b)]);
      gram(a, b) = -0.5 * d * d;
    }
  const VectorXd row = gram.rowwise().mean();
  gram.colwise() -= row;
  gram.rowwise() -= row.transpose();
  gram.array() += row.mean();
  const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(gram);
  VectorXd line =
      eigen.eigenvectors().col(size - 1) * std::sqrt(std::max(0.0, eigen.eigenvalues()(size - 1)));
  // Sign: free; let the burst begin at the low end.
  double slope = 0.0;
  for (Index a = 0; a < size; ++a)
    slope += (static_cast<double>(a) - 0.5 * static_cast<double>(size - 1)) * line(a);
  if (slope < 0.0) line = -line;
  VectorXd embedded = VectorXd::Zero(static_cast<Index>(n));
  for (Index a = 0; a < size; ++a) embedded(used[static_cast<std::size_t>(a)]) = line(a);
  result.push_back(embedded);
  return result;
}

/// Seeks each frame's position with the tiles held: brings back a frame that was put on the wrong
/// side, which no small step can do.
void Fit::place_frames(const std::vector<std::size_t>& by_tiles) {
  const auto n = static_cast<Index>(profiles_.num_frames);
  double low = std::numeric_limits<double>::max(), high = std::numeric_limits<double>::lowest();
  for (Index k = 0; k < n; ++k)
    if (use_[static_cast<std::size_t>(k)]) low = std::min(low, q_(k)), high = std::max(high, q_(k));
  const double step = 0.5 * profiles_.full_px_per_px;
  VectorXd found = q_;
  for_each_(profiles_.num_frames, [&](std::size_t frame) {
    if (!use_[frame]) return;
    const auto k = static_cast<Index>(frame);
    const auto cost_at = [&](double q) {
      double cost = 0.0;
      for (const std::size_t t : by_tiles) {
        const TileProfile& tile = profiles_.tiles[t];
        if (tile.peak_frame == frame) continue;  // its curve starts from this very frame
        const double d = q - tiles_[t].u;
        const double d0 = q_(static_cast<Index>(tile.peak_frame)) - tiles_[t].u;
        for (std::size_t j = 0; j < kNumBands; ++j) {
          if (tile.energy[j][frame] < 0.0F) continue;
          const double predicted = tiles_[t].amplitude[j] * std::exp(gain_(k)) *
                                   curves_.at(tile, j, d * d - d0 * d0).value;
          cost += cauchy_cost((tile.energy[j][frame] - predicted) / sigma(t, j, frame));
        }
      }
      return cost;
    };
    double best = 0.98 * cost_at(q_(k));  // a clear gain, or the frame stays
    for (double q = low - 8.0; q <= high + 8.0; q += step)
      if (const double cost = cost_at(q); cost < best) best = cost, found(k) = q;
  });
  q_ = found;
}

/// Tries every start on some of the tiles and goes on with the best.
void Fit::take_best(const std::vector<VectorXd>& starts) {
  const std::vector<std::size_t> all = chosen_;
  const std::size_t stride = std::max<std::size_t>(1, all.size() / 500);
  chosen_.clear();
  for (std::size_t i = 0; i < all.size(); i += stride) chosen_.push_back(all[i]);
  double best = std::numeric_limits<double>::max();
  VectorXd best_q;
  for (const VectorXd& start : starts) {
    q_ = start;
    gain_.setZero();
    lambda_ = 1e-3;
    place_tiles(chosen_, 12.0);
    levenberg_marquardt(6);
    place_frames(chosen_);
    place_tiles(chosen_, 12.0);
    levenberg_marquardt(6);
    const double cost = total_cost();
    if (cost < best) best = cost, best_q = q_;
  }
  q_ = best_q;
  gain_.setZero();
  lambda_ = 1e-3;
  chosen_ = all;
}

void Fit::update_noise_factors() {
  for (const std::size_t t : chosen_) {
    const TileProfile& tile = profiles_.tiles[t];
    // Mean square of the residuals in units of the plain model error, with a prior of 1.
    double sum = 6.0, count = 6.0;
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
        if (!use_[k] || tile.energy[j][k] < 0.0F) continue;
        const Residual r = residual(t, j, k, tiles_[t].u, tiles_[t].amplitude[j]);
        if (vagueness_[t][k] > 1.5F) continue;
        const double e = r.value * r.sigma / (options_.model_error * vagueness_[t][k]);
        sum += std::min(e * e, 100.0);
        count += 1.0;
      }
    tiles_[t].noise_factor = std::sqrt(sum / count);
  }
}

std::size_t Fit::cluster_of(const TileProfile& tile) const {
  const int r = tile.row * kClusterRows / std::max(1, profiles_.grid.rows());
  const int c = tile.col * kClusterCols / std::max(1, profiles_.grid.cols());
  return static_cast<std::size_t>(std::min(r, kClusterRows - 1) * kClusterCols +
                                  std::min(c, kClusterCols - 1));
}

Fit::System Fit::linearise(std::vector<VectorXd>* cluster_scores) const {
  const auto n = static_cast<Index>(profiles_.num_frames);
  System system;
  system.v.resize(chosen_.size());
  system.w.resize(chosen_.size());
  system.gt.resize(chosen_.size());
  std::vector<MatrixXd> a_part(kChunks, MatrixXd::Zero(2 * n, 2 * n));
  std::vector<VectorXd> b_part(kChunks, VectorXd::Zero(2 * n));
  std::vector<VectorXd> score(cluster_scores ? chosen_.size() : 0);
  const double amplitude_prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);

  for_each_(kChunks, [&](std::size_t chunk) {
    MatrixXd& a = a_part[chunk];
    VectorXd& b = b_part[chunk];
    for (std::size_t i = chunk; i < chosen_.size(); i += kChunks) {
      const std::size_t t = chosen_[i];
      const TileProfile& tile = profiles_.tiles[t];
      const auto k0 = static_cast<Index>(tile.peak_frame);
      const double d0 = q_(k0) - tiles_[t].u;
      TileMat v = TileMat::Zero();
      TileVec gt = TileVec::Zero();
      MatrixXd w = MatrixXd::Zero(2 * n, kTileUnknowns);
      VectorXd gf = VectorXd::Zero(2 * n);
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const auto ja = static_cast<Index>(1 + j);
        const double amplitude = tiles_[t].amplitude[j];
        v(ja, ja) += amplitude_prior;
        gt(ja) += amplitude_prior * (1.0 - amplitude);
        for (std::size_t frame = 0; frame < profiles_.num_frames; ++frame) {
          if (!use_[frame] || tile.energy[j][frame] < 0.0F) continue;
          const auto k = static_cast<Index>(frame);
          const Residual r = residual(t, j, frame, tiles_[t].u, amplitude);
          const double g = std::exp(gain_(k));
          const double d = q_(k) - tiles_[t].u;
          const double m = amplitude * g * r.model / r.sigma;
          // Derivatives of the prediction, in sigmas.
          const double by_x = m * r.log_slope;
          const double jq = by_x * 2.0 * d;
          const double j0 = -by_x * 2.0 * d0;
          const double ju = -jq - j0;
          const double ja_value = g * r.model / r.sigma;
          const double wt = r.weight, e = r.value;
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
      v.diagonal() *= 1.0 + lambda_;
      v(0, 0) += 1e-6;
      const Eigen::LDLT<TileMat> solver(v);
      const MatrixXd vw = solver.solve(w.transpose());  // 4 x 2n
      a.noalias() -= w * vw;
      const VectorXd reduced = gf - w * solver.solve(gt);
      b += reduced;
      if (cluster_scores) score[i] = reduced;
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
  if (cluster_scores)
    for (std::size_t i = 0; i < chosen_.size(); ++i)
      (*cluster_scores)[cluster_of(profiles_.tiles[chosen_[i]])] += score[i];
  return system;
}

double Fit::total_cost() const {
  std::vector<double> part(kChunks, 0.0);
  const double amplitude_prior = 1.0 / (options_.amplitude_sd * options_.amplitude_sd);
  for_each_(kChunks, [&](std::size_t chunk) {
    for (std::size_t i = chunk; i < chosen_.size(); i += kChunks) {
      const std::size_t t = chosen_[i];
      for (std::size_t j = 0; j < kNumBands; ++j) {
        const double a = tiles_[t].amplitude[j];
        part[chunk] += amplitude_prior * (a - 1.0) * (a - 1.0);
        for (std::size_t k = 0; k < profiles_.num_frames; ++k) {
          if (!use_[k] || profiles_.tiles[t].energy[j][k] < 0.0F) continue;
          part[chunk] += cauchy_cost(residual(t, j, k, tiles_[t].u, a).value);
        }
      }
    }
  });
  double cost = gain_.squaredNorm() / (options_.gain_sd * options_.gain_sd);
  for (const double p : part) cost += p;
  return cost;
}

void Fit::levenberg_marquardt(int iterations) {
  const auto n = static_cast<Index>(profiles_.num_frames);
  double cost = total_cost();
  converged_ = false;
  for (int it = 0; it < iterations && !converged_; ++it, ++iterations_) {
    const System system = linearise();
    bool accepted = false;
    for (int trial = 0; trial < 8 && !accepted; ++trial) {
      MatrixXd a = system.a;
      const double ridge = 1e-9 * std::max(1.0, a.diagonal().maxCoeff());
      a.diagonal() *= 1.0 + lambda_;
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
          tile.amplitude[j] =
              std::clamp(tile.amplitude[j] + own(static_cast<Index>(1 + j)), 0.3, 3.0);
      }
      const double trial_cost = total_cost();
      if (trial_cost < cost) {
        const double largest = step.head(n).cwiseAbs().maxCoeff();
        converged_ = largest < 2e-3 || cost - trial_cost < 1e-7 * cost;
        cost = trial_cost;
        lambda_ = std::max(1e-7, lambda_ / 5.0);
        accepted = true;
      } else {
        q_ = old_q, gain_ = old_gain, tiles_ = old_tiles;
        lambda_ = std::min(1e6, lambda_ * 6.0);
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
  const auto n = static_cast<Index>(profiles_.num_frames);
  std::vector<VectorXd> scores(kClusterRows * kClusterCols, VectorXd::Zero(2 * n));
  const System system = linearise(&scores);
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
  for (Index k = 0; k < n; ++k) {
    FocalPosition& frame = out.frames[static_cast<std::size_t>(k)];
    if (frame.q_px) frame.sd_px = std::sqrt(std::max(0.0, out.covariance_px2(k, k)));
  }
}

FocalPositions Fit::run() {
  const std::size_t n = profiles_.num_frames;
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
    levenberg_marquardt(options_.max_iterations / 5);
    if (outer < 1) place_tiles(chosen_, 12.0);  // later only small steps are left
  }
  // Everything with texture gets a place, tiles that were not in the fit too.
  std::vector<std::size_t> all(profiles_.tiles.size());
  std::iota(all.begin(), all.end(), std::size_t{0});
  place_tiles(all, 24.0);
  chosen_ = all;
  update_noise_factors();

  double mean = 0.0, count = 0.0;
  for (std::size_t k = 0; k < n; ++k)
    if (use_[k]) mean += q_(static_cast<Index>(k)), count += 1.0;
  mean /= count;
  q_.array() -= mean;
  for (TileState& tile : tiles_) tile.u -= mean;
  for (std::size_t k = 0; k < n; ++k) {
    if (!use_[k]) continue;
    out.frames[k].q_px = q_(static_cast<Index>(k));
    out.frames[k].usable = true;
  }
  sd(out);
  for (std::size_t t = 0; t < tiles_.size(); ++t) {
    out.tiles[t].q_px = tiles_[t].u;
    if (tiles_[t].placed && has_fine_texture(t))
      out.tiles[t].weight = std::min(1.0, 1.0 / (tiles_[t].noise_factor * tiles_[t].noise_factor));
  }
  out.iterations = iterations_;
  out.cost = total_cost();
  out.status = converged_ ? FitStatus::converged : FitStatus::iteration_limit;
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
