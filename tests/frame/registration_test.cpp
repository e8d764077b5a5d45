// Registration against warps that are known.
#include "ringsweep/registration.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <filesystem>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "ringsweep/decode.h"
#include "shared_folder.h"
#include "textured.h"

namespace ringsweep {
namespace {

cv::Point2d centre(const cv::Mat& m) { return {(m.cols - 1) / 2.0, (m.rows - 1) / 2.0}; }

/// The picture that `to_from` brings back to `to`.
cv::Mat moved(const cv::Mat& to, const Similarity& to_from) {
  const cv::Matx33d m = to_from.matrix(centre(to));
  cv::Mat from;
  cv::warpAffine(to, from, m.get_minor<2, 3>(0, 0), to.size(),
                 cv::INTER_LANCZOS4 | cv::WARP_INVERSE_MAP, cv::BORDER_REFLECT);
  return from;
}

/// Largest distance, px, between where two similarities put a corner of the picture.
double apart_px(const Similarity& a, const Similarity& b, const cv::Mat& picture) {
  const cv::Point2d c = centre(picture);
  double worst = 0.0;
  for (const double x : {0.0, 2.0 * c.x})
    for (const double y : {0.0, 2.0 * c.y}) {
      const cv::Vec3d d = (a.matrix(c) - b.matrix(c)) * cv::Vec3d(x, y, 1.0);
      worst = std::max(worst, std::hypot(d[0], d[1]));
    }
  return worst;
}

Link registered(const cv::Mat& to, const cv::Mat& from) {
  return register_pair(make_thumbnail(to), make_thumbnail(from), {});
}

std::vector<Similarity> warps() {
  return {{0.0, 0.0, 0.0, 0.0},      {0.0, 0.0, 3.4, -2.7}, {0.0, 0.01, 0.0, 0.0},
          {std::log(1.04), 0, 0, 0}, {-0.02, -0.006, 5, 4}, {std::log(1.04), 0.008, -6.2, 3.3}};
}

// The border that the warp had to make up, and the interpolation, move a corner by hundredths of a
// px; 0.1 px there is far below a tile and 0.03 % of the scale of 400 px.
constexpr double kCornerPx = 0.1;

TEST(RegisterPair, RecoversShiftRotationAndScale) {
  const cv::Mat to = textured({400, 300}, 1);
  for (const Similarity& s : warps()) {
    const Link link = registered(to, moved(to, s));
    EXPECT_TRUE(link.converged) << "scale " << s.log_scale << ", shift " << s.shift_x_px;
    EXPECT_LT(apart_px(link.to_from, s, to), kCornerPx) << "scale " << s.log_scale;
  }
}

// Blur is symmetric and moves nothing, but fine detail is gone: 0.2 px at the corner.
TEST(RegisterPair, BlurOnOneOfTheTwoMovesNothing) {
  const cv::Mat to = textured({400, 300}, 2);
  for (const Similarity& s : warps()) {
    cv::Mat from = moved(to, s);
    cv::GaussianBlur(from, from, {}, 2.0);  // the second moment of a disc of 8 px
    EXPECT_LT(apart_px(registered(to, from).to_from, s, to), 2.0 * kCornerPx);
  }
}

// A gain is an offset of the logarithm but for the floor that is added to the light: 0.01 in 0.4.
TEST(RegisterPair, GainMovesNothing) {
  const cv::Mat to = textured({400, 300}, 3);
  for (const double gain : {0.5, 1.5})
    EXPECT_LT(apart_px(registered(to, moved(to, warps()[4]) * gain).to_from, warps()[4], to),
              kCornerPx)
        << "gain " << gain;
}

TEST(RegisterPair, RecoversTheWarpOfARealPicture) {
  const auto file = shared_folder() / "real-bursts" / "phone-diopter-boxes-20" / "frame_010.jpg";
  if (!std::filesystem::exists(file)) GTEST_SKIP() << file << " is absent; set RINGSWEEP_SHARED";
  FrameRef frame;
  frame.path = file.string();
  frame.file = "frame_010.jpg";
  const auto picture = decode(frame);
  ASSERT_TRUE(picture) << one_line(picture.error());
  cv::Mat small;
  const double shrink = 600.0 / picture->luminance.cols;
  cv::resize(picture->luminance, small, {}, shrink, shrink, cv::INTER_AREA);
  for (const Similarity& s : warps()) {
    cv::Mat from = moved(small, s);
    cv::GaussianBlur(from, from, {}, 1.5);
    EXPECT_LT(apart_px(registered(small, from).to_from, s, small), 2.0 * kCornerPx);
  }
}

double median(std::vector<double> values) {
  std::ranges::sort(values);
  return values[values.size() / 2];
}

/// The slow twin: one level, double precision, a px at a time, plain Gauss-Newton until it stands.
/// Minimises Huber's loss of warped - to - offset; offset and scale by median, of every fourth px.
/// The px compared are those inside both pictures, with their neighbours, at the start.
Similarity registered_slowly(const cv::Mat& to, const cv::Mat& from, Similarity to_from) {
  const cv::Point2d c = centre(to);
  const double radius = std::hypot(c.x, c.y);
  cv::Mat inside = cv::Mat::ones(to.size(), CV_8UC1);
  for (int iteration = 0; iteration < 300; ++iteration) {
    const cv::Matx33d from_to = to_from.matrix(c).inv();
    cv::Mat warped(to.size(), CV_64FC1, cv::Scalar(NAN));
    for (int y = 0; y < to.rows; ++y)
      for (int x = 0; x < to.cols; ++x) {
        const cv::Vec3d p = from_to * cv::Vec3d(x, y, 1.0);
        const double sx = std::clamp(p[0], 0.0, to.cols - 1.0);
        const double sy = std::clamp(p[1], 0.0, to.rows - 1.0);
        if (iteration == 0 && (sx != p[0] || sy != p[1])) inside.at<uchar>(y, x) = 0;
        if (inside.at<uchar>(y, x) == 0) continue;
        const int ix = std::min(static_cast<int>(sx), to.cols - 2);
        const int iy = std::min(static_cast<int>(sy), to.rows - 2);
        const double fx = sx - ix, fy = sy - iy;
        warped.at<double>(y, x) =
            (1 - fy) * ((1 - fx) * from.at<float>(iy, ix) + fx * from.at<float>(iy, ix + 1)) +
            fy * ((1 - fx) * from.at<float>(iy + 1, ix) + fx * from.at<float>(iy + 1, ix + 1));
      }
    struct Px {
      cv::Vec4d j;  // of scale, rotation, shift
      double e = 0.0;
      bool fourth = false;
    };
    std::vector<Px> all;
    std::vector<double> some;
    for (int y = 1; y < to.rows - 1; ++y)
      for (int x = 1; x < to.cols - 1; ++x) {
        const auto mean = [&](int row, int col) {
          return 0.5 * (warped.at<double>(row, col) + to.at<float>(row, col));
        };
        const double gx = 0.5 * (mean(y, x + 1) - mean(y, x - 1));
        const double gy = 0.5 * (mean(y + 1, x) - mean(y - 1, x));
        const double e = warped.at<double>(y, x) - to.at<float>(y, x);
        if (std::isnan(gx + gy + e)) continue;
        const double px = (x - c.x) / radius, py = (y - c.y) / radius;
        all.push_back({{gx * px + gy * py, gy * px - gx * py, gx, gy}, e, (x + y) % 4 == 0});
        if (all.back().fourth) some.push_back(e);
      }
    const double offset = median(some);
    for (double& e : some) e = std::abs(e - offset);
    const double limit = 1.345 * 1.4826 * median(some);
    cv::Matx44d h = cv::Matx44d::zeros();
    cv::Vec4d g(0, 0, 0, 0);
    for (const Px& p : all) {
      const double u = std::abs(p.e - offset), weight = u <= limit ? 1.0 : limit / u;
      h += weight * (p.j * p.j.t());
      g += weight * (p.e - offset) * p.j;
    }
    const cv::Vec4d step = h.inv() * g;
    const Similarity move{step[0] / radius, step[1] / radius, step[2], step[3]};
    const cv::Matx33d m = move.matrix(c) * to_from.matrix(c);
    const cv::Vec3d middle = m * cv::Vec3d(c.x, c.y, 1.0);
    to_from = {std::log(std::hypot(m(0, 0), m(1, 0))), std::atan2(m(1, 0), m(0, 0)),
               middle[0] - c.x, middle[1] - c.y};
    if (cv::norm(step) < 1e-6) break;
  }
  return to_from;
}

// The last step is below 2e-3 px; where one picture is blurred by 3 px each is about 0.7 of the one
// before, so up to three times as much may be left.
TEST(RegisterPair, EndsWhereTheSlowTwinEnds) {
  const cv::Mat to = make_thumbnail(textured({200, 150}, 9)).levels[0];
  for (const double blur_px : {0.3, 1.5, 3.0})
    for (const Similarity& s : warps()) {
      const Similarity half{0.5 * s.log_scale, 0.5 * s.rotation_rad, 0.4 * s.shift_x_px,
                            0.4 * s.shift_y_px};
      cv::Mat from = moved(to, half);
      cv::GaussianBlur(from, from, {}, blur_px);
      const Link link = register_pair({{to}}, {{from}}, half);
      EXPECT_TRUE(link.converged);
      EXPECT_LT(apart_px(link.to_from, registered_slowly(to, from, half), to), 6e-3)
          << "blur " << blur_px << ", scale " << s.log_scale << ", shift " << s.shift_x_px;
    }
}

/// Frames of one scene, moved as `truth` says and the more blurred the more they are scaled, are
/// brought back so. Two that are moved alike are copies.
void expect_recovered(const std::vector<Similarity>& truth) {
  const cv::Mat scene = textured({400, 300}, 4);
  const std::size_t n = truth.size();
  std::vector<Thumbnail> thumbnails;
  for (std::size_t k = 0; k < n; ++k) {
    cv::Mat frame = moved(scene, truth[k]);
    cv::GaussianBlur(frame, frame, {}, 0.3 + 40.0 * std::abs(truth[k].log_scale));
    thumbnails.push_back(make_thumbnail(frame));
  }
  const Registration r = register_burst(thumbnails, std::vector<bool>(n, true));
  const cv::Point2d c = centre(scene);
  for (std::size_t k = 0; k < n; ++k) {
    EXPECT_TRUE(r.same_picture[k]) << "frame " << k;
    const cv::Matx33d expected = truth[r.reference].matrix(c).inv() * truth[k].matrix(c);
    for (const double x : {0.0, 2.0 * c.x}) {
      const cv::Vec3d d = (r.reference_from_frame[k].matrix(c) - expected) * cv::Vec3d(x, 0.0, 1.0);
      // Two blurred pictures at the most: twice the room of one.
      EXPECT_LT(std::hypot(d[0], d[1]), 2.0 * kCornerPx) << "frame " << k;
    }
  }
}

Similarity of_chain(int k) { return {0.01 * (k - 4), 0.001 * k, 1.3 * k, -0.7 * k}; }

TEST(RegisterBurst, ChainOfNineIsRecoveredAgainstTheReference) {
  std::vector<Similarity> truth;
  for (int k = 0; k < 9; ++k) truth.push_back(of_chain(k));
  expect_recovered(truth);
}

// Nothing is left where one lies on the other: that link is sure beyond all measure.
TEST(RegisterBurst, ACopyOfAFrameChangesNothingForTheOthers) {
  std::vector<Similarity> truth;
  for (const int k : {0, 0, 1, 2, 3, 4, 5, 5, 5, 6, 7, 8}) truth.push_back(of_chain(k));
  expect_recovered(truth);
}

/// A scene before smooth, brighter ground, as an animal on its perch is.
cv::Mat before_ground(cv::Size size, unsigned seed) {
  cv::Mat scene(size, CV_32FC1, cv::Scalar(0.5)), animal = 0.5 * textured(size, seed);
  const cv::Rect middle(size.width / 4, size.height / 3, size.width / 2, size.height / 2);
  animal(middle).copyTo(scene(middle));
  return scene;
}

/// A blurred blade of grass before a side of the picture, dark; `x` is where it stands.
cv::Mat with_blade(const cv::Mat& picture, double x) {
  constexpr double kHalfPx = 10.0, kEdgePx = 8.0;
  cv::Mat result(picture.size(), CV_32FC1);  // with noise, as all pictures have
  cv::RNG(static_cast<std::uint64_t>(1000.0 * x)).fill(result, cv::RNG::NORMAL, 0.0, 0.003);
  result += picture;
  for (int row = 0; row < result.rows; ++row)
    for (int column = 0; column < result.cols; ++column) {
      const double in = kHalfPx + 0.5 * kEdgePx - std::abs(column - x - 0.1 * row);
      const auto share = static_cast<float>(std::clamp(in / kEdgePx, 0.0, 1.0));
      float& px = result.at<float>(row, column);
      px += share * (0.05F - px);
    }
  return result;
}

double blade_at(int k) { return 30.0 + 4.0 * std::sin(1.3 * k); }

// Of all gradients most are the blade's; it stands in each frame elsewhere.
TEST(RegisterPair, GrassThatSwaysBeforeThePictureMovesNothing) {
  const cv::Mat to = before_ground({400, 300}, 3);
  for (int k = 1; k <= 4; ++k) {
    const Similarity s{0.005, 0.0, 0.6, -0.4};
    const Link link =
        registered(with_blade(to, blade_at(0)), with_blade(moved(to, s), blade_at(k)));
    EXPECT_FALSE(link.astray.empty()) << "sways by " << blade_at(k) - blade_at(0);
    EXPECT_LT(apart_px(link.to_from, s, to), kCornerPx);
  }
  EXPECT_TRUE(registered(to, moved(to, {0.005, 0.0, 0.6, -0.4})).astray.empty());
}

// All that holds the picture in place is the animal, with the blade and without.
TEST(RegisterPair, WhatIsLeftOutMakesALinkNoSurer) {
  const cv::Mat to = before_ground({400, 300}, 3);
  const cv::Mat from = moved(to, {0.005, 0.0, 0.6, -0.4});
  const auto link = [&](double a, double b) {
    return registered(with_blade(to, a), with_blade(from, b));
  };
  const Link calm = link(-200.0, -201.0), sways = link(blade_at(0), blade_at(1));
  ASSERT_TRUE(calm.astray.empty());
  ASSERT_FALSE(sways.astray.empty());
  for (std::size_t i = 0; i < 4; ++i) EXPECT_LE(sways.information[i], calm.information[i]) << i;
}

TEST(RegisterBurst, TellsWhereGrassSwayed) {
  const cv::Mat scene = before_ground({400, 300}, 3);
  for (const bool sways : {false, true}) {
    std::vector<Thumbnail> thumbnails;
    for (int k = 0; k < 9; ++k) {
      const cv::Mat frame = moved(scene, {0.004 * k, 0.0, 0.0, 0.0});
      thumbnails.push_back(make_thumbnail(sways ? with_blade(frame, blade_at(k)) : frame));
    }
    const Registration r = register_burst(thumbnails, std::vector<bool>(9, true));
    EXPECT_EQ(r.astray.empty(), !sways);
    if (r.astray.empty()) continue;
    double right = 0.0;
    cv::minMaxLoc(r.astray.colRange(r.astray.cols / 4, r.astray.cols), nullptr, &right);
    double left = 0.0;
    cv::minMaxLoc(r.astray.colRange(0, r.astray.cols / 4), nullptr, &left);
    EXPECT_GT(left, 0.5);
    EXPECT_EQ(right, 0.0);
  }
}

TEST(RegisterBurst, PictureOfSomethingElseIsTold) {
  const cv::Mat scene = textured({400, 300}, 5);
  std::vector<Thumbnail> thumbnails;
  for (int k = 0; k < 7; ++k)
    thumbnails.push_back(make_thumbnail(k == 3 ? textured({400, 300}, 99)
                                               : moved(scene, {0.004 * k, 0.0, 0.5 * k, 0.0})));
  const Registration r = register_burst(thumbnails, std::vector<bool>(7, true));
  for (std::size_t k = 0; k < 7; ++k) EXPECT_EQ(r.same_picture[k], k != 3) << "frame " << k;
}

// What one frame shows sharp the next has lost, and the other way round: little is left in common
// but what is coarse.
TEST(RegisterBurst, AWideStepOfTheRingStillLinks) {
  const cv::Mat scene = textured({400, 300}, 8);
  cv::Mat blurred;
  cv::GaussianBlur(scene, blurred, {}, 14.0);
  std::vector<Thumbnail> thumbnails;
  for (int k = 0; k < 6; ++k) {
    const cv::Rect half(k < 3 ? 0 : 200, 0, 200, 300);
    cv::Mat frame = blurred.clone();
    scene(half).copyTo(frame(half));
    thumbnails.push_back(make_thumbnail(frame));
  }
  ASSERT_LT(register_pair(thumbnails[2], thumbnails[3], {}).correlation,
            RegistrationOptions().min_correlation);
  EXPECT_EQ(alike(thumbnails[2], thumbnails[3]), Alike::yes);
  const Registration r = register_burst(thumbnails, std::vector<bool>(6, true));
  for (std::size_t k = 0; k < 6; ++k) EXPECT_TRUE(r.same_picture[k]) << "frame " << k;
}

TEST(Alike, TellsScenesApart) {
  for (unsigned seed = 1; seed <= 5; ++seed) {
    const cv::Mat scene = textured({400, 300}, seed);
    cv::Mat from = moved(scene, warps()[5]);
    cv::GaussianBlur(from, from, {}, 8.0);  // a disc of 32 px
    EXPECT_EQ(alike(make_thumbnail(scene), make_thumbnail(0.3 * from)), Alike::yes) << seed;
    const cv::Mat other = textured({400, 300}, seed + 100);
    EXPECT_EQ(alike(make_thumbnail(scene), make_thumbnail(other)), Alike::no) << seed;
  }
  EXPECT_EQ(alike({}, {}), Alike::no);
  for (const cv::Size tiny : {cv::Size(1, 1), cv::Size(1, 9), cv::Size(9, 1)}) {
    const Thumbnail icon = make_thumbnail(cv::Mat1f(tiny, 0.5F));
    EXPECT_EQ(alike(icon, icon), Alike::no) << tiny;
  }
}

TEST(RegisterBurst, NoneOneAndLeftOutFramesAreAnswered) {
  EXPECT_TRUE(register_burst({}, {}).reference_from_frame.empty());
  const Thumbnail one = make_thumbnail(textured({200, 150}, 6));
  const std::vector<Thumbnail> single{one}, pair{one, one};
  EXPECT_EQ(register_burst(single, {true}).reference_from_frame.size(), 1U);
  EXPECT_EQ(register_burst(pair, {false, false}).reference_from_frame.size(), 2U);
  const Registration r = register_burst(pair, {true, false});
  EXPECT_EQ(r.reference, 0U);
}

}  // namespace
}  // namespace ringsweep
