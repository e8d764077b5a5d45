#include "burst/depth_tiles.h"

#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace ringsweep {
namespace {

constexpr int kZoneTiles = 6;  // so near to the border a set's thickness there is taken

}  // namespace

DepthTiles::DepthTiles(const Profiles& profiles, const FocalPositions& focus,
                       const cv::Mat& all_see, const SubjectOptions& options)
    : tiles_(profiles.tiles), focus_(focus), options_(options) {
  int rows = profiles.grid.rows(), cols = profiles.grid.cols();
  for (const TileProfile& t : tiles_) {
    rows = std::max(rows, t.row + 1);
    cols = std::max(cols, t.col + 1);
  }
  at_ = cv::Mat(rows, cols, CV_32SC1, cv::Scalar(kNone));
  for (std::size_t t = 0; t < tiles_.size(); ++t)
    at_.at<int>(tiles_[t].row, tiles_[t].col) = static_cast<int>(t);
  for (const TileProfile& t : tiles_) {
    border_.push_back(near_border(t, all_see, options.border_tiles));
    zone_.push_back(near_border(t, all_see, kZoneTiles));
  }
}

std::vector<Tiles> DepthTiles::linked(const std::vector<bool>& in, int reach,
                                      double within_px) const {
  std::vector<bool> seen(tiles_.size());
  std::vector<Tiles> result;
  for (std::size_t start = 0; start < tiles_.size(); ++start) {
    if (!in[start] || seen[start]) continue;
    Tiles piece{start};
    seen[start] = true;
    for (std::size_t i = 0; i < piece.size(); ++i) {
      const std::size_t t = piece[i];
      around(t, reach, [&](std::size_t other) {
        if (!in[other] || seen[other] || std::abs(q(other) - q(t)) > within_px) return;
        seen[other] = true;
        piece.push_back(other);
      });
    }
    result.push_back(std::move(piece));
  }
  return result;
}

bool DepthTiles::reaches_border(const Tiles& piece) const {
  return std::ranges::any_of(piece, [&](std::size_t t) { return border_[t]; });
}

Tiles DepthTiles::thick(const Tiles& tiles, const Tiles& ends) const {
  constexpr int kPad = 4;  // the set goes on beyond the picture's edge
  cv::Mat mask(at_.size(), CV_8UC1, cv::Scalar(0));
  for (const std::size_t t : tiles) mask.at<std::uint8_t>(tiles_[t].row, tiles_[t].col) = 1;
  cv::Mat padded;
  cv::copyMakeBorder(mask, padded, kPad, kPad, kPad, kPad, cv::BORDER_REPLICATE);
  const auto disc = [](int radius) {
    return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
  };
  cv::morphologyEx(padded, padded, cv::MORPH_CLOSE, disc(2));  // tiles without texture
  cv::Mat depth, core;
  cv::distanceTransform(padded, depth, cv::DIST_C, 3);
  float at_border = 0.0F;
  const auto leaves_at = [&](std::size_t t) {
    at_border = std::max(at_border, depth.at<float>(tiles_[t].row + kPad, tiles_[t].col + kPad));
  };
  for (const std::size_t t : tiles)
    if (zone_[t]) leaves_at(t);
  for (const std::size_t t : ends) leaves_at(t);
  // As thick at the border as half the picture, or all of it: nothing is thicker.
  if (4.0F * at_border >= static_cast<float>(std::min(at_.rows, at_.cols))) return {};
  cv::morphologyEx(padded, core, cv::MORPH_OPEN, disc(cvCeil(2.0F * at_border) + 1));
  Tiles result;
  for (const std::size_t t : tiles)
    if (core.at<std::uint8_t>(tiles_[t].row + kPad, tiles_[t].col + kPad) != 0) result.push_back(t);
  return result;
}

std::vector<bool> DepthTiles::supported() const {
  std::vector<bool> result(tiles_.size());
  for (std::size_t t = 0; t < tiles_.size(); ++t) {
    if (focus_.tiles[t].weight < options_.min_weight) continue;
    int agree = 0;
    around(t, 1, [&](std::size_t other) {
      if (focus_.tiles[other].weight >= options_.min_weight &&
          std::abs(q(other) - q(t)) < options_.agree_px)
        ++agree;
    });
    result[t] = agree >= options_.agreeing;
  }
  return result;
}

bool DepthTiles::near_border(const TileProfile& t, const cv::Mat& all_see, int reach) const {
  if (t.row < reach || t.col < reach || t.row >= at_.rows - reach || t.col >= at_.cols - reach)
    return true;
  if (all_see.empty()) return false;
  const cv::Rect about(t.col - reach, t.row - reach, 2 * reach + 1, 2 * reach + 1);
  return cv::countNonZero(all_see(about)) < about.area();
}

}  // namespace ringsweep
