#include "ringsweep/registration.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

#include "frame/overlay.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr double kConvergedPx = 2e-3;  // largest movement of a corner in one step; sd is 1e-2 px
constexpr double kConvergedCoarselyPx = 2e-2;  // the same, where a finer level follows
// Of a corner, by what is left of the light. Pictures have 1e-3; of a copy nothing is left, and it
// would weigh so much that what the others say is lost.
constexpr double kLeastSdPx = 1e-4;

cv::Matx33d translation(double x, double y) { return {1, 0, x, 0, 1, y, 0, 0, 1}; }

struct LevelResult {
  Similarity to_from;
  RobustLoss loss;
  bool converged = false;
  bool compared = false;  ///< the pictures overlap
};

/// @param step unknowns as in NormalEquations
Similarity of_step(const Eigen::Vector4d& step, double radius) {
  return {.log_scale = step[0] / radius,
          .rotation_rad = step[1] / radius,
          .shift_x_px = step[2],
          .shift_y_px = step[3]};
}

/// Gauss-Newton on one pyramid level. Leaves in `overlay` what the last step was computed from.
LevelResult register_level(Overlay& overlay, const cv::Mat& from, const Similarity& start,
                           int max_iterations, double converged_px) {
  constexpr int kLeastPx = 100;
  constexpr double kNearPx = 1.0;
  LevelResult result{.to_from = start, .loss = {}};
  const double radius = cv::norm(overlay.center());
  std::vector<float> workspace;
  bool near = false;
  for (int iteration = 0; iteration < max_iterations; ++iteration) {
    overlay.lay(from, result.to_from, near);
    result.compared = overlay.num_compared() >= kLeastPx;
    if (!result.compared) return result;
    result.loss = overlay.robust_loss(workspace);
    NormalEquations equations = overlay.normal_equations(result.loss);
    equations.h.diagonal() *= 1.0 + 1e-6;
    equations.h.diagonal().array() += 1e-12;
    // The step brings `from` onto `to`: from(x - d(x)) = to(x), so gradient . d = from - to.
    const Eigen::Vector4d step = equations.h.ldlt().solve(equations.g);
    if (!step.allFinite()) return result;
    result.to_from =
        similarity_of(about_centers(of_step(step, radius)) * about_centers(result.to_from));
    const double moved_px = std::hypot(step[0], step[1]) + std::hypot(step[2], step[3]);
    result.converged = moved_px < converged_px;
    if (result.converged) break;
    near = moved_px < kNearPx;
  }
  return result;
}

/// Where some tiles go another way, the place that the others ask for; else `all`.
/// @param astray these tiles
LevelResult without_stray_tiles(Overlay& overlay, const cv::Mat& from, const LevelResult& all,
                                int max_iterations, cv::Mat& astray) {
  constexpr int kTilePx = 16, kTries = 3;
  const double radius = cv::norm(overlay.center());
  LevelResult result = all;
  for (int i = 0; i < kTries && result.compared; ++i) {
    const StrayTiles found =
        find_stray_tiles(overlay.tile_equations(result.loss, kTilePx), overlay.tile_grid(kTilePx),
                         result.loss.limit / kHuber);
    if (found.astray.empty()) break;
    astray = found.astray;
    overlay.leave_out(astray, kTilePx);
    result = register_level(
        overlay, from,
        similarity_of(about_centers(of_step(found.move, radius)) * about_centers(result.to_from)),
        max_iterations, kConvergedPx);
  }
  return result;
}

struct Edge {
  std::size_t to = 0;
  std::size_t from = 0;
  Link link;
};

/// Weighted least squares for one scalar per frame from differences along edges; frame `fixed` is
/// 0. Edges that disagree with the rest lose weight (Huber on their own scatter).
Eigen::VectorXd adjust_scalar(std::size_t n, std::size_t fixed, const std::vector<Edge>& edges,
                              const std::vector<double>& difference,
                              const std::vector<double>& information) {
  Eigen::VectorXd x = Eigen::VectorXd::Zero(static_cast<Eigen::Index>(n));
  std::vector<double> robust(edges.size(), 1.0);
  for (int pass = 0; pass < 4; ++pass) {
    const auto size = static_cast<Eigen::Index>(n);
    Eigen::MatrixXd a = Eigen::MatrixXd::Zero(size, size);
    Eigen::VectorXd b = Eigen::VectorXd::Zero(size);
    for (std::size_t e = 0; e < edges.size(); ++e) {
      const auto i = static_cast<Eigen::Index>(edges[e].to);
      const auto j = static_cast<Eigen::Index>(edges[e].from);
      const double w = information[e] * robust[e];
      a(i, i) += w, a(j, j) += w, a(i, j) -= w, a(j, i) -= w;
      b(j) += w * difference[e], b(i) -= w * difference[e];
    }
    double largest = 0.0;
    for (const double w : information) largest = std::max(largest, w);
    // Frames without a link stay at 0 instead of making the system singular.
    a.diagonal().array() += 1e-9 * std::max(largest, 1e-12);
    a(static_cast<Eigen::Index>(fixed), static_cast<Eigen::Index>(fixed)) += 1e3 * largest + 1.0;
    x = a.ldlt().solve(b);
    std::vector<float> u(edges.size());
    for (std::size_t e = 0; e < edges.size(); ++e) {
      const double r = x(static_cast<Eigen::Index>(edges[e].from)) -
                       x(static_cast<Eigen::Index>(edges[e].to)) - difference[e];
      u[e] = static_cast<float>(std::abs(r) * std::sqrt(information[e]));
    }
    std::vector<float> sorted = u;
    const double sigma = std::max(1e-9, 1.4826 * quantile_in_place(sorted, 0.5));
    for (std::size_t e = 0; e < edges.size(); ++e)
      robust[e] = std::min(1.0, kHuber / std::max(1e-12, u[e] / sigma));
  }
  return x.array() - x(static_cast<Eigen::Index>(fixed));
}

std::vector<Similarity> adjust(std::size_t n, std::size_t reference,
                               const std::vector<Edge>& edges) {
  const auto field = [&](auto get) {
    std::vector<double> values;
    for (const Edge& e : edges) values.push_back(get(e));
    return values;
  };
  const auto info = [&](std::size_t i) {
    return field([i](const Edge& e) { return e.link.information[i]; });
  };
  const Eigen::VectorXd scale = adjust_scalar(
      n, reference, edges, field([](const Edge& e) { return e.link.to_from.log_scale; }), info(0));
  const Eigen::VectorXd angle =
      adjust_scalar(n, reference, edges,
                    field([](const Edge& e) { return e.link.to_from.rotation_rad; }), info(1));
  std::vector<double> tx, ty;
  for (const Edge& e : edges) {
    const auto to = static_cast<Eigen::Index>(e.to);
    const Similarity turn{.log_scale = scale(to), .rotation_rad = angle(to)};
    const cv::Vec3d t =
        about_centers(turn) * cv::Vec3d(e.link.to_from.shift_x_px, e.link.to_from.shift_y_px, 1.0);
    tx.push_back(t[0]);
    ty.push_back(t[1]);
  }
  const Eigen::VectorXd x = adjust_scalar(n, reference, edges, tx, info(2));
  const Eigen::VectorXd y = adjust_scalar(n, reference, edges, ty, info(3));
  std::vector<Similarity> result(n);
  for (std::size_t k = 0; k < n; ++k) {
    const auto i = static_cast<Eigen::Index>(k);
    result[k] = {scale(i), angle(i), x(i), y(i)};
  }
  return result;
}

/// What is finer than a few px and coarser than one or two: blurred by 0.8 and by 2.5 px, apart.
cv::Mat band_of(const cv::Mat& level) {
  cv::Mat fine, coarse;
  cv::GaussianBlur(level, fine, {}, 0.8, 0.8, cv::BORDER_REFLECT);
  cv::GaussianBlur(level, coarse, {}, 2.5, 2.5, cv::BORDER_REFLECT);
  return fine - coarse;
}

/// Correlation of two bands where they overlap; 0 where they hardly do.
double correlation_of(const cv::Mat& to, const cv::Mat& from, const Similarity& to_from) {
  constexpr double kLeastOverlap = 0.4;
  if (std::min(from.rows, from.cols) < 2) return 0.0;
  Overlay overlay(to);
  overlay.lay(from, to_from);
  return overlay.share_compared() < kLeastOverlap ? 0.0 : overlay.correlation();
}

bool plausible(const Similarity& s) {
  return std::abs(s.log_scale) < 0.35 && std::abs(s.rotation_rad) < 0.35;
}

/// Frames joined by good links, as a group number each.
std::vector<std::size_t> groups_of(std::size_t n, const std::vector<Edge>& edges) {
  std::vector<std::size_t> group(n);
  std::iota(group.begin(), group.end(), std::size_t{0});
  const auto root = [&](std::size_t k) {
    while (group[k] != k) k = group[k] = group[group[k]];
    return k;
  };
  for (const Edge& e : edges) {
    const std::size_t a = root(e.to), b = root(e.from);
    group[std::max(a, b)] = std::min(a, b);
  }
  for (std::size_t k = 0; k < n; ++k) group[k] = root(k);
  return group;
}

}  // namespace

cv::Matx33d Similarity::matrix(cv::Point2d center) const {
  return translation(center.x, center.y) * about_centers(*this) * translation(-center.x, -center.y);
}

Similarity Similarity::in_other_px(double factor) const {
  Similarity other = *this;
  other.shift_x_px *= factor;
  other.shift_y_px *= factor;
  return other;
}

Thumbnail make_thumbnail(const cv::Mat& luminance, double floor, int coarsest_px) {
  CV_Assert(luminance.type() == CV_32FC1 && !luminance.empty());
  Thumbnail thumbnail;
  cv::Mat logarithm;
  cv::log(cv::max(luminance, 0.0F) + floor, logarithm);
  thumbnail.levels.push_back(logarithm);
  while (std::min(thumbnail.levels.back().rows, thumbnail.levels.back().cols) >= 2 * coarsest_px) {
    cv::Mat half;
    cv::pyrDown(thumbnail.levels.back(), half);
    thumbnail.levels.push_back(half);
  }
  return thumbnail;
}

Link register_pair(const Thumbnail& to, const Thumbnail& from, const Similarity& start,
                   const RegistrationOptions& options) {
  Link link{.to_from = start};
  const std::size_t all = std::min(to.levels.size(), from.levels.size());
  for (std::size_t level = std::min(all, options.max_levels); level-- > 0;) {
    const cv::Mat& from_level = from.levels[level];
    if (std::min(from_level.rows, from_level.cols) < 2) continue;
    const double factor = static_cast<double>(std::size_t{1} << level);
    Overlay overlay(to.levels[level]);
    LevelResult r =
        register_level(overlay, from_level, link.to_from.in_other_px(1.0 / factor),
                       options.max_iterations, level == 0 ? kConvergedPx : kConvergedCoarselyPx);
    if (level == 0)
      r = without_stray_tiles(overlay, from_level, r, options.max_iterations, link.astray);
    link.to_from = r.to_from.in_other_px(factor);
    link.converged = r.converged;
    if (level > 0 || !r.compared) continue;
    link.correlation = overlay.correlation();
    const NormalEquations e = overlay.normal_equations(r.loss);
    const Eigen::Vector4d information =
        (e.h.diagonal() / std::max(1e-12, e.chi2 / std::max(1, overlay.num_counted())))
            .cwiseMin(1.0 / (kLeastSdPx * kLeastSdPx));
    // From px at the corner to log scale and radians.
    const double radius2 = overlay.center().dot(overlay.center());
    link.information = {information[0] * radius2, information[1] * radius2, information[2],
                        information[3]};
  }
  return link;
}

Alike alike(const Thumbnail& a, const Thumbnail& b) {
  // Thresholds with room on both sides, ours: on bursts at hand, 2,772 pairs of one scene up to a
  // whole sweep apart came out `yes` and 2,412 pairs of different scenes `no`. The coarsest level
  // has few px, so chance does more there.
  struct Level {
    double alike, unlike;
  };
  constexpr std::array<Level, 2> kLevels{{{0.6, 0.5}, {0.45, 0.3}}};  // coarsest first
  const std::size_t levels = std::min(a.levels.size(), b.levels.size());
  if (levels == 0) return Alike::no;
  for (const Thumbnail* one : {&a, &b})  // a row or a column of px: nothing to compare
    if (std::min(one->levels[levels - 1].rows, one->levels[levels - 1].cols) < 2) return Alike::no;
  std::vector<cv::Mat> band_a, band_b;
  for (std::size_t i = 0; i < std::min(levels, kLevels.size()); ++i) {
    band_a.push_back(band_of(a.levels[levels - 1 - i]));
    band_b.push_back(band_of(b.levels[levels - 1 - i]));
  }
  // Where registration goes astray, pictures that lie well as they are, or shifted, still match.
  std::vector<Similarity> starts{{}};
  if (band_a[0].size() == band_b[0].size()) {
    cv::Mat window;
    cv::createHanningWindow(window, band_a[0].size(), CV_32F);
    const cv::Point2d shift = cv::phaseCorrelate(band_b[0], band_a[0], window);
    starts.push_back({.shift_x_px = shift.x, .shift_y_px = shift.y});
  }
  Alike result = Alike::no;
  for (const Similarity& start : starts) {
    Similarity to_from = start;
    for (std::size_t i = 0; i < band_a.size(); ++i) {
      const std::size_t level = levels - 1 - i;
      if (i > 0) to_from = to_from.in_other_px(2.0);
      const double unmoved = correlation_of(band_a[i], band_b[i], to_from);
      const Link link =
          register_pair({{a.levels[level]}}, {{b.levels[level]}}, to_from, {.max_iterations = 10});
      double moved = 0.0;
      if (plausible(link.to_from)) {
        to_from = link.to_from;
        moved = correlation_of(band_a[i], band_b[i], to_from);
      }
      const double correlation = std::max(unmoved, moved);
      if (correlation >= kLevels[i].alike) return Alike::yes;
      if (correlation >= kLevels[i].unlike) result = Alike::unsure;
    }
  }
  return result;
}

Registration register_burst(std::span<const Thumbnail> thumbnails, const std::vector<bool>& take,
                            const RegistrationOptions& options, const ForEach& for_each) {
  const std::size_t n = thumbnails.size();
  Registration result;
  result.reference_from_frame.resize(n);
  result.same_picture.assign(n, false);
  std::vector<std::size_t> taken;
  for (std::size_t k = 0; k < n; ++k)
    if (take[k]) taken.push_back(k);
  if (taken.empty()) return result;

  const auto measure = [&](std::vector<Edge>& edges, const RegistrationOptions& how) {
    for_each(edges.size(), [&](std::size_t e) {
      edges[e].link = register_pair(thumbnails[edges[e].to], thumbnails[edges[e].from],
                                    edges[e].link.to_from, how);
    });
  };
  // A wide step of the ring leaves little in common but what is coarse.
  const auto good = [&](const Edge& e) {
    return plausible(e.link.to_from) && (e.link.correlation >= options.min_correlation ||
                                         alike(thumbnails[e.to], thumbnails[e.from]) == Alike::yes);
  };
  // Neighbours first; where two do not show the same, the frames beyond are tried on each other.
  std::vector<Edge> near, kept;
  for (std::size_t i = 1; i < taken.size(); ++i) near.push_back({taken[i - 1], taken[i], {}});
  measure(near, options);
  std::vector<Edge> bridges;
  for (std::size_t i = 0; i < near.size(); ++i) {
    if (good(near[i])) continue;
    for (std::size_t back = 0; back < 2; ++back)
      for (std::size_t ahead = 0; ahead < 2; ++ahead)
        if (back + ahead > 0 && i >= back && i + 1 + ahead < taken.size())
          bridges.push_back({taken[i - back], taken[i + 1 + ahead], {}});
  }
  measure(bridges, options);
  for (const auto* list : {&near, &bridges})
    std::ranges::copy_if(*list, std::back_inserter(kept), good);

  const std::vector<std::size_t> group = groups_of(n, kept);
  std::vector<std::size_t> members(n, 0);
  for (const std::size_t k : taken) ++members[group[k]];
  const std::size_t largest =
      static_cast<std::size_t>(std::distance(members.begin(), std::ranges::max_element(members)));
  std::vector<std::size_t> chain;
  for (const std::size_t k : taken) {
    result.same_picture[k] = group[k] == largest;
    if (result.same_picture[k]) chain.push_back(k);
  }
  std::erase_if(kept, [&](const Edge& e) { return !result.same_picture[e.to]; });
  result.reference = chain[chain.size() / 2];
  result.reference_from_frame = adjust(n, result.reference, kept);

  // Longer links, started from the chain, keep its drift small.
  std::vector<Edge> far;
  for (const std::size_t stride : {std::size_t{3}, std::size_t{8}})
    for (std::size_t i = stride; i < chain.size(); ++i) {
      if (stride > 3 && i % 2 == 1) continue;
      Edge e{chain[i - stride], chain[i], {}};
      e.link.to_from = similarity_of(about_centers(result.reference_from_frame[e.to]).inv() *
                                     about_centers(result.reference_from_frame[e.from]));
      far.push_back(e);
    }
  RegistrationOptions from_chain = options;
  from_chain.max_levels = 1;  // the start is good to a fraction of a px
  measure(far, from_chain);
  std::ranges::copy_if(far, std::back_inserter(kept), good);
  if (!kept.empty()) result.reference_from_frame = adjust(n, result.reference, kept);

  for (const Edge& e : kept) {
    if (e.link.astray.empty()) continue;
    if (result.astray.empty())
      result.astray = cv::Mat(e.link.astray.size(), CV_32FC1, cv::Scalar(0));
    if (result.astray.size() == e.link.astray.size())
      cv::add(result.astray, 1.0 / static_cast<double>(kept.size()), result.astray, e.link.astray);
  }
  for (std::size_t k = 0; k < n; ++k) {  // the rest lies where its nearest neighbour lies
    if (result.same_picture[k]) continue;
    const auto nearest =
        std::ranges::min_element(chain, {}, [k](std::size_t i) { return i > k ? i - k : k - i; });
    result.reference_from_frame[k] = result.reference_from_frame[*nearest];
  }
  return result;
}

}  // namespace ringsweep
