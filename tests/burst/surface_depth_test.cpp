// The surface between tiles: on a slope, beside an edge in depth, and where too little is known.
#include "burst/surface_depth.h"

#include <gtest/gtest.h>

#include <functional>
#include <limits>

namespace ringsweep {
namespace {

constexpr int kTiles = 12, kTilePx = 16;

cv::Mat tiles(const std::function<double(double x_px, double y_px)>& depth_px) {
  cv::Mat q(kTiles, kTiles, CV_32FC1);
  for (int row = 0; row < kTiles; ++row)
    for (int col = 0; col < kTiles; ++col)
      q.at<float>(row, col) =
          static_cast<float>(depth_px((col + 0.5) * kTilePx, (row + 0.5) * kTilePx));
  return q;
}

TEST(SurfaceDepth, OnASlopeItIsThatOfThePlace) {
  const auto depth = [](double x, double y) { return 3.0 + 0.1 * x - 0.05 * y; };
  const cv::Mat q = tiles(depth);
  // Amid tiles all around the place the slope hardly matters: float holds 1e-6 of 20 px.
  EXPECT_NEAR(surface_depth_px(q, kTilePx, {88, 104}).value(), depth(88, 104), 1e-4);
  // Between tiles and at the rim what the slope is shrunk by is left: less than a quarter of what
  // it makes in a tile.
  for (const cv::Point at : {cv::Point(81, 99), cv::Point(2, 100), cv::Point(190, 3)})
    EXPECT_NEAR(surface_depth_px(q, kTilePx, at).value(), depth(at.x, at.y), 0.25 * 0.1 * kTilePx)
        << at;
}

TEST(SurfaceDepth, BesideAnEdgeItIsThatOfItsOwnSide) {
  const cv::Mat q = tiles([](double x, double) { return x < 96.0 ? 0.0 : 10.0; });
  // Two thirds of a tile from the edge; another surface counts nothing in the last rounds.
  EXPECT_NEAR(surface_depth_px(q, kTilePx, {85, 100}).value(), 0.0, 1e-3);
  EXPECT_NEAR(surface_depth_px(q, kTilePx, {107, 100}).value(), 10.0, 1e-3);
}

TEST(SurfaceDepth, TwoTilesTellNothing) {
  cv::Mat q(kTiles, kTiles, CV_32FC1, cv::Scalar(std::numeric_limits<float>::quiet_NaN()));
  q.at<float>(5, 5) = 1.0F;
  q.at<float>(5, 6) = 1.0F;
  EXPECT_FALSE(surface_depth_px(q, kTilePx, {88, 88}).has_value());
  q.at<float>(6, 6) = 1.0F;
  EXPECT_NEAR(surface_depth_px(q, kTilePx, {88, 88}).value(), 1.0, 1e-6);
  EXPECT_FALSE(surface_depth_px(q, kTilePx, {8, 8}).has_value()) << "all of them are far away";
}

}  // namespace
}  // namespace ringsweep
