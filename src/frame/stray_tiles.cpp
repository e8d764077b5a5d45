#include "frame/stray_tiles.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "frame/overlay.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr double kBiweight = 4.685;  // 95 % efficiency, as kHuber

/// What a tile with texture asks for: h (to . move) = g, h with 1 as its largest eigenvalue, so
/// that along an edge it says nothing.
struct Vote {
  std::size_t tile = 0;
  Eigen::Vector2d at;
  Eigen::Matrix<double, 2, 4> h_to;
  Eigen::Vector2d g;
  Eigen::Matrix4d normal;  // to' h to
  Eigen::Vector4d right;   // to' g
};

std::vector<Vote> votes_of(std::span<const TileEquations> tiles, double sigma) {
  constexpr double kMostSdPx = 0.1;
  std::vector<Vote> votes;
  for (std::size_t t = 0; t < tiles.size(); ++t) {
    const TileEquations& tile = tiles[t];
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> eigen(tile.h, Eigen::EigenvaluesOnly);
    const double most = eigen.eigenvalues().maxCoeff();
    if (!(most * kMostSdPx * kMostSdPx > sigma * sigma)) continue;
    Eigen::Matrix<double, 2, 4> to;  // from a move of the picture to one of the tile
    to << tile.at.x(), -tile.at.y(), 1.0, 0.0, tile.at.y(), tile.at.x(), 0.0, 1.0;
    Vote vote;
    vote.tile = t;
    vote.at = tile.at;
    vote.h_to = tile.h / most * to;
    vote.g = tile.g / most;
    vote.normal = to.transpose() * vote.h_to;
    vote.right = to.transpose() * vote.g;
    votes.push_back(vote);
  }
  return votes;
}

/// A move, how far each tile would still go along its gradients, and how far most would.
struct Agreement {
  Eigen::Vector4d move = Eigen::Vector4d::Zero();
  std::vector<double> left_px;
  double spread_px = 0.0;
};

void look(std::span<const Vote> votes, Agreement& found) {
  constexpr double kLeastSpreadPx = 0.05;
  found.left_px.clear();
  for (const Vote& vote : votes) found.left_px.push_back((vote.g - vote.h_to * found.move).norm());
  found.spread_px = std::max(kLeastSpreadPx, 1.4826 * quantile(found.left_px, 0.5));
}

/// From Huber's solution of those votes that `start` takes, to the biweight's of all.
template <typename Start>
Agreement agree(std::span<const Vote> votes, Start start) {
  constexpr int kHuberPasses = 4, kPasses = 12;
  Agreement found;
  for (int pass = 0; pass < kPasses; ++pass) {
    look(votes, found);
    Eigen::Matrix4d a = Eigen::Matrix4d::Identity() * 1e-6;
    Eigen::Vector4d b = Eigen::Vector4d::Zero();
    for (std::size_t i = 0; i < votes.size(); ++i) {
      const double u = found.left_px[i] / found.spread_px;
      double weight = std::max(0.0, 1.0 - std::pow(u / kBiweight, 2));
      weight *= weight;
      if (pass < kHuberPasses)
        weight = start(votes[i].at) ? std::min(1.0, kHuber / std::max(u, 1e-12)) : 0.0;
      if (weight == 0.0) continue;
      a += weight * votes[i].normal;
      b += weight * votes[i].right;
    }
    const Eigen::Vector4d move = a.ldlt().solve(b);
    if (!move.allFinite()) break;
    found.move = move;
  }
  look(votes, found);
  return found;
}

/// What sways before the subject often does so at one side: the start that the most agree with.
Agreement agree(std::span<const Vote> votes) {
  constexpr double kGoodPx = 0.12;  // pictures without anything astray: 0.05 to 0.15
  constexpr double kClearlyLess = 0.7;
  constexpr double kInner = 0.5;  // of the distance of the corners
  Agreement best = agree(votes, [](const Eigen::Vector2d&) { return true; });
  if (best.spread_px < kGoodPx) return best;
  const auto try_start = [&](auto start) {
    Agreement other = agree(votes, start);
    if (other.spread_px < kClearlyLess * best.spread_px) best = std::move(other);
  };
  try_start([](const Eigen::Vector2d& at) { return at.norm() < kInner; });
  for (const int axis : {0, 1})
    for (const double sign : {-1.0, 1.0})
      try_start([&](const Eigen::Vector2d& at) { return sign * at[axis] > 0.0; });
  return best;
}

/// Only what is one thing of some size: of a little, the rest takes no notice.
cv::Mat things(const cv::Mat& astray, int least_tiles) {
  cv::Mat label, stats, middles, result(astray.size(), CV_8UC1, cv::Scalar(0));
  const int count = cv::connectedComponentsWithStats(astray, label, stats, middles);
  for (int i = 1; i < count; ++i)
    if (stats.at<int>(i, cv::CC_STAT_AREA) >= least_tiles) result.setTo(255, label == i);
  return result;
}

}  // namespace

StrayTiles find_stray_tiles(std::span<const TileEquations> tiles, cv::Size grid, double sigma) {
  constexpr std::size_t kFewestVotes = 24;  // fewer are no majority
  // What is less beside the rest may be blur that is not the same to all sides.
  constexpr double kLeastPx = 0.5;
  constexpr double kLeastShare = 0.02, kMostShare = 0.4;  // of all votes
  constexpr int kFewestTiles = 4;
  const std::vector<Vote> votes = votes_of(tiles, sigma);
  if (votes.size() < kFewestVotes) return {};
  const Agreement found = agree(votes);
  cv::Mat astray(grid, CV_8UC1, cv::Scalar(0));
  const double most_px = std::max(kLeastPx, kBiweight * found.spread_px);
  for (std::size_t i = 0; i < votes.size(); ++i)
    if (found.left_px[i] > most_px) astray.data[votes[i].tile] = 255;
  const auto n = static_cast<double>(votes.size());
  astray = things(astray, std::max(kFewestTiles, static_cast<int>(kLeastShare * n)));
  const int count = cv::countNonZero(astray);
  if (count == 0 || count > kMostShare * n) return {};
  return {.move = found.move, .astray = astray};
}

}  // namespace ringsweep
