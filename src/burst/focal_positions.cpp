#include "ringsweep/focal_positions.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>
#include <numbers>
#include <numeric>
#include <stdexcept>

#include "burst/fit_state.h"
#include "burst/focal_starts.h"
#include "burst/frame_search.h"
#include "burst/frame_shake.h"
#include "burst/frame_system.h"
#include "burst/tile_placing.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kAwayPx = 8.0;  // a frame is sought this far beyond the others

class Fit {
 public:
  Fit(const Profiles& profiles, const std::vector<bool>& use, std::span<const double> log_scale,
      const FitOptions& options, const ForEach& for_each)
      : input_(profiles, use, log_scale, options, for_each),
        profiles_(profiles),
        options_(options),
        num_frames_(profiles.num_frames) {
    state_.q = state_.gain = state_.shake_px2 = VectorXd::Zero(static_cast<Index>(num_frames_));
    state_.tiles.resize(profiles.tiles.size());
    for (std::size_t t = 0; t < state_.tiles.size(); ++t)
      if (input_.has_fine_texture(t)) chosen_.push_back(t);
    if (chosen_.size() > options.max_tiles) chosen_ = spread_over_depth(options.max_tiles);
  }

  FocalPositions run();

 private:
  [[nodiscard]] FocalStarts starts() const;
  void take_best(const FocalStarts& starts, std::span<const std::size_t> some);
  [[nodiscard]] bool is_at(const VectorXd& q) const;
  void place_frames(std::span<const std::size_t> by_tiles);
  void update_noise_factors(std::span<const std::size_t> tiles);
  void descend(std::span<const std::size_t> tiles, int most_iterations, FrameSystem::Reach reach);
  void refine(std::span<const std::size_t> tiles);
  void fit_breathing_anew() {
    state_.breathing = fit_breathing(state_.q, input_.scale, input_.use, options_.breathing_sd_px);
  }
  void sd(FocalPositions& out) const;
  [[nodiscard]] std::vector<double> long_steps_px2(const std::vector<std::size_t>& by_position,
                                                   double misfit) const;
  void keep_the_truest_half();
  void find_shaken(FocalPositions& out);
  ScaleObjections find_objections(FocalPositions& out) const;
  void judge(FocalPositions& out) const;
  void widen_by_other_places(FocalPositions& out, const VectorXd& inflation) const;
  /// How much more the model errs than it usually does.
  struct Misfit {
    double factor = 1.0;      ///< of variances
    double mosaic_px2 = 0.0;  ///< blur of the sharpest quarter of the tiles in the mosaic
  };
  [[nodiscard]] Misfit misfit() const;
  [[nodiscard]] std::vector<std::size_t> spread_over_depth(std::size_t most) const;

  /// Between the places that a frame is tried at: less than a minimum of the cost is wide, and so
  /// many over a long sweep that its cost does not grow with the square of the frames.
  [[nodiscard]] double trial_step_px(double low, double high) const {
    constexpr double kMostTrials = 400.0;
    return std::max(0.5 * profiles_.full_px_per_px, (high - low + 2.0 * kAwayPx) / kMostTrials);
  }

  const FitInput input_;
  const Profiles& profiles_;
  const FitOptions& options_;
  std::size_t num_frames_;
  FitState state_;
  std::vector<std::size_t> chosen_;
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

FocalStarts Fit::starts() const {
  const std::vector<std::size_t> sample = every_nth(chosen_, 400);
  const double far = options_.max_blur_px * 1.2;
  Eigen::MatrixXf blur = Eigen::MatrixXf::Constant(static_cast<Index>(num_frames_),
                                                   static_cast<Index>(sample.size()), -1.0F);
  for (std::size_t i = 0; i < sample.size(); ++i)
    for (std::size_t k = 0; k < num_frames_; ++k) {
      const auto d = input_.use[k] ? input_.blur_read_px(sample[i], k) : std::nullopt;
      if (d && *d <= far)
        blur(static_cast<Index>(k), static_cast<Index>(i)) = static_cast<float>(*d);
    }
  FocalStarts starts = starting_positions(blur, input_.use, input_.scale,
                                          0.6 * options_.max_blur_px, input_.for_each);
  if (!options_.also_from_px.empty())
    starts.positions.push_back(
        Eigen::Map<const VectorXd>(options_.also_from_px.data(), static_cast<Index>(num_frames_)));
  return starts;
}

/// Seeks each frame's position with the tiles held: brings back a frame that was put on the wrong
/// side, which no small step can do.
void Fit::place_frames(std::span<const std::size_t> by_tiles) {
  const auto [low, high] = range_of_frames(input_, state_);
  const FrameSearch search(input_, state_, by_tiles, low - kAwayPx, high + kAwayPx,
                           trial_step_px(low, high));
  VectorXd found = state_.q;
  input_.for_each(num_frames_, [&](std::size_t frame) {
    if (!input_.use[frame]) return;
    Index best = 0;
    const double least = search.costs(frame).minCoeff(&best);
    // A clear gain, or the frame stays.
    if (least < 0.98 * search.cost_here(frame))
      found(static_cast<Index>(frame)) = search.trials_px()(best);
  });
  state_.q = found;
}

void Fit::descend(std::span<const std::size_t> tiles, int most_iterations,
                  FrameSystem::Reach reach) {
  const auto descent = FrameSystem(input_, state_, tiles, reach).descend(state_, most_iterations);
  iterations_ += descent.iterations;
  converged_ = descent.converged;
}

/// Weighs tiles and breathing anew, and goes down.
void Fit::refine(std::span<const std::size_t> tiles) {
  update_noise_factors(tiles);
  fit_breathing_anew();
  descend(tiles, options_.max_iterations / 5, FrameSystem::Reach::to_next);
}

/// Are the positions those, but for the shift and the sign that no picture tells, to half a px?
bool Fit::is_at(const VectorXd& q) const {
  constexpr double kSamePx = 0.5;
  for (const double sign : {1.0, -1.0}) {
    double least = std::numeric_limits<double>::max(), most = std::numeric_limits<double>::lowest();
    for (std::size_t k = 0; k < num_frames_; ++k) {
      if (!input_.use[k]) continue;
      const double apart = state_.q(static_cast<Index>(k)) - sign * q(static_cast<Index>(k));
      least = std::min(least, apart), most = std::max(most, apart);
    }
    if (most - least <= 2.0 * kSamePx * profiles_.full_px_per_px) return true;
  }
  return false;
}

/// Tries every start on some of the tiles and goes on with the best; where that is torn, it is
/// mended and tried again.
void Fit::take_best(const FocalStarts& starts, std::span<const std::size_t> some) {
  const auto used = static_cast<double>(std::ranges::count(input_.use, true));
  double best = std::numeric_limits<double>::max(), best_misfit = 0.0;
  FitState best_state;
  // A subject all in one depth looks the same from both sides, and a fold explains it as well or,
  // having more to bend, a little better: what is mended has to be clearly better, and what the
  // picture's scale does not go with, where it goes with another course.
  constexpr double kClearGain = 0.3;  // of the energies' cost
  constexpr double kUnlike = 5.0;     // ours, no source; folds of real stacks: 16 to 23
  // Where what tiles say of the steps leads to as good a fit, it is the sounder start. Found on
  // real stacks of which frames were left out.
  constexpr double kScaleGain = 0.05;
  const auto try_start = [&](const VectorXd& start, double least_gain) {
    state_.q = start;
    state_.gain.setZero();
    bool known = false;
    for (int round = 0; round < 2 && !known; ++round) {
      fit_breathing_anew();
      if (round > 0) place_frames(some);
      place_tiles(input_, state_, some, 12.0);
      descend(some, 6, FrameSystem::Reach::near);
      // Going on from where an earlier start ended would end there too.
      known = round == 0 && best_state.q.size() > 0 && is_at(best_state.q);
    }
    if (known) return;
    fit_breathing_anew();
    // Each start has a breathing sd of its own, so its logarithm belongs to the likelihood.
    const double misfit = FrameSystem(input_, state_, some).cost(state_);
    const double cost = misfit + 2.0 * used * std::log(state_.breathing.sd);
    if (best_state.q.size() > 0 && state_.breathing.sd > kUnlike * best_state.breathing.sd)
      least_gain = std::max(least_gain, kClearGain * best_misfit);
    if (cost < best - least_gain) best = cost, best_misfit = misfit, best_state = state_;
  };
  for (const VectorXd& start : starts.positions) try_start(start, 0.0);
  for (const VectorXd& start : starts.by_scale) try_start(start, kScaleGain * best_misfit);
  for (int round = 0; round < 3; ++round) {
    const double before = best;
    for (const VectorXd& start : mended_where_torn(best_state.q, starts.step_px, input_.use))
      try_start(start, kClearGain * best_misfit);
    if (best == before) break;
  }
  state_ = best_state;
  state_.gain.setZero();
}

void Fit::update_noise_factors(std::span<const std::size_t> tiles) {
  input_.for_each(kChunks, [&](std::size_t chunk) {
    for (std::size_t i = chunk; i < tiles.size(); i += kChunks) {
      const std::size_t t = tiles[i];
      const TileProfile& tile = profiles_.tiles[t];
      TileState& state = state_.tiles[t];
      const double mosaic = state_.mosaic_px2(profiles_, t, state.u);
      // Mean square of the residuals in units of the plain model error, with a prior of 1.
      double sum = 6.0, count = 6.0;
      for (std::size_t j = 0; j < kNumBands; ++j)
        for (std::size_t k = 0; k < num_frames_; ++k) {
          const auto vague = static_cast<double>(input_.vagueness[t][k]);
          if (!input_.counts(t, j, k) || vague > 1.5) continue;
          const double predicted =
              state.amplitude[j] * state_.gain_factor(profiles_, t, k) *
              input_.curves.at(tile, j, input_.disc_px2(state_.blur_px2(k, state.u), mosaic)).value;
          const double e = (tile.energy[j][k] - predicted) / (options_.model_error * vague);
          sum += std::min(e * e, 100.0);
          count += 1.0;
        }
      state.noise_factor = std::sqrt(sum / count);
    }
  });
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
    std::ranges::stable_sort(tiles, {},
                             [&](std::size_t t) { return state_.tiles[t].noise_factor; });
    const std::size_t keep = std::max(std::min(kFew, tiles.size()), (tiles.size() + 1) / 2);
    chosen_.insert(chosen_.end(), tiles.begin(), tiles.begin() + static_cast<std::ptrdiff_t>(keep));
  }
  std::ranges::sort(chosen_);
}

Fit::Misfit Fit::misfit() const {
  const double px2 = profiles_.full_px_per_px * profiles_.full_px_per_px;
  double sum = 0.0;
  std::vector<double> mosaic_px2;
  for (const std::size_t t : chosen_) {
    if (!input_.use[profiles_.tiles[t].peak_frame]) continue;
    const TileState& tile = state_.tiles[t];
    sum += tile.noise_factor * tile.noise_factor;
    mosaic_px2.push_back(state_.mosaic_px2(profiles_, t, tile.u) / px2);
  }
  if (mosaic_px2.empty()) return {};
  const double own = quantile_in_place(mosaic_px2, 0.25);
  return {.factor = sum / static_cast<double>(mosaic_px2.size()) / options_.usual_misfit,
          .mosaic_px2 = own};
}

/// Sandwich covariance over parts of the picture, gauge taken out.
void Fit::sd(FocalPositions& out) const {
  const auto n = static_cast<Index>(num_frames_);
  const FrameSystem system(input_, state_, chosen_);
  const FrameSystem::Curvature curvature = system.curvature(state_);
  const auto used = static_cast<Index>(system.frames().size());
  MatrixXd a = curvature.normal;
  const double big = a.diagonal().maxCoeff();
  for (Index r = 0; r < used; ++r)  // holds the free shift
    for (Index c = 0; c < used; ++c) a(2 * r, 2 * c) += 1e-3 * big / static_cast<double>(n);
  a.diagonal().array() += 1e-9 * big;
  const MatrixXd inverse = a.ldlt().solve(MatrixXd::Identity(2 * used, 2 * used));
  MatrixXd meat = MatrixXd::Zero(2 * used, 2 * used);
  double clusters = 0.0;
  for (const VectorXd& s : curvature.scores) {
    if (s.squaredNorm() == 0.0) continue;
    meat += s * s.transpose();
    clusters += 1.0;
  }
  if (clusters > 1.0) meat *= clusters / (clusters - 1.0);
  // With few clusters the sandwich sees too little; the plain covariance is a lower bound.
  const Misfit misfit = this->misfit();
  const double blurred = 1.0 + misfit.mosaic_px2 / options_.blurred_mosaic_px2;
  constexpr double kMostOfScatter = 2.0;  // what tiles scatter by needs no more
  const double scatter = std::min(blurred, kMostOfScatter);
  const MatrixXd both = scatter * (inverse * meat * inverse + inverse);
  const double model = blurred * misfit.factor;
  const double walk_px = model * options_.model_walk * options_.model_walk;
  const double low = range_of_frames(input_, state_).first;
  out.long_steps_px2 = long_steps_px2(system.frames(), misfit.factor);
  MatrixXd c = MatrixXd::Zero(n, n);
  MatrixXd long_steps = MatrixXd::Zero(n, n);
  VectorXd inflation = VectorXd::Ones(n);
  for (Index i = 0; i < used; ++i) {
    const auto ki = static_cast<Index>(system.frames()[static_cast<std::size_t>(i)]);
    inflation(ki) = both(2 * i, 2 * i) / std::max(scatter * inverse(2 * i, 2 * i), 1e-300);
    for (Index j = 0; j < used; ++j) {
      const auto kj = static_cast<Index>(system.frames()[static_cast<std::size_t>(j)]);
      // The walk sets out from the lowest frame; a shift is taken out below.
      c(ki, kj) = both(2 * i, 2 * j) + walk_px * (std::min(state_.q(ki), state_.q(kj)) - low);
      long_steps(ki, kj) = std::min(out.long_steps_px2[static_cast<std::size_t>(ki)],
                                    out.long_steps_px2[static_cast<std::size_t>(kj)]);
    }
  }

  // Mean and scale of the frames on the subject are taken out: they are the gauge and scale_sd. One
  // that hardly tells where it is does not tell where the others are.
  constexpr double kHardlyTells = 9.0;  // times the usual variance
  std::vector<double> variances;
  for (Index k = 0; k < n; ++k)
    if (out.frames[static_cast<std::size_t>(k)].usable) variances.push_back(c(k, k));
  const double most_px2 = kHardlyTells * quantile(variances, 0.5);
  const auto in_gauge = [&](Index k) {
    return out.frames[static_cast<std::size_t>(k)].usable && c(k, k) <= most_px2;
  };
  VectorXd one = VectorXd::Zero(n), centered = VectorXd::Zero(n);
  double count = 0.0, mean = 0.0;
  for (Index k = 0; k < n; ++k)
    if (in_gauge(k)) count += 1.0, mean += state_.q(k);
  for (FocalPosition& frame : out.frames) frame.vague = frame.q_px.has_value();
  if (count < 2.0) return;
  mean /= count;
  double spread = 0.0;
  for (Index k = 0; k < n; ++k) {
    if (!in_gauge(k)) continue;
    one(k) = 1.0 / count;
    centered(k) = state_.q(k) - mean;
    spread += centered(k) * centered(k);
  }
  const VectorXd slope = centered / std::max(spread, 1e-9);
  MatrixXd project = MatrixXd::Identity(n, n);
  for (Index k = 0; k < n; ++k)
    project.row(k) -= one.transpose() + (state_.q(k) - mean) * slope.transpose();
  out.covariance_px2 = project * c * project.transpose();
  out.covariance_px2.diagonal().array() += model * options_.model_sd_px * options_.model_sd_px;
  out.scale_sd = std::hypot(std::sqrt(std::max(0.0, slope.dot(c * slope))), options_.model_scale_sd,
                            options_.mosaic_scale_sd * misfit.mosaic_px2);
  widen_by_other_places(out, inflation);
  // Frames on both sides of a long step are no vaguer for it among their own.
  const double most_trusted_px2 = options_.trusted_sd_px * options_.trusted_sd_px;
  long_steps = project * long_steps * project.transpose();
  for (Index k = 0; k < n; ++k) {
    FocalPosition& frame = out.frames[static_cast<std::size_t>(k)];
    if (!frame.q_px) continue;
    const double own_px2 = out.covariance_px2(k, k);
    frame.vague = !(own_px2 <= most_trusted_px2);
    frame.sd_px = std::sqrt(std::max(0.0, own_px2 + long_steps(k, k)));
  }
}

/// A model that is a little off far out of focus makes the whole of such a step too long or too
/// short at once.
std::vector<double> Fit::long_steps_px2(const std::vector<std::size_t>& by_position,
                                        double misfit) const {
  const double share =
      std::min(options_.model_long_step * misfit * misfit, options_.most_long_step);
  const double least_px = options_.long_step_px * profiles_.full_px_per_px;
  std::vector<double> sums(num_frames_, 0.0);
  for (std::size_t i = 1; i < by_position.size(); ++i) {
    const std::size_t below = by_position[i - 1], frame = by_position[i];
    const double step_px =
        state_.q(static_cast<Index>(frame)) - state_.q(static_cast<Index>(below));
    sums[frame] = sums[below] + std::pow(share * std::max(0.0, step_px - least_px), 2.0);
  }
  return sums;
}

/// A frame that fits nearly as well somewhere else (on the other side of a subject that lies all in
/// one depth, above all) is as uncertain as the two places are apart: the variance of its position
/// over all places, each as likely as exp(-cost / 2) says. The curvature at the best place, which
/// is all that a covariance sees, does not know of others.
/// @param inflation N, how much more the parts of the picture scatter than single energies do: a
/// cost counts so much less.
void Fit::widen_by_other_places(FocalPositions& out, const VectorXd& inflation) const {
  constexpr double kApartPx = 1.0;
  const auto [low, high] = range_of_frames(input_, state_);
  const std::vector<std::size_t> some = every_nth(chosen_, 300);
  const double share = static_cast<double>(some.size()) / static_cast<double>(chosen_.size());
  const double step_px = trial_step_px(low, high);
  const FrameSearch search(input_, state_, some, low - kAwayPx, high + kAwayPx, step_px);
  std::vector<double> extra_px2(num_frames_, 0.0);
  input_.for_each(num_frames_, [&](std::size_t frame) {
    if (!input_.use[frame]) return;
    const auto k = static_cast<Index>(frame);
    const Eigen::ArrayXd away = search.trials_px() - state_.q(k);
    const Eigen::ArrayXd worse =
        (search.costs(frame) - search.cost_here(frame)) / (share * inflation(k));
    const double own_sd = std::sqrt(std::max(out.covariance_px2(k, k), 1e-6));
    double mass = own_sd * std::sqrt(2.0 * std::numbers::pi), spread = 0.0;
    for (Index i = 0; i < away.size(); ++i) {
      if (std::abs(away(i)) < std::max(kApartPx, 3.0 * own_sd)) continue;
      const double likely = std::exp(-0.5 * std::max(0.0, worse(i))) * step_px;
      mass += likely;
      spread += likely * away(i) * away(i);
    }
    extra_px2[frame] = spread / mass;
  });
  for (std::size_t k = 0; k < num_frames_; ++k)
    out.covariance_px2(static_cast<Index>(k), static_cast<Index>(k)) += extra_px2[k];
}

/// Can the positions be believed?
void Fit::judge(FocalPositions& out) const {
  // A frame or two that the picture's scale speaks against swayed; many in a row, each like the one
  // before, and unlike others at the same position, are on a wrong course, as where a sweep is shot
  // with another aperture. Of 130 bursts of open seeds those on a wrong course had 2.1 sds, 2.9 and
  // more, the others 1.8 and less, those of one sweep 0.9 and less.
  constexpr double kWrongCourseSds = 2.4, kSerial = 0.4;
  const ScaleObjections objections = find_objections(out);
  std::vector<double> positions;
  std::size_t vague = 0;
  for (const FocalPosition& frame : out.frames) {
    if (!frame.q_px) continue;
    positions.push_back(*frame.q_px);
    if (frame.vague) ++vague;
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
  } else if (objections.sds > kWrongCourseSds && objections.serial > kSerial) {
    out.status = FitStatus::not_trusted;
    out.reason =
        "sharpness and the size of the picture do not go together; was the aperture, the light or "
        "the camera's place changed in between?";
  } else if (!converged_) {
    out.status = FitStatus::iteration_limit;
    out.reason = "the positions had not settled";
  } else {
    out.status = FitStatus::converged;
  }
}

/// Tells of frames that swayed, too.
ScaleObjections Fit::find_objections(FocalPositions& out) const {
  constexpr double kLeastPx = 0.5, kSds = 4.0;  // a quarter of the smallest blur limit
  VectorXd sd(state_.q.size());
  for (std::size_t k = 0; k < num_frames_; ++k)
    sd(static_cast<Index>(k)) = out.frames[k].sd_px.value_or(options_.trusted_sd_px);
  ScaleObjections found = compare_with_scale(state_.q, sd, input_.scale, input_.use);
  for (std::size_t k = 0; k < num_frames_; ++k)
    if (const auto& o = found.frames[k];
        o && std::abs(o->off_px) > std::max(kLeastPx, kSds * o->sd_px))
      out.frames[k].scale_off_px = o->off_px;
  return found;
}

/// What shake takes from a frame must not be taken for defocus of the others, whose units are those
/// of their sharpest frames.
void Fit::find_shaken(FocalPositions& out) {
  // Less than this is what the model itself errs by: on bursts without shake up to 1.5 px are read.
  constexpr double kLeastDiscPx = 1.8, kSds = 4.0, kMostShaken = 0.25;
  // Where the subject does not blur as the model says (shiny parts, no real discs) steady frames
  // read shake too. More than seven tenths of the frames are steady, and half of those read none:
  // what they read scatters as the upper half of a normal distribution, whose quantile that is.
  constexpr double kSteady = 0.7, kNormalAtSteady = 0.524;
  const double px = profiles_.full_px_per_px;
  const FitState before = state_;
  std::vector<std::size_t> told(num_frames_, 0);  // by so many tiles
  for (int round = 0; round < 3; ++round) {
    VectorXd shake = VectorXd::Zero(static_cast<Index>(num_frames_)), q = state_.q;
    std::vector<FrameShake> found(num_frames_);
    input_.for_each(num_frames_, [&](std::size_t k) {
      if (input_.use[k]) found[k] = measure_shake(input_, state_, chosen_, k);
    });
    std::vector<double> read_px2;
    for (std::size_t k = 0; k < num_frames_; ++k) {
      told[k] = found[k].tiles;
      if (told[k] > 0) read_px2.push_back(found[k].disc_px2);
    }
    const double model_px2 = quantile_in_place(read_px2, kSteady) / kNormalAtSteady;
    for (std::size_t k = 0; k < num_frames_; ++k) {
      const double sd_px2 = std::max(found[k].disc_sd_px2, model_px2);
      if (told[k] == 0 ||
          found[k].disc_px2 < std::max(kSds * sd_px2, std::pow(kLeastDiscPx * px, 2.0)))
        continue;
      shake(static_cast<Index>(k)) = found[k].disc_px2;
      q(static_cast<Index>(k)) = found[k].q_px;
    }
    // Shake is told against frames that did not shake. So many shaken ones are something else: a
    // sweep in other light, a gap with the subject to one side.
    const auto shaken = (shake.array() > 0.0).count();
    const auto used = std::ranges::count(input_.use, true);
    if (static_cast<double>(shaken) > kMostShaken * static_cast<double>(used)) {
      state_ = before;
      return;
    }
    if (shake == state_.shake_px2) break;
    state_.shake_px2 = shake;
    state_.q = q;
    refine(chosen_);
  }
  for (std::size_t k = 0; k < num_frames_; ++k) {
    if (told[k] == 0) continue;
    out.frames[k].log_contrast = state_.gain(static_cast<Index>(k));
    const double disc_px2 = state_.shake_px2(static_cast<Index>(k));
    out.frames[k].shake_px =
        disc_px2 > 0.0 ? movement_like_disc_px(std::sqrt(disc_px2), kBands[0].sigma_px * px,
                                               profiles_.f_number_per_um)
                       : 0.0;
  }
}

FocalPositions Fit::run() {
  const std::size_t n = num_frames_;
  FocalPositions out;
  out.frames.resize(n);
  out.tiles.resize(profiles_.tiles.size());
  out.covariance_px2 = MatrixXd::Zero(static_cast<Index>(n), static_cast<Index>(n));
  const auto lit = static_cast<std::size_t>(std::ranges::count(input_.use, true));
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
  const std::vector<std::size_t> some = every_nth(chosen_, 400);
  take_best(starts(), some);
  refine(some);
  place_tiles(input_, state_, chosen_, 12.0);  // later only small steps are left
  refine(chosen_);
  keep_the_truest_half();
  for (int round = 0; round < 3; ++round) refine(chosen_);
  find_shaken(out);
  // Hardly any burst needs more.
  for (int round = 0; !converged_ && round < 10; ++round) refine(chosen_);

  double mean = 0.0;
  for (std::size_t k = 0; k < n; ++k)
    if (input_.use[k]) mean += state_.q(static_cast<Index>(k)) / static_cast<double>(lit);
  state_.q.array() -= mean;
  state_.breathing.offset += state_.breathing.slope * mean;
  for (TileState& tile : state_.tiles) tile.u -= mean;
  for (std::size_t k = 0; k < n; ++k) {
    if (!input_.use[k]) continue;
    out.frames[k].q_px = state_.q(static_cast<Index>(k));
    out.frames[k].usable = true;
  }
  out.iterations = iterations_;
  out.cost = FrameSystem(input_, state_, chosen_).cost(state_);
  std::vector<double> misfits;
  for (const std::size_t t : chosen_) misfits.push_back(state_.tiles[t].noise_factor);
  out.misfit = quantile_in_place(misfits, 0.5);
  sd(out);
  judge(out);

  // Everything with texture gets a place, tiles that were not in the fit too.
  std::vector<std::size_t> all(profiles_.tiles.size()), others;
  std::iota(all.begin(), all.end(), std::size_t{0});
  std::ranges::set_difference(all, chosen_, std::back_inserter(others));
  place_tiles(input_, state_, others, 24.0);
  update_noise_factors(all);
  for (std::size_t t = 0; t < all.size(); ++t) {
    const TileState& tile = state_.tiles[t];
    out.tiles[t].q_px = tile.u;
    if (tile.placed && input_.has_fine_texture(t))
      out.tiles[t].weight = std::min(1.0, 1.0 / (tile.noise_factor * tile.noise_factor));
  }
  return out;
}

}  // namespace

FocalPositions fit_focal_positions(const Profiles& profiles, const std::vector<bool>& light_ok,
                                   std::span<const double> log_scale, const FitOptions& options,
                                   const ForEach& for_each) {
  if (light_ok.size() != profiles.num_frames || log_scale.size() != profiles.num_frames)
    throw std::invalid_argument("light_ok and log_scale need one entry a frame");
  if (!options.also_from_px.empty() && options.also_from_px.size() != profiles.num_frames)
    throw std::invalid_argument("positions to start from need one entry a frame");
  return Fit(profiles, light_ok, log_scale, options, for_each).run();
}

}  // namespace ringsweep
