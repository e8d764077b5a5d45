// The background on made pictures: a textured subject with a sharp outline, and behind it something
// that no frame focuses. The truth is the depth at which that was put.
#include "ringsweep/background.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <stdexcept>
#include <vector>

#include "layers.h"
#include "ringsweep/depth_edges.h"
#include "ringsweep/near_side.h"
#include "ringsweep/profiles.h"

namespace ringsweep {
namespace {

constexpr int kSize = 480;
constexpr double kStrong = 0.995;  // NearSideOptions::strong

/// Noise of the given fineness about `light`.
cv::Mat texture(unsigned seed, double light, double sigma_px, double contrast) {
  cv::Mat noise(kSize, kSize, CV_32FC1);
  cv::RNG random(seed);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
  cv::GaussianBlur(noise, noise, {}, sigma_px, sigma_px, cv::BORDER_REFLECT);
  cv::Scalar mean, sd;
  cv::meanStdDev(noise, mean, sd);
  return light * (1.0 + contrast / sd[0] * noise);
}

/// Noise of the sensor, another one in each frame.
cv::Mat taken(const cv::Mat& light, unsigned seed) {
  cv::Mat noise(light.size(), CV_32FC1);
  cv::RNG random(seed);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 0.004);
  return edge_picture(light + noise, 1);
}

/// A subject at 1 px before what is at `ground_px`, over a sweep from -6 to 6 px.
/// @param ground_px none: as blurred in all frames.
/// @param fades how much less light each frame has than the one before.
/// @param later_contrast the ground's in the last half of the frames; none: as before.
Stack before_ground(std::optional<double> ground_px, double fades = 1.0, double contrast = 0.2,
                    std::optional<double> later_contrast = std::nullopt) {
  constexpr double kAlwaysPx = 30.0;
  cv::Mat mask(kSize, kSize, CV_32FC1, cv::Scalar(0)), covered;
  cv::circle(mask, {150, 150}, 60, cv::Scalar(1), cv::FILLED, cv::LINE_AA);
  const cv::Mat subject = texture(1, 0.25, 1.0, 0.4), ground = texture(2, 0.3, 8.0, contrast);
  const cv::Mat later = texture(2, 0.3, 8.0, later_contrast.value_or(contrast));
  Stack stack;
  double light = 1.0;
  for (int k = -6; k <= 6; ++k, light *= fades) {
    const double blur_px = std::abs(k - 1.0);
    const cv::Mat behind =
        out_of_focus(k > 0 ? later : ground, ground_px ? std::abs(k - *ground_px) : kAlwaysPx);
    cv::Mat picture = out_of_focus(subject.mul(mask), blur_px);
    picture += behind.mul(1.0 - out_of_focus(mask, blur_px));
    stack.q_px.push_back(k);
    stack.pictures.push_back(taken(light * picture, static_cast<unsigned>(k + 10)));
  }
  return stack;
}

/// A wall of texture at 1 px, and in front of its right half something at 30 px.
Stack behind_veil() {
  constexpr double kVeilPx = 30.0;
  cv::Mat mask(kSize, kSize, CV_32FC1, cv::Scalar(0));
  mask.colRange(kSize / 2, kSize).setTo(1.0);
  const cv::Mat wall = texture(1, 0.25, 1.0, 0.4), veil = texture(2, 0.3, 8.0, 0.2);
  Stack stack;
  for (int k = -6; k <= 6; ++k) {
    const double blur_px = std::abs(k - kVeilPx);
    cv::Mat picture = out_of_focus(veil.mul(mask), blur_px);
    picture += out_of_focus(wall, std::abs(k - 1.0)).mul(1.0 - out_of_focus(mask, blur_px));
    stack.q_px.push_back(k);
    stack.pictures.push_back(taken(picture, static_cast<unsigned>(k + 10)));
  }
  return stack;
}

Background background_of(const Stack& stack, const BackgroundOptions& options = {}) {
  return find_background(stack.pictures, stack.q_px, look_at_depth(stack.pictures), options);
}

TEST(Background, TheEndTowardsWhichItGrowsSharperIsFar) {
  EXPECT_GT(background_tells(background_of(before_ground(-40.0))), kStrong);
  EXPECT_LT(background_tells(background_of(before_ground(40.0))), 1.0 - kStrong);
}

TEST(Background, LiesClearOfTheSubject) {
  const auto parts = background_of(before_ground(-40.0)).parts;
  ASSERT_GT(parts.size(), 4U);
  for (const BackgroundPart& part : parts) {
    const cv::Point middle = part.at + cv::Point(24, 24) - cv::Point(150, 150);
    EXPECT_GT(std::hypot(middle.x, middle.y), 60.0) << part.at.x << ' ' << part.at.y;
  }
}

TEST(Background, LessLightIsNotLessContrast) {
  // Half the light at the end: without the light taken out contrast would fall fourfold, and turn
  // the answer round.
  EXPECT_LT(background_tells(background_of(before_ground(40.0, std::pow(0.5, 1.0 / 12.0)))),
            1.0 - kStrong);
}

TEST(Background, WhatChangesAllAtOnceIsNotTheRing) {
  // A blade leaves, or haze lifts: all parts gain alike, and no line goes through the frames.
  const double p = background_tells(background_of(before_ground(std::nullopt, 1.0, 0.2, 0.24)));
  EXPECT_LT(p, 0.5);
  EXPECT_GT(p, 1.0 - kStrong);
}

TEST(Background, WhatIsAsBlurredInAllFramesTellsNothing) {
  const double p = background_tells(background_of(before_ground(std::nullopt)));
  EXPECT_GT(p, 1.0 - kStrong);
  EXPECT_LT(p, kStrong);
}

TEST(Background, AVeilInFrontIsNone) {
  // Its border fades the wall: nothing there is an outline. Taken for a background it would turn
  // the answer round.
  const Stack stack = behind_veil();
  EXPECT_TRUE(background_of(stack).parts.empty());
  EXPECT_FALSE(background_of(stack, {.abrupt = 0.0}).parts.empty());
}

TEST(Background, NoStructureNoBackground) {
  EXPECT_TRUE(background_of(before_ground(std::nullopt, 1.0, 0.0)).parts.empty());
  EXPECT_FALSE(
      background_of(before_ground(std::nullopt, 1.0, 0.0), {.structure = -1e9}).parts.empty())
      << "there is room for it";
}

TEST(Background, FewPicturesTellNothingAndSizesMustAgree) {
  Stack stack = before_ground(-40.0);
  const std::span<const cv::Mat> pictures(stack.pictures);
  const std::span<const double> q(stack.q_px);
  const DepthLook look = look_at_depth(pictures);
  EXPECT_TRUE(find_background(pictures.first(4), q.first(4), look).parts.empty());
  EXPECT_THROW((void)find_background(pictures, q.first(4), look), std::invalid_argument);
  stack.pictures[3] = cv::Mat(8, 8, CV_8UC1, cv::Scalar(0));
  EXPECT_THROW((void)find_background(stack.pictures, stack.q_px, look), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
