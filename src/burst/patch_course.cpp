#include "burst/patch_course.h"

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

namespace ringsweep {
namespace {

/// Where a patch is in each frame, in shares of its shift.
struct Course {
  std::vector<double> at{};
  std::vector<bool> known{};
  double explained = 0.0;  ///< share of the pictures' difference that the shift explains
};

/// Least squares from all pairs, each patch's shift times what each pair tells.
Course course_of(const TileFields& burst, const Patch& patch) {
  const std::size_t n = burst.num_frames();
  const auto size = static_cast<Eigen::Index>(n);
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(size, size);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(size);
  Course out{.at = std::vector<double>(n), .known = std::vector<bool>(n)};
  struct Told {
    double way = 0.0, weight = 0.0, difference = 0.0, left = 0.0;
  };
  std::vector<Told> told(burst.pairs.size());
  for (std::size_t p = 0; p < burst.pairs.size(); ++p) {
    double top = 0.0, weight = 0.0, rest = 0.0, log_left = 0.0;
    std::size_t seen = 0;
    for (std::size_t i = 0; i < patch.tiles.size(); ++i) {
      const Seen& s = burst.fields[p][patch.tiles[i]];
      if (!s.known) continue;
      const cv::Vec2d ws = s.information.times(patch.shift[i]);
      const double w = ws.dot(patch.shift[i]);
      weight += w;
      top += ws.dot(s.shift);
      log_left += w * std::min(1.0, s.after / std::max(1e-12, s.before));
      ++seen;
    }
    if (2 * seen < patch.tiles.size() || !(weight > 0.0)) continue;
    const double way = top / weight;
    for (std::size_t i = 0; i < patch.tiles.size(); ++i) {
      const Seen& s = burst.fields[p][patch.tiles[i]];
      if (s.known) rest += s.information.form(s.shift - way * patch.shift[i]);
    }
    // Of tiles that do not agree with each other the mean is worth less.
    const double w = weight / std::max(1.0, rest / (2.0 * static_cast<double>(seen)));
    told[p] = {.way = way, .weight = w, .difference = weight, .left = log_left};
    const auto i = static_cast<Eigen::Index>(burst.pairs[p].first);
    const auto j = static_cast<Eigen::Index>(burst.pairs[p].second);
    normal(i, i) += w, normal(j, j) += w, normal(i, j) -= w, normal(j, i) -= w;
    right(i) -= w * way, right(j) += w * way;
    out.known[burst.pairs[p].first] = out.known[burst.pairs[p].second] = true;
  }
  normal.diagonal().array() += 1e-6 * normal.trace() / static_cast<double>(n) + 1e-12;
  const Eigen::VectorXd at = normal.ldlt().solve(right);
  double most = 0.0;
  for (std::size_t k = 0; k < n; ++k) out.at[k] = at(static_cast<Eigen::Index>(k));
  const auto apart = [&](std::size_t p) {
    return std::abs(out.at[burst.pairs[p].second] - out.at[burst.pairs[p].first]);
  };
  for (std::size_t p = 0; p < told.size(); ++p)
    if (told[p].weight > 0.0) most = std::max(most, apart(p));
  double difference = 0.0, left = 0.0;
  for (std::size_t p = 0; p < told.size(); ++p) {
    if (!(told[p].weight > 0.0) || apart(p) < 0.5 * most) continue;
    difference += told[p].difference, left += told[p].left;
  }
  out.explained = difference > 0.0 ? 1.0 - left / difference : 0.0;
  return out;
}

/// A course held against a model of one free level and one free height.
struct Fitted {
  double share = 0.0;   ///< of the variance that it explains
  double height = 0.0;  ///< of the model's rise from 0 to 1
};

template <class Model>
Fitted fitted(const Course& course, const Model& model) {
  double n = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
  for (std::size_t k = 0; k < course.at.size(); ++k) {
    if (!course.known[k]) continue;
    const double m = model(k), a = course.at[k];
    n += 1.0, x += m, y += a, xx += m * m, xy += m * a, yy += a * a;
  }
  const double vx = xx - x * x / std::max(1.0, n), vy = yy - y * y / std::max(1.0, n);
  const double vxy = xy - x * y / std::max(1.0, n);
  if (vx <= 1e-9 || vy <= 1e-12) return {};
  return {.share = vxy * vxy / (vx * vy), .height = vxy / vx};
}

std::vector<double> step_course(std::size_t n, std::size_t c) {
  std::vector<double> course(n);
  std::fill(course.begin() + static_cast<std::ptrdiff_t>(c), course.end(), 1.0);
  return course;
}

std::vector<double> drift_course(std::size_t n, std::size_t c) {
  std::vector<double> course(n);
  for (std::size_t k = c; k < n; ++k)
    course[k] = static_cast<double>(k - c + 1) / static_cast<double>(n - c);
  return course;
}

/// The first frame after a step. Where the part is too blurred to be seen when it moved, the first
/// of a sweep, if one begins there: between sweeps there is time; else the middle.
std::size_t when(const TileFields& burst, const Course& course, std::size_t c) {
  const std::size_t n = burst.num_frames();
  std::size_t first = c, last = c;  // may be any of these
  while (first > 1 && !course.known[first - 1]) --first;
  while (last + 1 < n && !course.known[last]) ++last;
  for (std::size_t k = first; k <= last; ++k)
    if (burst.sweep[k] != burst.sweep[k - 1]) return k;
  return (first + last) / 2;
}

/// Two steps: the frames after them, if between them and outside all stands still.
std::optional<std::array<std::size_t, 2>> two_steps(const Course& course) {
  constexpr double kShare = 0.97;
  const std::size_t n = course.at.size();
  std::vector<double> count(n + 1), sum(n + 1), squares(n + 1);  // before each frame
  for (std::size_t k = 0; k < n; ++k) {
    const double w = course.known[k] ? 1.0 : 0.0;
    count[k + 1] = count[k] + w;
    sum[k + 1] = sum[k] + w * course.at[k];
    squares[k + 1] = squares[k] + w * course.at[k] * course.at[k];
  }
  const auto within = [&](std::size_t i, std::size_t j) {
    const double c = count[j] - count[i], s = sum[j] - sum[i];
    return c > 0.0 ? squares[j] - squares[i] - s * s / c : 0.0;
  };
  double least = (1.0 - kShare) * within(0, n);
  std::optional<std::array<std::size_t, 2>> best;
  for (std::size_t a = 1; a + 1 < n; ++a)
    for (std::size_t b = a + 1; b < n; ++b) {
      // Frames on both sides are needed, at the burst's ends two of them.
      if (count[a] < 2.0 || count[b] - count[a] < 1.0 || count[n] - count[b] < 2.0) continue;
      const double left = within(0, a) + within(a, b) + within(b, n);
      if (left < least) least = left, best = std::array{a, b};
    }
  if (!best) return best;
  // Both are jumps: between neighbours most of the way from one level to the next.
  constexpr double kLeastJump = 0.75;
  const auto level = [&](std::size_t i, std::size_t j) {
    return (sum[j] - sum[i]) / (count[j] - count[i]);
  };
  const auto [a, b] = *best;
  const std::array<double, 3> levels{level(0, a), level(a, b), level(b, n)};
  for (const std::size_t i : {0, 1}) {
    const std::size_t c = i == 0 ? a : b;
    if (!course.known[c] || !course.known[c - 1]) return std::nullopt;
    if ((course.at[c] - course.at[c - 1]) / (levels[i + 1] - levels[i]) < kLeastJump)
      return std::nullopt;
  }
  return best;
}

/// Whether it goes the patch's way at once, and else hardly goes on from frame to frame. What is
/// seen of a thin part that is out of focus fades into the ground's: it seems to go back by and by.
bool jumps_once(const Course& course, std::size_t c) {
  constexpr double kMostElse = 0.2;  // of the jump; ours, no source
  double jump = 0.0, other = 0.0;
  std::optional<std::size_t> last;
  for (std::size_t k = 0; k < course.at.size(); ++k) {
    if (!course.known[k]) continue;
    const double way = last ? course.at[k] - course.at[*last] : 0.0;
    if (last && *last < c && k >= c) {
      jump = way;
    } else {
      other = std::max(other, std::abs(way));
    }
    last = k;
  }
  return jump > 0.0 && other <= kMostElse * jump;
}

}  // namespace

Judged judge(const TileFields& burst, const Patch& patch) {
  constexpr double kStepShare = 0.85, kLeastJump = 0.75, kMostJump = 1.35, kStepExplains = 0.45,
                   kTwoStepsExplain = 0.6, kFadingShare = 0.5, kMostFadingJump = 2.0;
  constexpr double kDriftShare = 0.97, kDriftExplains = 0.48, kSmallDriftExplains = 0.7;
  constexpr std::size_t kFewestFrames = 2, kTwoStepsTiles = 10, kDriftTiles = 80,
                        kSmallDriftTiles = 40;
  const std::size_t n = burst.num_frames(), c = patch.c;
  const Course course = course_of(burst, patch);
  std::size_t before = 0, after = 0;
  for (std::size_t k = 0; k < n; ++k)
    if (course.known[k]) ++(k < c ? before : after);
  if (before < kFewestFrames || after < kFewestFrames) return {};

  const Fitted step = fitted(course, [&](std::size_t k) { return k < c ? 0.0 : 1.0; });
  double jump = 1.0;
  if (course.known[c] && course.known[c - 1])
    jump = (course.at[c] - course.at[c - 1]) / step.height;
  const bool steps = step.share >= kStepShare && jump > kLeastJump && jump < kMostJump &&
                     course.explained >= kStepExplains;
  // What is back soon after a jump did not move: with a new sweep drops shine otherwise.
  const bool fades = step.share >= kFadingShare && jump > kLeastJump && jump < kMostFadingJump &&
                     course.explained >= kTwoStepsExplain && jumps_once(course, c);
  if (steps || fades) {
    const std::size_t at = when(burst, course, c);
    return {.found = {{.kind = MoveKind::stays,
                       .c = at,
                       .tiles = patch.tiles,
                       .course = step_course(n, at)}}};
  }
  if (course.explained >= kTwoStepsExplain && patch.tiles.size() >= kTwoStepsTiles)
    if (const auto two = two_steps(course)) {
      Judged both;
      for (const std::size_t at : *two)
        both.found.push_back(
            {.kind = MoveKind::stays, .c = at, .tiles = patch.tiles, .course = step_course(n, at)});
      return both;
    }
  const bool large = patch.tiles.size() >= kDriftTiles;
  if (course.explained < (large ? kDriftExplains : kSmallDriftExplains) ||
      patch.tiles.size() < kSmallDriftTiles)
    return {};
  Fitted best;
  std::size_t begin = 0;
  for (std::size_t from = 1; from + 3 <= n; ++from) {
    const Fitted drift = fitted(
        course, [&](std::size_t k) { return k < from ? 0.0 : static_cast<double>(k - from + 1); });
    if (drift.share > best.share) best = drift, begin = from;
  }
  if (best.share < kDriftShare) return {};
  // What glides from the start may be parallax that no straight line in depth takes off.
  constexpr std::size_t kFewestStill = 4;
  const auto still = static_cast<std::size_t>(std::count(
      course.known.begin(), course.known.begin() + static_cast<std::ptrdiff_t>(begin), true));
  if (still < kFewestStill) return {.glides = large};
  return {.found = {{.kind = MoveKind::drifts,
                     .c = begin,
                     .tiles = patch.tiles,
                     .course = drift_course(n, begin)}}};
}

}  // namespace ringsweep
