#include "burst/focal_starts.h"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numeric>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kInf = std::numeric_limits<double>::infinity();

/// N x N, px; infinite where it cannot be told.
struct FrameDistances {
  MatrixXd apart;      // between frames that share tiles which are nearly sharp in both
  MatrixXd least_sum;  // the smallest sums of a tile's blur in both frames
  MatrixXd one_sided;  // as if most tiles lay to one side of both: a lower bound, reaches far
};

/// |d_tk - d_tl| <= |q_k - q_l| <= d_tk + d_tl for every tile: the left is reached by tiles to one
/// side of both frames, the right by tiles between them. Only frames with a tile that is nearly
/// sharp in both (a small sum) are neighbours; for these most tiles lie to one side.
FrameDistances measure_distances(const Eigen::MatrixXf& blur_px, double near_px,
                                 const ForEach& for_each) {
  const Index n = blur_px.rows();
  FrameDistances d;
  d.apart = d.least_sum = d.one_sided = MatrixXd::Constant(n, n, kInf);
  for_each(static_cast<std::size_t>(n), [&](std::size_t frame) {
    const auto k = static_cast<Index>(frame);
    std::vector<double> difference, sum;
    for (Index l = 0; l < k; ++l) {
      difference.clear(), sum.clear();
      for (Index i = 0; i < blur_px.cols(); ++i) {
        const double a = blur_px(k, i), b = blur_px(l, i);
        if (a < 0.0 || b < 0.0) continue;
        sum.push_back(a + b);
        difference.push_back(std::abs(a - b));
      }
      if (sum.size() < 12) continue;
      const double most = std::max(quantile_in_place(sum, 0.08), 0.05);
      if (most <= near_px) d.apart(k, l) = std::min(quantile_in_place(difference, 0.8), most);
      d.least_sum(k, l) = most;
      d.one_sided(k, l) = std::min(quantile_in_place(difference, 0.6), most);
    }
  });
  for (MatrixXd* m : {&d.apart, &d.least_sum, &d.one_sided})
    m->triangularView<Eigen::StrictlyUpper>() = m->transpose().eval();
  d.apart.diagonal().setZero();

  // A frame focused on air beside the subject has no neighbour in this sense. All tiles lie to one
  // side of it, and it hangs on the frame that shares the sharpest tiles with it.
  for (Index k = 0; k < n; ++k) {
    if ((d.apart.row(k).array() < kInf).count() > 1) continue;
    Index l = 0;
    if (d.least_sum.row(k).minCoeff(&l) < kInf) d.apart(k, l) = d.apart(l, k) = d.one_sided(k, l);
  }
  return d;
}

/// Px of focal position for one unit of log scale, from frames that have a distance; 0: none.
double px_per_log_scale(const FrameDistances& d, const std::vector<Index>& used,
                        const VectorXd& log_scale) {
  std::vector<double> rate;
  for (std::size_t i = 1; i < used.size(); ++i) {
    const Index a = used[i - 1], b = used[i];
    const double ds = std::abs(log_scale(b) - log_scale(a));
    const double px = d.apart(a, b) < kInf ? d.apart(a, b) : d.one_sided(a, b);
    if (ds > 1e-4 && px < kInf && px > 0.3) rate.push_back(px / ds);
  }
  return rate.size() >= 4 ? quantile_in_place(rate, 0.5) : 0.0;
}

/// The same where any two frames share too few tiles for a distance: from those of all together.
double px_per_log_scale_of_tiles(const Eigen::MatrixXf& blur_px, const std::vector<Index>& used,
                                 const VectorXd& log_scale) {
  constexpr double kLeastLogScale = 1e-3;  // ten times what registration errs by
  constexpr std::size_t kFewest = 12;
  std::vector<double> rate;
  for (std::size_t i = 1; i < used.size(); ++i) {
    const double ds = std::abs(log_scale(used[i]) - log_scale(used[i - 1]));
    if (ds < kLeastLogScale) continue;
    for (Index t = 0; t < blur_px.cols(); ++t) {
      const auto a = static_cast<double>(blur_px(used[i - 1], t));
      const auto b = static_cast<double>(blur_px(used[i], t));
      if (a >= 0.0 && b >= 0.0) rate.push_back(std::abs(a - b) / ds);
    }
  }
  return rate.size() >= kFewest ? quantile_in_place(rate, 0.8) : 0.0;
}

/// Shortest paths between all frames, embedded on a line; the burst begins at its low end.
VectorXd embedded_on_a_line(MatrixXd distance, const std::vector<Index>& used) {
  for (Index m = 0; m < distance.rows(); ++m)
    for (Index k = 0; k < distance.rows(); ++k) {
      if (distance(k, m) == kInf) continue;
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
  double slope = 0.0;
  for (Index a = 0; a < size; ++a)
    slope += (static_cast<double>(a) - 0.5 * static_cast<double>(size - 1)) * line(a);
  if (slope < 0.0) line = -line;
  VectorXd q = VectorXd::Zero(distance.rows());
  for (Index a = 0; a < size; ++a) q(used[static_cast<std::size_t>(a)]) = line(a);
  return q;
}

/// What frames see, and the steps from frame to frame where without them a part of the burst would
/// hang on nothing: a step that no tile shows, as where the ring went back to the other end, is
/// known too badly to be a way between frames that hang together by others.
/// @param seen N x N, infinite where it cannot be told. @param step of each frame from the one
/// before, px.
MatrixXd with_steps_where_needed(MatrixXd seen, const std::vector<double>& step,
                                 const std::vector<Index>& used) {
  std::vector<Index> part(static_cast<std::size_t>(seen.rows()));  // of each frame
  std::iota(part.begin(), part.end(), Index{0});
  const auto join = [&](Index a, Index b) {
    const Index kept = part[static_cast<std::size_t>(a)], gone = part[static_cast<std::size_t>(b)];
    if (kept != gone) std::ranges::replace(part, gone, kept);
    return kept != gone;
  };
  for (const Index a : used)
    for (const Index b : used)
      if (seen(a, b) < kInf) join(a, b);
  for (std::size_t i = 1; i < used.size(); ++i) {
    const Index a = used[i - 1], b = used[i];
    if (join(a, b)) seen(a, b) = seen(b, a) = step[i];
  }
  return seen;
}

/// How badly the i-th frame in use fits the distances to those before it but the last.
double misfit_of(const VectorXd& q, const MatrixXd& apart, const std::vector<Index>& used,
                 std::size_t i) {
  constexpr double kSdPx = 0.3, kSdShare = 0.2;  // of a distance
  double sum = 0.0;
  for (std::size_t j = 0; j + 1 < i; ++j) {
    const double seen = apart(used[i], used[j]);
    if (seen == kInf) continue;
    const double off = std::abs(q(used[i]) - q(used[j])) - seen;
    sum += std::min(9.0, std::pow(off / (kSdPx + kSdShare * seen), 2.0));
  }
  return sum;
}

/// Every step one way or the other, whichever fits the distances to the frames before better: the
/// best of many paths followed side by side. None where that is hardly better than going one way,
/// as where only a step too short to tell is turned.
/// @param step of each frame from the one before, px. @param apart N x N, infinite where unknown.
std::optional<VectorXd> turned_where_it_fits(const std::vector<double>& step, const MatrixXd& apart,
                                             const std::vector<Index>& used,
                                             const VectorXd& one_way) {
  constexpr double kClearly = 0.8;
  constexpr std::size_t kPaths = 24;
  struct Path {
    VectorXd q;
    double misfit = 0.0;
  };
  double one_way_misfit = 0.0;
  std::vector<Path> paths{{.q = VectorXd::Zero(apart.rows())}};
  for (std::size_t i = 1; i < used.size(); ++i) {
    const Index k = used[i];
    one_way_misfit += misfit_of(one_way, apart, used, i);
    std::vector<Path> longer;
    for (const Path& path : paths)
      for (const double sign : {1.0, -1.0}) {
        if (i == 1 && sign < 0.0) continue;  // a mirrored path is no other
        Path next = path;
        next.q(k) = path.q(used[i - 1]) + sign * step[i];
        next.misfit += misfit_of(next.q, apart, used, i);
        longer.push_back(std::move(next));
      }
    std::ranges::stable_sort(longer, {}, &Path::misfit);
    if (longer.size() > kPaths) longer.resize(kPaths);
    paths = std::move(longer);
  }
  if (!(paths.front().misfit < kClearly * one_way_misfit)) return std::nullopt;
  return paths.front().q;
}

}  // namespace

FocalStarts starting_positions(const Eigen::MatrixXf& blur_px, const std::vector<bool>& use,
                               const VectorXd& scale, double near_px, const ForEach& for_each) {
  FrameDistances d = measure_distances(blur_px, near_px, for_each);
  const VectorXd log_scale = scale.array().log();
  std::vector<Index> used;
  for (std::size_t k = 0; k < use.size(); ++k)
    if (use[k]) used.push_back(static_cast<Index>(k));

  // The scale of the picture follows the ring (breathing). It speaks for frames that share no sharp
  // tile.
  double breathing_px = px_per_log_scale(d, used, log_scale);
  if (breathing_px == 0.0) breathing_px = px_per_log_scale_of_tiles(blur_px, used, log_scale);
  std::vector<double> steps;
  for (std::size_t i = 1; i < used.size(); ++i)
    if (const double step = d.apart(used[i], used[i - 1]); step < kInf) steps.push_back(step);
  const double usual_step = steps.empty() ? 1.0 : quantile_in_place(steps, 0.5);
  const auto step_between = [&](Index a, Index b) {
    if (d.apart(a, b) < kInf) return d.apart(a, b);
    const double breathing = breathing_px * std::abs(log_scale(a) - log_scale(b));
    const double seen = d.one_sided(a, b) < kInf ? d.one_sided(a, b) : 0.0;
    return std::max({breathing, seen, 0.3 * usual_step});
  };

  std::vector<double> step_px(used.size(), 0.0);
  FocalStarts starts{.step_px = std::vector<std::optional<double>>(use.size())};
  VectorXd one_way = VectorXd::Zero(blur_px.rows()), as_scale_turns = one_way;
  for (std::size_t i = 1; i < used.size(); ++i) {
    const Index a = used[i - 1], b = used[i];
    if (d.apart(a, b) < kInf) starts.step_px[static_cast<std::size_t>(b)] = d.apart(a, b);
    const double step = step_px[i] = step_between(a, b);
    one_way(b) = one_way(a) + step;
    as_scale_turns(b) = as_scale_turns(a) + (log_scale(b) < log_scale(a) ? step : -step);
  }
  starts.positions.push_back(one_way);
  // No picture tells a ring turned one way from one turned the other: a mirrored start is no other.
  if (breathing_px > 0.0 && as_scale_turns.cwiseAbs() != one_way)
    starts.positions.push_back(as_scale_turns);
  // Alone it lays out all frames, where steps are so long that hardly any tile is seen in two. How
  // far it goes for a px is known the worse then.
  if (breathing_px > 0.0)
    for (const double rate : {0.75, 1.0, 1.35}) {
      VectorXd& start = starts.by_scale.emplace_back(VectorXd::Zero(blur_px.rows()));
      for (const Index k : used)
        start(k) = rate * breathing_px * (log_scale(k) - log_scale(used.front()));
    }
  if (auto turned = turned_where_it_fits(step_px, d.apart, used, one_way))
    starts.positions.push_back(std::move(*turned));
  starts.positions.push_back(
      embedded_on_a_line(with_steps_where_needed(std::move(d.apart), step_px, used), used));
  return starts;
}

std::vector<VectorXd> mended_where_torn(const VectorXd& q,
                                        const std::vector<std::optional<double>>& step_px,
                                        const std::vector<bool>& use) {
  constexpr double kTornPx = 3.0;  // and by as much as the step: readings are off by a fifth
  constexpr std::size_t kPlaces = 2;
  struct Tear {
    std::size_t before = 0, frame = 0;
    double px = 0.0;
  };
  std::vector<Tear> tears;
  std::optional<std::size_t> before;
  for (std::size_t k = 0; k < use.size(); ++k) {
    if (!use[k]) continue;
    if (before && step_px[k]) {
      const double gone = std::abs(q(static_cast<Index>(k)) - q(static_cast<Index>(*before)));
      const double torn = gone - *step_px[k];
      if (torn > std::max(kTornPx, *step_px[k])) tears.push_back({*before, k, torn});
    }
    before = k;
  }
  std::ranges::stable_sort(tears, std::greater<>(), &Tear::px);
  if (tears.size() > kPlaces) tears.resize(kPlaces);
  std::vector<VectorXd> mended;
  for (const Tear& tear : tears) {
    const auto k = static_cast<Index>(tear.frame);
    const double here = q(k), there = q(static_cast<Index>(tear.before));
    for (const double step : {*step_px[tear.frame], -*step_px[tear.frame]})
      for (const double turn : {1.0, -1.0}) {
        VectorXd trial = q;
        for (Index j = k; j < q.size(); ++j)
          if (use[static_cast<std::size_t>(j)]) trial(j) = there + step + turn * (q(j) - here);
        mended.push_back(std::move(trial));
      }
  }
  return mended;
}

}  // namespace ringsweep
