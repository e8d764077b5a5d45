// Depth edges on made pictures: one textured layer in front of another, the near one's blur over
// the far one as geometry has it. The truth is the order of the layers.
#include "ringsweep/depth_edges.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "layers.h"
#include "ringsweep/near_side.h"
#include "ringsweep/profiles.h"

namespace ringsweep {
namespace {

constexpr int kSize = 208;
constexpr double kStrong = 0.995;  // NearSideOptions::strong

cv::Mat texture(unsigned seed, double light) {
  cv::Mat noise(kSize, kSize, CV_32FC1);
  cv::RNG random(seed);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.35);
  cv::GaussianBlur(noise, noise, {}, 1.0);
  return light * (1.0 + noise);
}

constexpr double kHighPx = 5.0, kLowPx = -5.0;

std::vector<double> sweep() {
  std::vector<double> q;
  for (int k = -8; k <= 8; ++k) q.push_back(k);
  return q;
}

/// A layer at +5 px with a wavy border beside one at -5 px.
/// @param high_near which of the two is in front.
/// @param opacity of that one, as of a part with gaps: hairs, teeth, a veil.
Stack two_layers(bool high_near, double opacity = 1.0) {
  cv::Mat mask(kSize, kSize, CV_32FC1);
  for (int y = 0; y < kSize; ++y)
    for (int x = 0; x < kSize; ++x)
      mask.at<float>(y, x) =
          static_cast<float>(std::clamp(x - 104.0 + 9.0 * std::sin(y / 40.0), 0.0, 1.0));
  if (!high_near) mask = 1.0 - mask;  // now the layer of the smaller positions is in front
  const cv::Mat front = texture(1, 0.2), back = texture(2, 0.4);
  Stack stack{.q_px = sweep()};
  for (const double q : stack.q_px) {
    const double high = std::abs(q - kHighPx), low = std::abs(q - kLowPx);
    const double front_px = high_near ? high : low, back_px = high_near ? low : high;
    const cv::Mat covered = opacity * out_of_focus(mask, front_px);
    const cv::Mat picture = opacity * out_of_focus(front.mul(mask), front_px) +
                            out_of_focus(back, back_px).mul(1.0 - covered);
    stack.pictures.push_back(edge_picture(picture, 1));
  }
  return stack;
}

/// A plane whose depth runs from one side of the picture to the other: nothing hides anything.
Stack tilted_plane() {
  const cv::Mat plane = texture(3, 0.3);
  constexpr int kStrip = 8;  // 0.5 px of depth
  std::vector<cv::Mat> blurred;
  for (int i = 0; i <= 30; ++i) blurred.push_back(out_of_focus(plane, 0.5 * i));
  Stack stack{.q_px = sweep()};
  for (const double q : stack.q_px) {
    cv::Mat picture(kSize, kSize, CV_32FC1);
    for (int x = 0; x < kSize; x += kStrip) {
      const double depth = -6.5 + 0.5 * x / kStrip;
      const auto blur = static_cast<std::size_t>(std::lround(2.0 * std::abs(q - depth)));
      blurred[blur].colRange(x, x + kStrip).copyTo(picture.colRange(x, x + kStrip));
    }
    stack.pictures.push_back(edge_picture(picture, 1));
  }
  return stack;
}

/// The same pictures with the positions' sign changed.
Stack mirrored(Stack stack) {
  std::ranges::reverse(stack.pictures);
  std::ranges::reverse(stack.q_px);
  for (double& q : stack.q_px) q = -q;
  return stack;
}

std::vector<DepthEdge> edges_of(const Stack& stack) {
  return find_depth_edges(stack.pictures, stack.q_px, look_at_depth(stack.pictures));
}

double told(const Stack& stack) { return edges_tell(edges_of(stack)); }

TEST(DepthEdges, TheLayerInFrontIsTheNearOne) {
  EXPECT_GT(told(two_layers(true)), kStrong);
  EXPECT_LT(told(two_layers(false)), 1.0 - kStrong);
}

TEST(DepthEdges, MirroredPositionsGiveTheMirroredAnswer) {
  const double p = told(two_layers(true)), m = told(mirrored(two_layers(true)));
  EXPECT_LT(m, 1.0 - kStrong);
  // Ties between frames go to the first, which is another one then: not the same to the bit.
  EXPECT_NEAR(p + m, 1.0, 1.0 - kStrong);
}

TEST(DepthEdges, AnEdgeSaysWhereItIsAndHowDeep) {
  const Stack stack = two_layers(true);
  const auto edges = edges_of(stack);
  ASSERT_GT(edges.size(), 20U);
  for (const DepthEdge& edge : edges) {
    // The wave's height, and half of what a label reaches beyond its contour.
    EXPECT_NEAR(edge.at.x, 104.0, 9.0 + 8.0) << "row " << edge.at.y;
    // Frames are 1 px apart: half a step on either side.
    EXPECT_NEAR(edge.jump_px, kHighPx - kLowPx, 1.0) << "row " << edge.at.y;
  }
}

TEST(DepthEdges, ATiltedPlaneTellsNothing) {
  const double p = told(tilted_plane());
  EXPECT_GT(p, 1.0 - kStrong);
  EXPECT_LT(p, kStrong);
}

double median_seen_across(const Stack& stack) {
  std::vector<double> across;
  for (const DepthEdge& edge : edges_of(stack)) across.push_back(edge.seen_across);
  if (across.empty()) return -1.0;
  const auto middle = across.begin() + static_cast<std::ptrdiff_t>(across.size() / 2);
  std::ranges::nth_element(across, middle);
  return *middle;
}

TEST(DepthEdges, NothingIsSeenAcrossAContourButThroughGaps) {
  for (const bool high_near : {true, false}) {
    // A fifth of a disc lets pass 2 px beyond its middle, and so 4 % of the energy; the rest is
    // noise.
    const double opaque = median_seen_across(two_layers(high_near));
    EXPECT_LT(opaque, 0.2);
    // 0.3 of the light of what lies behind is 9 % of its energy more.
    EXPECT_GT(median_seen_across(two_layers(high_near, 0.7)), opaque + 0.05);
  }
}

TEST(DepthEdges, NoTextureNoEdges) {
  Stack stack{.q_px = sweep()};
  for (std::size_t k = 0; k < stack.q_px.size(); ++k)
    stack.pictures.push_back(edge_picture(cv::Mat(kSize, kSize, CV_32FC1, cv::Scalar(0.3)), 1));
  EXPECT_TRUE(edges_of(stack).empty());
}

TEST(DepthEdges, FewPicturesTellNothingAndSizesMustAgree) {
  Stack stack = two_layers(true);
  const std::span<const cv::Mat> pictures(stack.pictures);
  const std::span<const double> q(stack.q_px);
  const DepthLook look = look_at_depth(pictures);
  EXPECT_TRUE(find_depth_edges(pictures.first(4), q.first(4), look).empty());
  EXPECT_THROW((void)find_depth_edges(pictures, q.first(4), look), std::invalid_argument);
  stack.pictures[3] = cv::Mat(8, 8, CV_8UC1, cv::Scalar(0));
  EXPECT_THROW((void)find_depth_edges(stack.pictures, stack.q_px, look), std::invalid_argument);
  EXPECT_THROW((void)look_at_depth(stack.pictures), std::invalid_argument);
  EXPECT_TRUE(look_at_depth({}).energy.empty());
}

TEST(EdgePicture, IsTheRootOfTheLightInBytes) {
  cv::Mat light(2, 4, CV_32FC1, cv::Scalar(0.25));
  EXPECT_EQ(edge_picture(light, 1).at<uchar>(1, 3), 128);  // 0.5 of 255
  light.at<float>(0, 0) = -0.01F;
  EXPECT_EQ(edge_picture(light, 1).at<uchar>(0, 0), 0);
  EXPECT_EQ(edge_picture(light, 2).size(), cv::Size(2, 1));
}

TEST(EdgePicture, MemoryIsBounded) {
  for (const std::size_t frames : {10U, 100U, 1000U, 5000U}) {
    const int r = edge_picture_reduction({3000, 2000}, frames);
    EXPECT_LE(static_cast<std::size_t>(3000 / r) * static_cast<std::size_t>(2000 / r) * frames,
              kEdgePicturesBytes);
  }
  EXPECT_EQ(edge_picture_reduction({640, 480}, 30), 1);
}

}  // namespace
}  // namespace ringsweep
