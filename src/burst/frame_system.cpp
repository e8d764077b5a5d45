#include "burst/frame_system.h"

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
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
  ArrayXd q, gain_factor, shake;  // F, order of frames_
  ArrayXd x, value, log_slope;
  MatrixXd a;  // 2 F x 2 F, lower half
  VectorXd b;
  Eigen::Matrix<double, kTileUnknowns, Eigen::Dynamic> solved;  // 4 x 2 count
  VectorXd gradient, reduced;
};

FrameSystem::FrameSystem(const FitInput& input, const FitState& state,
                         std::span<const std::size_t> tiles)
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
  for (std::size_t i = 0; i < frames_.size(); ++i) {
    double nearest = std::numeric_limits<double>::max();
    for (const std::size_t t : tiles)
      if (input.counts(t, 0, frames_[i]))
        nearest =
            std::min(nearest, std::abs(state.q(static_cast<Index>(frames_[i])) - state.tiles[t].u));
    if (nearest < std::numeric_limits<double>::max())
      reach_px[i] = std::max(reach_px[i], nearest + kNextPx);
  }

  for (const std::size_t t : tiles) {
    const TileProfile& tile = input.profiles.tiles[t];
    if (!input.use[tile.peak_frame]) continue;
    Stretch s{.tile = t, .peak = place_of[tile.peak_frame], .at = energy_.size()};
    Index first = s.peak, last = s.peak;
    for (Index i = 0; i < static_cast<Index>(frames_.size()); ++i) {
      const std::size_t k = frames_[static_cast<std::size_t>(i)];
      if (!input.counts(t, 0, k)) continue;
      const double away = std::abs(state.q(static_cast<Index>(k)) - state.tiles[t].u);
      if (away > reach_px[static_cast<std::size_t>(i)] && input.far_out(t, k)) continue;
      first = std::min(first, i), last = std::max(last, i);
    }
    s.first = first, s.count = last - first + 1;
    for (std::size_t j = 0; j < kNumBands; ++j)
      for (Index i = first; i <= last; ++i) {
        const std::size_t k = frames_[static_cast<std::size_t>(i)];
        const bool counts = input.counts(t, j, k);
        energy_.push_back(counts ? tile.energy[j][k] : 0.0F);
        per_sigma_.push_back(
            counts ? static_cast<float>(input.per_sigma(t, j, k, state.tiles[t].noise_factor))
                   : 0.0F);
      }
    stretches_.push_back(s);
  }
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

/// Leaves in room.x the squared blur of a tile's frames beyond the mosaic's, the tile at u.
void FrameSystem::beyond_mosaic(const Stretch& s, double u, Workspace& room) const {
  const double d0 = room.q(s.peak) - u;
  room.x = (room.q.segment(s.first, s.count) - u).square() + room.shake.segment(s.first, s.count) -
           (d0 * d0 + room.shake(s.peak));
}

/// Adds a tile's part to room.a; leaves its reduced gradient in room.reduced.
void FrameSystem::add_tile(const FitState& state, const Stretch& s, double lambda, Workspace& room,
                           TilePart& part) const {
  const TileProfile& tile = input_.profiles.tiles[s.tile];
  const TileState& sought = state.tiles[s.tile];
  const double prior = 1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd);
  const double d0 = room.q(s.peak) - sought.u;
  const Index peak = s.peak - s.first;
  const auto q = room.q.segment(s.first, s.count);
  const auto gain_factor = room.gain_factor.segment(s.first, s.count);
  const double mosaic_gain = room.gain_factor(s.peak);
  auto block = room.a.block(2 * s.first, 2 * s.first, 2 * s.count, 2 * s.count);
  const Index pq = 2 * peak, pg = pq + 1;
  room.gradient.setZero(2 * s.count);
  part.coupling.setZero(2 * s.count, kTileUnknowns);
  TileMat v = TileMat::Zero();
  part.gradient.setZero();
  beyond_mosaic(s, sought.u, room);
  for (std::size_t j = 0; j < kNumBands; ++j) {
    const auto ja = static_cast<Index>(1 + j);
    const double amplitude = sought.amplitude[j];
    v(ja, ja) += prior;
    part.gradient(ja) += prior * (1.0 - amplitude);
    input_.curves.at(tile, j, room.x, room.value, room.log_slope);
    const float* energy = energy_.data() + s.at + j * static_cast<std::size_t>(s.count);
    const float* per_sigma = per_sigma_.data() + s.at + j * static_cast<std::size_t>(s.count);
    for (Index i = 0; i < s.count; ++i) {
      const auto ps = static_cast<double>(per_sigma[i]);
      if (ps == 0.0) continue;
      // Derivatives of the prediction, in sigmas: by amplitude, gain, the frame's, the sharpest
      // frame's and the tile's position. By the sharpest frame's gain: -by_g.
      const double by_a = gain_factor(i) / mosaic_gain * room.value(i) * ps;
      const double by_g = amplitude * by_a;
      const double by_x = by_g * room.log_slope(i);
      const double by_q = by_x * 2.0 * (q(i) - sought.u);
      const double by_p = -by_x * 2.0 * d0;
      const double by_u = -by_q - by_p;
      const double e = static_cast<double>(energy[i]) * ps - by_g;
      const double w = cauchy_weight(e);
      const double wq = w * by_q, wp = w * by_p, wg = w * by_g;
      v(0, 0) += w * by_u * by_u;
      v(ja, 0) += w * by_u * by_a;
      v(ja, ja) += w * by_a * by_a;
      part.gradient(0) += w * by_u * e;
      part.gradient(ja) += w * by_a * e;
      block(pq, pq) += wp * by_p;
      room.gradient(pq) += wp * e;
      part.coupling(pq, 0) += wp * by_u;
      part.coupling(pq, ja) += wp * by_a;
      if (i == peak) {  // its own gain cancels
        block(pq, pq) += wq * (by_q + 2.0 * by_p);
        room.gradient(pq) += wq * e;
        part.coupling(pq, 0) += wq * by_u;
        part.coupling(pq, ja) += wq * by_a;
        continue;
      }
      const Index iq = 2 * i, ig = iq + 1;
      block(iq, iq) += wq * by_q;
      block(ig, iq) += wg * by_q;
      block(ig, ig) += wg * by_g;
      block(pg, pq) -= wg * by_p;
      block(pg, pg) += wg * by_g;
      const auto add_below = [&](Index r, Index c, double value) {
        block(std::max(r, c), std::min(r, c)) += value;
      };
      add_below(iq, pq, wq * by_p);
      add_below(iq, pg, -wq * by_g);
      add_below(ig, pq, wg * by_p);
      add_below(ig, pg, -wg * by_g);
      room.gradient(iq) += wq * e;
      room.gradient(ig) += wg * e;
      room.gradient(pg) -= wg * e;
      part.coupling(iq, 0) += wq * by_u;
      part.coupling(ig, 0) += wg * by_u;
      part.coupling(pg, 0) -= wg * by_u;
      part.coupling(iq, ja) += wq * by_a;
      part.coupling(ig, ja) += wg * by_a;
      part.coupling(pg, ja) -= wg * by_a;
    }
  }
  v.row(0) = v.col(0).transpose();
  v.diagonal() *= 1.0 + lambda;
  v(0, 0) += 1e-6;
  part.inverse = v.ldlt().solve(TileMat::Identity());
  room.solved.noalias() = part.inverse * part.coupling.transpose();
  for (Index c = 0; c < 2 * s.count; ++c)
    block.col(c).tail(2 * s.count - c).noalias() -=
        part.coupling.bottomRows(2 * s.count - c) * room.solved.col(c);
  room.reduced.noalias() = room.gradient - part.coupling * (part.inverse * part.gradient);
}

void FrameSystem::linearise(const FitState& state, double lambda, Normal& normal,
                            std::vector<VectorXd>* scores) const {
  const auto n = static_cast<Index>(frames_.size());
  normal.tiles.resize(stretches_.size());
  std::vector<MatrixXd> a_part(kChunks);
  std::vector<VectorXd> b_part(kChunks);
  std::vector<std::vector<VectorXd>> score_part(scores ? kChunks : 0);
  input_.for_each(kChunks, [&](std::size_t chunk) {
    Workspace room;
    load(state, room);
    room.a = MatrixXd::Zero(2 * n, 2 * n);
    room.b = VectorXd::Zero(2 * n);
    if (scores) score_part[chunk].assign(kPartRows * kPartCols, VectorXd());
    for (std::size_t i = chunk; i < stretches_.size(); i += kChunks) {
      const Stretch& s = stretches_[i];
      add_tile(state, s, lambda, room, normal.tiles[i]);
      room.b.segment(2 * s.first, 2 * s.count) += room.reduced;
      if (!scores) continue;
      VectorXd& score = score_part[chunk][part_of_picture(input_.profiles.tiles[s.tile])];
      if (score.size() == 0) score = VectorXd::Zero(2 * n);
      score.segment(2 * s.first, 2 * s.count) += room.reduced;
    }
    a_part[chunk] = std::move(room.a);
    b_part[chunk] = std::move(room.b);
  });
  normal.a = std::move(a_part[0]);
  normal.b = std::move(b_part[0]);
  for (std::size_t c = 1; c < kChunks; ++c) normal.a += a_part[c], normal.b += b_part[c];
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
  add_breathing(state, normal.a, normal.b, scores);
}

/// The frames' scales, the breathing line's offset and slope eliminated.
void FrameSystem::add_breathing(const FitState& state, MatrixXd& a, VectorXd& b,
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
    b(2 * i) += gradient;
    if (!scores) continue;
    scores->push_back(VectorXd::Zero(2 * n));
    scores->back()(2 * i) = gradient;
  }
  const Eigen::MatrixX2d wx = weight.asDiagonal() * x;
  const Eigen::Matrix2d xwx = x.transpose() * wx;
  if (xwx.determinant() <= 1e-9 * xwx(0, 0) * xwx(1, 1)) return;  // all at one place
  MatrixXd own = weight.asDiagonal();
  own -= wx * xwx.ldlt().solve(wx.transpose());
  for (Index c = 0; c < n; ++c)
    for (Index r = c; r < n; ++r) a(2 * r, 2 * c) += by_q * by_q * own(r, c);
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
  std::vector<double> part_cost(kChunks, 0.0);
  const double prior = 1.0 / (input_.options.amplitude_sd * input_.options.amplitude_sd);
  input_.for_each(kChunks, [&](std::size_t chunk) {
    Workspace room;
    load(state, room);
    CauchySum sum;
    double prior_cost = 0.0;
    for (std::size_t i = chunk; i < stretches_.size(); i += kChunks) {
      const Stretch& s = stretches_[i];
      const TileState& tile = state.tiles[s.tile];
      beyond_mosaic(s, tile.u, room);
      for (std::size_t j = 0; j < kNumBands; ++j) {
        prior_cost += prior * (tile.amplitude[j] - 1.0) * (tile.amplitude[j] - 1.0);
        input_.curves.at(input_.profiles.tiles[s.tile], j, room.x, room.value, room.log_slope);
        const float* energy = energy_.data() + s.at + j * static_cast<std::size_t>(s.count);
        const float* per_sigma = per_sigma_.data() + s.at + j * static_cast<std::size_t>(s.count);
        for (Index k = 0; k < s.count; ++k)
          sum.add(
              (static_cast<double>(energy[k]) - tile.amplitude[j] * room.gain_factor(s.first + k) /
                                                    room.gain_factor(s.peak) * room.value(k)) *
              static_cast<double>(per_sigma[k]));
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

FrameSystem::Descent FrameSystem::descend(FitState& state, int most_iterations) const {
  const auto n = static_cast<Index>(frames_.size());
  constexpr double kLongestStepPx = 2.0, kLongestGainStep = 0.3;
  Descent descent;
  double here = cost(state);
  double lambda = 1e-3;
  Normal normal;
  while (descent.iterations < most_iterations && !descent.converged) {
    linearise(state, lambda, normal, nullptr);
    ++descent.iterations;
    const double ridge = 1e-9 * std::max(1.0, normal.a.diagonal().maxCoeff());
    bool accepted = false;
    for (int trial = 0; trial < 8 && !accepted; ++trial) {
      MatrixXd a = normal.a;
      a.diagonal() *= 1.0 + lambda;
      a.diagonal().array() += ridge;
      const VectorXd step = a.selfadjointView<Eigen::Lower>().ldlt().solve(normal.b);
      FitState tried = state;
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
        const TileVec own =
            part.inverse *
            (part.gradient - part.coupling.transpose() * step.segment(2 * s.first, 2 * s.count));
        tile.u += std::clamp(own(0), -kLongestStepPx, kLongestStepPx);
        for (std::size_t j = 0; j < kNumBands; ++j)
          tile.amplitude[j] = std::clamp(tile.amplitude[j] + own(static_cast<Index>(1 + j)),
                                         kLeastAmplitude, kMostAmplitude);
      }
      const double there = cost(tried);
      if (there < here) {
        descent.converged = largest < 2e-3 || here - there < 1e-7 * here;
        here = there;
        state = std::move(tried);
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
  Normal normal;
  Curvature out;
  linearise(state, 0.0, normal, &out.scores);
  out.normal = normal.a.selfadjointView<Eigen::Lower>();
  return out;
}

}  // namespace ringsweep
