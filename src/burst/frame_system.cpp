#include "burst/frame_system.h"

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "numerics/cauchy.h"

namespace ringsweep {

using Eigen::ArrayXd;
using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Room for one thread's work, made once.
struct FrameSystem::Workspace {
  ArrayXd q, gain_factor, shake;      // F, order of frames_
  std::vector<PlaceOnCurves> places;  // of a tile's frames
  std::vector<float> scaled;          // their residuals
  ArrayXd gain;                       // their factors against the mosaic
  // Products of two derivatives and the weight: by squared blur x (its slope on the curve) and by
  // log gain g; with the residual e. Band by band, and the sums of all bands.
  std::array<ArrayXd, kNumBands> xg, gg;
  ArrayXd ge, xx_sum, xe_sum, xg_sum, gg_sum, ge_sum;
  EnvelopeMatrix a;
  VectorXd b;                  // 2 F
  VectorXd gradient, reduced;  // 2 count
};

FrameSystem::FrameSystem(const FitInput& input, const FitState& state,
                         std::span<const std::size_t> tiles, Reach reach)
    : input_(input) {
  for (std::size_t k = 0; k < input.num_frames; ++k)
    if (input.use[k]) frames_.push_back(k);
  std::ranges::stable_sort(frames_, {},
                           [&](std::size_t k) { return state.q(static_cast<Index>(k)); });
  std::vector<Index> place_of(input.num_frames, -1);
  for (std::size_t i = 0; i < frames_.size(); ++i) place_of[frames_[i]] = static_cast<Index>(i);

  // A frame focused on air lies far off every tile: the nearest have to speak for it.
  constexpr double kNextPx = 6.0;
  std::vector<double> reach_px(frames_.size(), input.reach_px());
  constexpr double kNone = std::numeric_limits<double>::max();
  std::vector<double> nearest(frames_.size(), kNone);
  for (const std::size_t t : tiles)
    for (std::size_t i = 0; i < frames_.size(); ++i)
      if (input.counts(t, 0, frames_[i]))
        nearest[i] = std::min(nearest[i],
                              std::abs(state.q(static_cast<Index>(frames_[i])) - state.tiles[t].u));
  for (std::size_t i = 0; i < frames_.size(); ++i)
    if (nearest[i] < kNone) reach_px[i] = std::max(reach_px[i], nearest[i] + kNextPx);

  const auto num_frames = static_cast<Index>(frames_.size());
  for (const std::size_t t : tiles) {
    const TileProfile& tile = input.profiles.tiles[t];
    if (!input.use[tile.peak_frame]) continue;
    Stretch s{.tile = t, .peak = place_of[tile.peak_frame], .before = seen_.size() / kNumBands};
    const auto see = [&](Index i) {
      return input.counts(t, 0, frames_[static_cast<std::size_t>(i)]);
    };
    Index first = s.peak, last = s.peak;
    if (reach == Reach::to_next) {
      while (first > 0 && (first == s.peak || !see(first))) --first;
      while (last + 1 < num_frames && (last == s.peak || !see(last))) ++last;
    }
    for (Index i = 0; i < num_frames; ++i) {
      if (!see(i)) continue;
      const auto k = static_cast<Index>(frames_[static_cast<std::size_t>(i)]);
      const double away = std::abs(state.q(k) - state.tiles[t].u);
      if (away > reach_px[static_cast<std::size_t>(i)] &&
          input.far_out(t, static_cast<std::size_t>(k)))
        continue;
      first = std::min(first, i), last = std::max(last, i);
    }
    s.first = first, s.count = last - first + 1;
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (Index i = first; i <= last; ++i) {
        const std::size_t k = frames_[static_cast<std::size_t>(i)];
        const double per_sigma =
            input.counts(t, j, k) ? input.per_sigma(t, j, k, state.tiles[t].noise_factor) : 0.0;
        per_sigma_.push_back(static_cast<float>(per_sigma));
        seen_.push_back(static_cast<float>(per_sigma * static_cast<double>(tile.energy[j][k])));
      }
    stretches_.push_back(s);
  }

  for (Index c = 0; c < 2 * static_cast<Index>(frames_.size()); ++c) last_row_.push_back(c | 1);
  for (const Stretch& s : stretches_) {
    Index& last = last_row_[static_cast<std::size_t>(2 * s.first)];
    last = std::max(last, 2 * (s.first + s.count) - 1);
  }
  for (std::size_t c = 1; c < last_row_.size(); ++c)
    last_row_[c] = std::max(last_row_[c], last_row_[c - 1]);
}

std::size_t FrameSystem::part_of_picture(const TileProfile& tile) const {
  const TileGrid& grid = input_.profiles.grid;
  const int r = tile.row * kPartRows / std::max(1, grid.rows());
  const int c = tile.col * kPartCols / std::max(1, grid.cols());
  return static_cast<std::size_t>(std::min(r, kPartRows - 1) * kPartCols +
                                  std::min(c, kPartCols - 1));
}

void FrameSystem::load(const FitState& state, Workspace& room) const {
  const auto n = static_cast<Index>(frames_.size());
  room.q.resize(n), room.gain_factor.resize(n), room.shake.resize(n);
  for (Index i = 0; i < n; ++i) {
    const auto k = static_cast<Index>(frames_[static_cast<std::size_t>(i)]);
    room.q(i) = state.q(k);
    room.gain_factor(i) = std::exp(state.gain(k));
    room.shake(i) = state.shake_px2(k);
  }
}

std::vector<FrameSystem::Workspace> FrameSystem::workspaces() const {
  return std::vector<Workspace>(kChunks);
}

FrameSystem::Normal FrameSystem::empty_normal() const {
  Normal normal;
  normal.a = EnvelopeMatrix(last_row_);
  normal.b.resize(normal.a.size());
  normal.tiles.resize(stretches_.size());
  normal.coupling.resize(2 * kTileUnknowns * seen_.size() / kNumBands);
  return normal;
}

FrameSystem::Coupling FrameSystem::coupling(const Stretch& s, Normal& normal) const {
  return {normal.coupling.data() + 2 * kTileUnknowns * s.before, 2 * s.count, kTileUnknowns};
}

namespace {

/// Products of derivatives, weight and residual of a band's energies; see Workspace. All arrays are
/// of length n and apart.
void weigh_band(Index n, double amplitude, const double* __restrict gain,
                const float* __restrict value, const float* __restrict log_slope,
                const float* __restrict seen, const float* __restrict per_sigma,
                double* __restrict xg, double* __restrict gg, double* __restrict ge,
                double* __restrict xx_sum, double* __restrict xe_sum) {
  constexpr double kPerCauchy2 = 1.0 / (kCauchy * kCauchy);
  for (Index i = 0; i < n; ++i) {
    const double slope = static_cast<double>(log_slope[i]);
    const double by_g =
        amplitude * gain[i] * static_cast<double>(value[i]) * static_cast<double>(per_sigma[i]);
    const double e = static_cast<double>(seen[i]) - by_g;
    const double wg = by_g / (1.0 + e * e * kPerCauchy2);
    gg[i] = wg * by_g;
    ge[i] = wg * e;
    xg[i] = gg[i] * slope;
    xx_sum[i] += xg[i] * slope;
    xe_sum[i] += ge[i] * slope;
  }
}

/// Takes the product of n rows, `stride` from one column of theirs to the next, with one row off
/// `column`.
void take_off(Index n, const double* __restrict rows, Index stride, const Eigen::RowVector4d& row,
              double* __restrict column) {
  const double r0 = row(0), r1 = row(1), r2 = row(2), r3 = row(3);
  for (Index i = 0; i < n; ++i)
    column[i] -= r0 * rows[i] + r1 * rows[stride + i] + r2 * rows[2 * stride + i] +
                 r3 * rows[3 * stride + i];
}

/// The same energies' residuals, in kCauchy sigmas.
void scaled_residuals(std::size_t n, double amplitude, const double* __restrict gain,
                      const float* __restrict value, const float* __restrict seen,
                      const float* __restrict per_sigma, float* __restrict scaled) {
  constexpr double kPerCauchy = 1.0 / kCauchy;
  for (std::size_t i = 0; i < n; ++i)
    scaled[i] =
        static_cast<float>(kPerCauchy * (static_cast<double>(seen[i]) -
                                         amplitude * gain[i] * static_cast<double>(value[i]) *
                                             static_cast<double>(per_sigma[i])));
}

}  // namespace

/// Adds a tile's part to room.a; leaves its reduced gradient in room.reduced and C L^-T in `c`.
void FrameSystem::add_tile(const FitState& state, const Curves& curves, const Stretch& s,
                           double lambda, Workspace& room, TilePart& part, Coupling c) const {
  const TileState& sought = state.tiles[s.tile];
  const double prior = 1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd);
  const Index n = s.count, peak = s.peak - s.first;
  TileMat v = TileMat::Zero();
  TileVec own_gradient = TileVec::Zero();
  room.gain = room.gain_factor.segment(s.first, n) / room.gain_factor(s.peak);
  room.ge.resize(n);
  for (ArrayXd* sum : {&room.xx_sum, &room.xe_sum, &room.xg_sum, &room.gg_sum, &room.ge_sum})
    sum->setZero(n);
  for (std::size_t j = 0; j < kNumBands; ++j) {
    const auto ja = static_cast<Index>(1 + j);
    const double amplitude = sought.amplitude[j];
    const std::size_t at = kNumBands * s.before + j * static_cast<std::size_t>(n);
    ArrayXd &xg = room.xg[j], &gg = room.gg[j];
    xg.resize(n), gg.resize(n);
    weigh_band(n, amplitude, room.gain.data(), &curves.value[at], &curves.log_slope[at], &seen_[at],
               &per_sigma_[at], xg.data(), gg.data(), room.ge.data(), room.xx_sum.data(),
               room.xe_sum.data());
    // The prediction is proportional to the amplitude: its derivative by log gain is that by the
    // amplitude times the amplitude.
    v(ja, ja) = prior + gg.sum() / (amplitude * amplitude);
    own_gradient(ja) = prior * (1.0 - amplitude) + room.ge.sum() / amplitude;
    room.xg_sum += xg, room.gg_sum += gg, room.ge_sum += room.ge;
    xg /= amplitude, gg /= amplitude;
  }

  // The blur beyond the mosaic's, (q_k - u)^2 - (q_p - u)^2 + ..., has derivatives dq, -dp and
  // dp - dq by the frame's, the sharpest frame's and the tile's position. The energy's derivative
  // by the sharpest frame's gain is minus that by the frame's own. In the sharpest frame itself all
  // this cancels.
  const double mosaic_away = room.q(s.peak) - sought.u;
  const double mosaic_px2 = mosaic_away * mosaic_away + room.shake(s.peak);
  double pp_peak = 0.0, pg_peak = 0.0, gg_peak = 0.0, pe_peak = 0.0, ge_peak = 0.0;
  room.gradient.resize(2 * n);
  const Index pq = 2 * peak, pg = pq + 1;
  c.row(pq).setZero(), c.row(pg).setZero();
  EnvelopeMatrix& a = room.a;
  const Index origin = 2 * s.first;
  for (Index i = 0; i < n; ++i) {
    if (i == peak) continue;
    const Index iq = 2 * i, ig = iq + 1;
    const double away = room.q(s.first + i) - sought.u;
    const DiscOnDisc::Slopes slopes =
        input_.discs.slopes(away * away + room.shake(s.first + i) - mosaic_px2, mosaic_px2);
    const double dq = 2.0 * away * slopes.by_x;
    const double dp = 2.0 * mosaic_away * (slopes.by_x - slopes.by_mosaic), du = dp - dq;
    const double xx = room.xx_sum(i), xg = room.xg_sum(i), gg = room.gg_sum(i);
    const double xe = room.xe_sum(i), ge = room.ge_sum(i);
    v(0, 0) += du * du * xx;
    own_gradient(0) += du * xe;
    c(iq, 0) = dq * du * xx, c(ig, 0) = du * xg;
    c(pq, 0) -= dp * du * xx, c(pg, 0) -= du * xg;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const auto ja = static_cast<Index>(1 + j);
      const double x_amplitude = room.xg[j](i), g_amplitude = room.gg[j](i);
      v(ja, 0) += du * x_amplitude;
      c(iq, ja) = dq * x_amplitude, c(ig, ja) = g_amplitude;
      c(pq, ja) -= dp * x_amplitude, c(pg, ja) -= g_amplitude;
    }
    room.gradient(iq) = dq * xe, room.gradient(ig) = ge;
    const Index row = origin + iq;
    a(row, row) += dq * dq * xx;
    a(row + 1, row) += dq * xg;
    a(row + 1, row + 1) += gg;
    const auto add_below = [&](Index r, Index k, double value) {
      a(origin + std::max(r, k), origin + std::min(r, k)) += value;
    };
    add_below(iq, pq, -dq * dp * xx);
    add_below(iq, pg, -dq * xg);
    add_below(ig, pq, -dp * xg);
    add_below(ig, pg, -gg);
    pp_peak += dp * dp * xx, pg_peak += dp * xg, gg_peak += gg, pe_peak += dp * xe, ge_peak += ge;
  }
  room.gradient(pq) = -pe_peak, room.gradient(pg) = -ge_peak;
  a(origin + pq, origin + pq) += pp_peak;
  a(origin + pg, origin + pq) += pg_peak;
  a(origin + pg, origin + pg) += gg_peak;

  // The tile's own unknowns eliminated: V = L L^T, and C V^-1 C^T = (C L^-T) (C L^-T)^T.
  v.diagonal() *= 1.0 + lambda;
  v(0, 0) += 1e-6;
  part.factor = v.llt().matrixL();
  part.gradient = part.factor.triangularView<Eigen::Lower>().solve(own_gradient);
  for (Index k = 0; k < kTileUnknowns; ++k) {
    for (Index l = 0; l < k; ++l) c.col(k) -= part.factor(k, l) * c.col(l);
    c.col(k) /= part.factor(k, k);
  }
  for (Index k = 0; k < 2 * n; ++k)
    take_off(2 * n - k, &c(k, 0), 2 * n, c.row(k), a.column(origin + k).data());
  room.reduced = room.gradient - c.lazyProduct(part.gradient);
}

void FrameSystem::linearise(const FitState& state, const Curves& curves, double lambda,
                            Normal& normal, std::vector<Workspace>& rooms,
                            std::vector<VectorXd>* scores) const {
  const auto n = static_cast<Index>(frames_.size());
  std::vector<std::vector<VectorXd>> score_part(scores ? kChunks : 0);
  input_.for_each(kChunks, [&](std::size_t chunk) {
    Workspace& room = rooms[chunk];
    load(state, room);
    if (room.a.size() == 0) room.a = EnvelopeMatrix(last_row_);
    room.a.set_zero();
    room.b.setZero(2 * n);
    if (scores) score_part[chunk].assign(kPartRows * kPartCols, VectorXd());
    for (std::size_t i = chunk; i < stretches_.size(); i += kChunks) {
      const Stretch& s = stretches_[i];
      add_tile(state, curves, s, lambda, room, normal.tiles[i], coupling(s, normal));
      room.b.segment(2 * s.first, 2 * s.count) += room.reduced;
      if (!scores) continue;
      VectorXd& score = score_part[chunk][part_of_picture(input_.profiles.tiles[s.tile])];
      if (score.size() == 0) score = VectorXd::Zero(2 * n);
      score.segment(2 * s.first, 2 * s.count) += room.reduced;
    }
  });
  normal.a = rooms[0].a;
  normal.b = rooms[0].b;
  for (std::size_t c = 1; c < kChunks; ++c) normal.a += rooms[c].a, normal.b += rooms[c].b;
  const double gain_prior = 1.0 / (input_.options.gain_sd * input_.options.gain_sd);
  for (Index i = 0; i < n; ++i) {
    normal.a(2 * i + 1, 2 * i + 1) += gain_prior;
    normal.b(2 * i + 1) -=
        gain_prior * state.gain(static_cast<Index>(frames_[static_cast<std::size_t>(i)]));
  }
  if (scores) {
    scores->assign(kPartRows * kPartCols, VectorXd::Zero(2 * n));
    for (const auto& part : score_part)
      for (std::size_t p = 0; p < part.size(); ++p)
        if (part[p].size() > 0) (*scores)[p] += part[p];
  }
  add_breathing(state, normal, scores);
}

/// The frames' scales, the breathing line's offset and slope eliminated.
void FrameSystem::add_breathing(const FitState& state, Normal& normal,
                                std::vector<VectorXd>* scores) const {
  const auto n = static_cast<Index>(frames_.size());
  const BreathingLine line = refit_breathing(state.breathing, state.q, input_.scale, input_.use);
  const double by_q = line.slope / line.sd;
  VectorXd weight(n);
  Eigen::MatrixX2d x(n, 2);
  x.col(0).setOnes();
  for (Index i = 0; i < n; ++i) {
    const auto k = static_cast<Index>(frames_[static_cast<std::size_t>(i)]);
    x(i, 1) = state.q(k);
    const double r = (input_.scale(k) - line.offset - line.slope * state.q(k)) / line.sd;
    weight(i) = cauchy_weight(r);
    const double gradient = weight(i) * by_q * r;
    normal.b(2 * i) += gradient;
    if (!scores) continue;
    scores->push_back(VectorXd::Zero(2 * n));
    scores->back()(2 * i) = gradient;
  }
  const Eigen::MatrixX2d wx = weight.asDiagonal() * x;
  normal.line.setZero(2 * n, 2);
  normal.line_own = x.transpose() * wx;
  if (normal.line_own.determinant() <= 1e-9 * normal.line_own(0, 0) * normal.line_own(1, 1)) {
    normal.line_own.setIdentity();  // all at one place
  } else {
    for (Index i = 0; i < n; ++i) {
      normal.a(2 * i, 2 * i) += by_q * by_q * weight(i);
      normal.line.row(2 * i) = by_q * wx.row(i);
    }
  }
  normal.diagonal =
      -(normal.line * normal.line_own.inverse()).cwiseProduct(normal.line).rowwise().sum();
  for (Index i = 0; i < 2 * n; ++i) normal.diagonal(i) += normal.a(i, i);
}

double FrameSystem::breathing_cost(const FitState& state) const {
  const BreathingLine line = refit_breathing(state.breathing, state.q, input_.scale, input_.use);
  CauchySum cost;
  for (const std::size_t frame : frames_) {
    const auto k = static_cast<Index>(frame);
    cost.add((input_.scale(k) - line.offset - line.slope * state.q(k)) / line.sd);
  }
  return cost.value();
}

double FrameSystem::cost(const FitState& state) const {
  Curves curves;
  std::vector<Workspace> rooms = workspaces();
  return cost(state, curves, rooms);
}

double FrameSystem::cost(const FitState& state, Curves& curves,
                         std::vector<Workspace>& rooms) const {
  curves.value.resize(seen_.size()), curves.log_slope.resize(seen_.size());
  std::vector<double> part_cost(kChunks, 0.0);
  const double prior = 1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd);
  input_.for_each(kChunks, [&](std::size_t chunk) {
    Workspace& room = rooms[chunk];
    load(state, room);
    CauchySum sum;
    double prior_cost = 0.0;
    for (std::size_t i = chunk; i < stretches_.size(); i += kChunks) {
      const Stretch& s = stretches_[i];
      const auto n = static_cast<std::size_t>(s.count);
      const TileState& tile = state.tiles[s.tile];
      const double mosaic_px2 = state.mosaic_px2(input_.profiles, s.tile, tile.u);
      room.places.resize(n), room.scaled.resize(n);
      for (std::size_t k = 0; k < n; ++k) {
        const auto at = s.first + static_cast<Index>(k);
        const double away = room.q(at) - tile.u;
        room.places[k] = input_.place(away * away + room.shake(at), mosaic_px2);
      }
      room.gain = room.gain_factor.segment(s.first, s.count) / room.gain_factor(s.peak);
      for (std::size_t j = 0; j < kNumBands; ++j) {
        prior_cost += prior * (tile.amplitude[j] - 1.0) * (tile.amplitude[j] - 1.0);
        const std::size_t at = kNumBands * s.before + j * n;
        TileCurves::values(input_.profiles.tiles[s.tile], j, room.places, {&curves.value[at], n},
                           {&curves.log_slope[at], n});
        scaled_residuals(n, tile.amplitude[j], room.gain.data(), &curves.value[at], &seen_[at],
                         &per_sigma_[at], room.scaled.data());
        sum.add_scaled(room.scaled);
      }
    }
    part_cost[chunk] = prior_cost + sum.value();
  });
  double total = breathing_cost(state);
  for (const std::size_t k : frames_)
    total += std::pow(state.gain(static_cast<Index>(k)) / input_.options.gain_sd, 2.0);
  for (const double part : part_cost) total += part;
  return total;
}

/// Solves for the frames' step, the diagonal raised; none where that is not positive definite.
std::optional<VectorXd> FrameSystem::damped_step(const Normal& normal, double lambda,
                                                 EnvelopeMatrix& factor) {
  const double ridge = 1e-9 * std::max(1.0, normal.diagonal.maxCoeff());
  factor = normal.a;
  for (Index i = 0; i < factor.size(); ++i) factor(i, i) += lambda * normal.diagonal(i) + ridge;
  if (!factor.factorise()) return std::nullopt;
  // The breathing line takes off a matrix of rank 2: Sherman, Morrison and Woodbury's formula.
  VectorXd step = normal.b;
  Eigen::MatrixX2d line = normal.line;
  factor.solve_in_place(step);
  for (Index i = 0; i < 2; ++i) factor.solve_in_place(line.col(i));
  const Eigen::Matrix2d left = normal.line_own - normal.line.transpose() * line;
  step += line * left.inverse() * (normal.line.transpose() * step);
  return step;
}

FrameSystem::Descent FrameSystem::descend(FitState& state, int most_iterations) const {
  const auto n = static_cast<Index>(frames_.size());
  constexpr double kLongestStepPx = 2.0, kLongestGainStep = 0.3;
  Descent descent;
  std::vector<Workspace> rooms = workspaces();
  Normal normal = empty_normal();
  Curves curves, tried_curves;
  FitState tried;
  EnvelopeMatrix factor;
  double here = cost(state, curves, rooms);
  double lambda = 1e-3;
  while (descent.iterations < most_iterations && !descent.converged) {
    linearise(state, curves, lambda, normal, rooms, nullptr);
    ++descent.iterations;
    bool accepted = false;
    for (int trial = 0; trial < 8 && !accepted; ++trial) {
      const std::optional<VectorXd> solved = damped_step(normal, lambda, factor);
      if (!solved) {
        lambda = std::min(1e6, lambda * 6.0);
        continue;
      }
      const VectorXd& step = *solved;
      tried = state;
      double largest = 0.0;
      for (Index i = 0; i < n; ++i) {
        const auto k = static_cast<Index>(frames_[static_cast<std::size_t>(i)]);
        tried.q(k) += std::clamp(step(2 * i), -kLongestStepPx, kLongestStepPx);
        tried.gain(k) += std::clamp(step(2 * i + 1), -kLongestGainStep, kLongestGainStep);
        largest = std::max(largest, std::abs(step(2 * i)));
      }
      for (std::size_t i = 0; i < stretches_.size(); ++i) {
        const Stretch& s = stretches_[i];
        const TilePart& part = normal.tiles[i];
        TileState& tile = tried.tiles[s.tile];
        TileVec own = part.gradient;
        own.noalias() -= coupling(s, normal).transpose() * step.segment(2 * s.first, 2 * s.count);
        part.factor.triangularView<Eigen::Lower>().transpose().solveInPlace(own);
        tile.u += std::clamp(own(0), -kLongestStepPx, kLongestStepPx);
        for (std::size_t j = 0; j < kNumBands; ++j)
          tile.amplitude[j] = std::clamp(tile.amplitude[j] + own(static_cast<Index>(1 + j)),
                                         kLeastAmplitude, kMostAmplitude);
      }
      const double there = cost(tried, tried_curves, rooms);
      if (there < here) {
        descent.converged = largest < 2e-3 || here - there < 1e-7 * here;
        here = there;
        std::swap(state, tried);
        std::swap(curves, tried_curves);
        state.breathing = refit_breathing(state.breathing, state.q, input_.scale, input_.use);
        lambda = std::max(1e-7, lambda / 5.0);
        accepted = true;
      } else {
        lambda = std::min(1e6, lambda * 6.0);
      }
    }
    if (!accepted) descent.converged = true;  // no step helps: this is the minimum to rounding
  }
  return descent;
}

FrameSystem::Curvature FrameSystem::curvature(const FitState& state) const {
  Normal normal = empty_normal();
  std::vector<Workspace> rooms = workspaces();
  Curves curves;
  Curvature out;
  cost(state, curves, rooms);
  linearise(state, curves, 0.0, normal, rooms, &out.scores);
  out.normal = normal.a.dense();
  out.normal -= normal.line * normal.line_own.inverse() * normal.line.transpose();
  return out;
}

}  // namespace ringsweep
