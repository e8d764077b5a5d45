// Where a burst is parted: DESIGN section 2 gives the rule (at least 5 frames of one scene).
#include "ringsweep/scenes.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>
#include <string>

#include "textured.h"

namespace ringsweep {

void PrintTo(const SceneRange& range, std::ostream* out) {
  *out << range.first << " to " << range.last << " of "
       << (range.scene ? std::to_string(*range.scene) : "none");
}

namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::Field;
using ::testing::IsEmpty;

/// One letter a frame: A is scene 0, B scene 1; a dot is a frame that cannot tell.
std::vector<SceneNumber> scenes(const std::string& letters) {
  std::vector<SceneNumber> result;
  for (const char letter : letters)
    result.push_back(letter == '.' ? SceneNumber() : static_cast<std::size_t>(letter - 'A'));
  return result;
}

std::vector<SceneRange> split(const std::string& letters) {
  return split_by_scene(scenes(letters));
}

auto range(std::size_t first, std::size_t last, char scene) {
  return AllOf(
      Field("first", &SceneRange::first, first), Field("last", &SceneRange::last, last),
      Field("scene", &SceneRange::scene, SceneNumber(static_cast<std::size_t>(scene - 'A'))));
}

TEST(SplitByScene, OneSceneIsOneBurst) {
  EXPECT_THAT(split("AAAAAAA"), ElementsAre(range(0, 6, 'A')));
  EXPECT_THAT(split("AA"), ElementsAre(range(0, 1, 'A')));
}

TEST(SplitByScene, AHandBetweenTwoSweepsPartsThem) {
  EXPECT_THAT(split("AAAAAHAAAAA"), ElementsAre(range(0, 5, 'A'), range(6, 10, 'A')));
  EXPECT_THAT(split("AAAAAAHHIAAAAAAA"), ElementsAre(range(0, 8, 'A'), range(9, 15, 'A')));
}

TEST(SplitByScene, FourFramesAreNoBurst) {
  EXPECT_THAT(split("AAAAHAAAAAAA"), ElementsAre(range(0, 11, 'A')));
  EXPECT_THAT(split("AAAAAAAHAAAA"), ElementsAre(range(0, 11, 'A')));
  EXPECT_THAT(split("AAAAHAAAA"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("AAAABBBB"), ElementsAre(range(0, 7, 'A')));
}

TEST(SplitByScene, TestShotsAtTheEndsStayWithTheBurst) {
  EXPECT_THAT(split("HAAAAAAA"), ElementsAre(range(0, 7, 'A')));
  EXPECT_THAT(split("AAAAAAAHH"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("HAAAAAAHBBBBBH"), ElementsAre(range(0, 7, 'A'), range(8, 13, 'B')));
}

TEST(SplitByScene, AnotherSceneIsAnotherBurst) {
  EXPECT_THAT(split("AAAAABBBBB"), ElementsAre(range(0, 4, 'A'), range(5, 9, 'B')));
  EXPECT_THAT(split("AAAAABBBBBCCCCCC"),
              ElementsAre(range(0, 4, 'A'), range(5, 9, 'B'), range(10, 15, 'C')));
}

TEST(SplitByScene, WhatIsTooShortStaysInTheBurstItFollows) {
  EXPECT_THAT(split("AAAAAHAAHAAAAA"), ElementsAre(range(0, 8, 'A'), range(9, 13, 'A')));
  EXPECT_THAT(split("AAHAAAAAHBBBBB"), ElementsAre(range(0, 8, 'A'), range(9, 13, 'B')));
}

TEST(SplitByScene, FramesThatCannotTellPartNothingAndBelongToWhatFollows) {
  EXPECT_THAT(split("AAAAA...AAAAA"), ElementsAre(range(0, 12, 'A')));
  EXPECT_THAT(split("A.A.A.A.A"), ElementsAre(range(0, 8, 'A')));
  EXPECT_THAT(split("A.A.A.A.AHA.A.A.A.A"), ElementsAre(range(0, 9, 'A'), range(10, 18, 'A')));
  EXPECT_THAT(split("AAAAA.H.AAAAA"), ElementsAre(range(0, 6, 'A'), range(7, 12, 'A')));
  EXPECT_THAT(split("AAAAA..BBBBB."), ElementsAre(range(0, 4, 'A'), range(5, 12, 'B')));
}

TEST(SplitByScene, NoFramesAndFramesThatAllCannotTell) {
  EXPECT_THAT(split(""), IsEmpty());
  const std::vector<SceneRange> dark = split("......");
  ASSERT_EQ(dark.size(), 1U);
  EXPECT_EQ(dark[0].first, 0U);
  EXPECT_EQ(dark[0].last, 5U);
  EXPECT_FALSE(dark[0].scene);
}

TEST(SplitByScene, TheFewestFramesAreAnOption) {
  EXPECT_THAT(split_by_scene(scenes("AAHAA"), 2), ElementsAre(range(0, 2, 'A'), range(3, 4, 'A')));
}

// From here on pictures: made up, so that what each shows is known.

const cv::Size kSize(400, 300);

/// A frame of a scene with what a sweep, the hand and the sensor do to it.
cv::Mat frame_of(const cv::Mat& scene, int k, double blur_px = 0.0) {
  const Similarity move{.log_scale = 0.003 * k,
                        .rotation_rad = 0.001 * (k % 3),
                        .shift_x_px = 1.0 * (k % 4),
                        .shift_y_px = -0.8 * (k % 5)};
  const cv::Matx33d m = move.matrix({(scene.cols - 1) / 2.0, (scene.rows - 1) / 2.0});
  cv::Mat frame;
  cv::warpAffine(scene, frame, m.get_minor<2, 3>(0, 0), scene.size(), cv::INTER_LINEAR,
                 cv::BORDER_REFLECT);
  if (blur_px > 0.0) cv::GaussianBlur(frame, frame, {}, blur_px, blur_px, cv::BORDER_REFLECT);
  return frame;
}

/// Shots of one burst, taken one after the other.
struct Shots {
  std::vector<Thumbnail> thumbnails{};
  std::vector<std::optional<LightGrid>> light{};

  void add(const cv::Mat& luminance, double noise_sd = 0.002) {
    cv::RNG random(static_cast<std::uint64_t>(thumbnails.size()) + 1);
    cv::Mat noise(luminance.size(), CV_32FC1);
    random.fill(noise, cv::RNG::NORMAL, 0.0, noise_sd);
    const cv::Mat noisy = cv::max(luminance + noise, 0.0F), picture = cv::min(noisy, 1.0F);
    thumbnails.push_back(make_thumbnail(
        picture, std::max(1e-4, 0.05 * cv::mean(picture)[0])));  // as in the analysis
    light.emplace_back(measure_light(picture, picture >= 1.0F));
  }
  void add_sweep(const cv::Mat& scene, int frames) {
    for (int k = 0; k < frames; ++k) add(frame_of(scene, k, 0.5 * std::abs(k - frames / 2)));
  }
  [[nodiscard]] std::vector<SceneNumber> scenes() const { return find_scenes(thumbnails, light); }
  [[nodiscard]] std::vector<SceneRange> split() const { return split_by_scene(scenes()); }
};

auto from_to(std::size_t first, std::size_t last) {
  return AllOf(Field("first", &SceneRange::first, first), Field("last", &SceneRange::last, last));
}

/// A sweep, something between, and the sweep again.
Shots with_between(const std::vector<cv::Mat>& between) {
  const cv::Mat scene = textured(kSize, 1);
  Shots shots;
  shots.add_sweep(scene, 6);
  for (const cv::Mat& picture : between) shots.add(picture);
  shots.add_sweep(scene, 6);
  return shots;
}

TEST(FindScenes, PicturesOfSomethingElseArePartedFromTheSceneBetween) {
  const std::vector<SceneNumber> found =
      with_between({textured(kSize, 21), textured(kSize, 22)}).scenes();
  for (const std::size_t k : {0U, 5U, 8U, 13U}) EXPECT_EQ(found[k], found[2]) << "frame " << k;
  for (const std::size_t k : {6U, 7U}) {
    EXPECT_TRUE(found[k]) << "frame " << k;
    EXPECT_NE(found[k], found[0]) << "frame " << k;
  }
}

TEST(FindScenes, AHandOrACapPartsTwoSweeps) {
  cv::Mat hand = textured(kSize, 21);
  cv::GaussianBlur(hand, hand, {}, 6.0);  // far out of focus
  EXPECT_THAT(with_between({hand}).split(), ElementsAre(from_to(0, 6), from_to(7, 12)));
  EXPECT_THAT(with_between({hand, textured(kSize, 22), textured(kSize, 23)}).split(),
              ElementsAre(from_to(0, 8), from_to(9, 14)));
  cv::Mat palm(kSize, CV_32FC1);  // so close that it has no detail
  for (int x = 0; x < palm.cols; ++x) palm.col(x) = 0.2 + 0.4 * x / palm.cols;
  EXPECT_THAT(with_between({palm}).split(), ElementsAre(from_to(0, 6), from_to(7, 12)));
  // 2 EV below the scene's mean of 0.4.
  const cv::Mat cap(kSize, CV_32FC1, cv::Scalar(0.1));
  EXPECT_THAT(with_between({cap}).split(), ElementsAre(from_to(0, 6), from_to(7, 12)));
  EXPECT_THAT(with_between({cap, cap}).split(), ElementsAre(from_to(0, 7), from_to(8, 13)));
}

TEST(FindScenes, AnotherSceneIsABurstOfItsOwn) {
  Shots shots;
  shots.add_sweep(textured(kSize, 1), 7);
  shots.add_sweep(textured(kSize, 2), 5);
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 6), from_to(7, 11)));
}

TEST(FindScenes, ATestShotOfSomethingElsePartsNothing) {
  Shots shots;
  shots.add(textured(kSize, 21));
  shots.add_sweep(textured(kSize, 1), 9);
  shots.add(textured(kSize, 22));
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 10)));
}

TEST(FindScenes, FramesWithoutTheirLightPartNothing) {
  const cv::Mat scene = textured(kSize, 1), frame = frame_of(scene, 3);
  const cv::Mat black(kSize, CV_32FC1, cv::Scalar(0.0));
  EXPECT_THAT(with_between({black, black, black}).split(), ElementsAre(from_to(0, 14)));
  EXPECT_THAT(with_between(std::vector<cv::Mat>(10, black)).split(), ElementsAre(from_to(0, 21)));
  EXPECT_THAT(with_between({0.3 * frame, 0.1 * frame}).split(), ElementsAre(from_to(0, 13)));
  // Daylight alone falls elsewhere than the flash: another picture of the same scene, 2 EV darker.
  const cv::Mat by_day = 0.25 * textured(kSize, 31);
  EXPECT_THAT(with_between({by_day, by_day}).split(), ElementsAre(from_to(0, 13)));
  EXPECT_THAT(with_between(std::vector<cv::Mat>(6, by_day)).split(), ElementsAre(from_to(0, 17)));
  std::vector<cv::Mat> one_lit(19, black);
  one_lit[9] = frame;
  EXPECT_THAT(with_between(one_lit).split(), ElementsAre(from_to(0, 30)));
  Shots shots;  // without a trace of noise, as a JPEG is
  shots.add_sweep(scene, 6);
  shots.add(black, 0.0);
  shots.add_sweep(scene, 6);
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 12)));
  for (const bool upright : {false, true}) {  // the edge of the shutter
    cv::Mat cut = frame.clone();
    cut(upright ? cv::Rect(0, 0, 240, 300) : cv::Rect(0, 0, 400, 180)) *= 0.01;
    EXPECT_THAT(with_between({cut}).split(), ElementsAre(from_to(0, 12)));
  }
  const cv::Mat burnt(kSize, CV_32FC1, cv::Scalar(1.0));
  EXPECT_THAT(with_between({burnt}).split(), ElementsAre(from_to(0, 12)));
}

TEST(FindScenes, TwoFramesThatTheShutterCutPartNothing) {
  // All detail lies in the lower two thirds. One frame shows the upper part of it, the other none.
  cv::Mat scene = textured(kSize, 1);
  scene.rowRange(0, 100) = cv::Scalar(0.5);
  Shots shots;
  for (const int lit_rows : {0, 165, 115}) {
    if (lit_rows > 0) {
      cv::Mat cut = frame_of(scene, 2);
      cut.rowRange(lit_rows, kSize.height) *= 0.01;
      shots.add(cut);
    }
    shots.add_sweep(scene, 6);
  }
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 19)));
}

TEST(FindScenes, FourFramesOfFiveDark) {
  const cv::Mat scene = textured(kSize, 1), black(kSize, CV_32FC1, cv::Scalar(0.0));
  Shots shots;
  for (int k = 0; k < 30; ++k) shots.add(k % 5 == 0 ? frame_of(scene, k / 5) : black);
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 29)));
  shots.add(textured(kSize, 21));
  for (int k = 0; k < 30; ++k) shots.add(k % 5 == 4 ? frame_of(scene, k / 5) : black);
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 30), from_to(31, 60)));
}

// Discs of 4 sigma: up to a fifth of the picture's width by and by, half of it at once.
TEST(FindScenes, FramesFocusedOnAirPartNothing) {
  const cv::Mat scene = textured(kSize, 1);
  for (const double sigma : {4.0, 8.0, 12.0, 20.0, 32.0, 50.0}) {
    std::vector<cv::Mat> air;
    for (int k = 0; k < 3; ++k) air.push_back(frame_of(scene, k, sigma));
    EXPECT_THAT(with_between(air).split(), ElementsAre(from_to(0, 14))) << sigma;
    // The flash came weakly as well.
    EXPECT_THAT(with_between({0.4 * air[0]}).split(), ElementsAre(from_to(0, 12))) << sigma;
  }
  Shots shots;
  for (const double sigma : {16.0, 12.0, 8.0, 6.0, 4.0}) shots.add(frame_of(scene, 0, sigma));
  shots.add_sweep(scene, 6);
  for (const double sigma : {4.0, 8.0, 12.0, 16.0, 20.0}) shots.add(frame_of(scene, 0, sigma));
  shots.add_sweep(scene, 6);
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 21)));
}

// The near part sharp and the far part gone, then the other way round.
TEST(FindScenes, AWideStepOfTheRingPartsNothing) {
  const cv::Mat scene = textured(kSize, 1);
  Shots shots;
  for (const bool near : {true, false})
    for (int k = 0; k < 6; ++k) {
      cv::Mat frame = frame_of(scene, k, 8.0), sharp = frame_of(scene, k);
      const cv::Rect half(near ? 0 : 200, 0, 200, 300);
      sharp(half).copyTo(frame(half));
      shots.add(frame);
    }
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 11)));
}

TEST(FindScenes, AnAnimalThatMovesPartsNothing) {
  const cv::Mat scene = textured(kSize, 1), animal = textured({150, 150}, 41);
  Shots shots;
  for (int k = 0; k < 12; ++k) {
    cv::Mat frame = frame_of(scene, k);
    animal.copyTo(frame(k < 6 ? cv::Rect(40, 40, 150, 150) : cv::Rect(210, 90, 150, 150)));
    shots.add(frame);
  }
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 11)));
}

// A knock against the support: a quarter of the picture aside.
TEST(FindScenes, ACameraThatWasKnockedPartsNothing) {
  const cv::Mat scene = textured({600, 300}, 1);
  Shots shots;
  for (int k = 0; k < 12; ++k)
    shots.add(
        frame_of(scene, k % 2)(k < 6 ? cv::Rect(0, 0, 400, 300) : cv::Rect(100, 0, 400, 300)));
  EXPECT_THAT(shots.split(), ElementsAre(from_to(0, 11)));
}

TEST(FindScenes, WithoutASceneNothingIsTold) {
  Shots shots;
  for (unsigned seed = 1; seed <= 7; ++seed) shots.add(textured(kSize, seed));
  EXPECT_THAT(shots.scenes(), ::testing::Each(SceneNumber()));
  EXPECT_THAT(find_scenes({}, {}), IsEmpty());
  Shots unread = with_between({textured(kSize, 21)});
  unread.thumbnails[6] = {};
  unread.light[6].reset();
  EXPECT_FALSE(unread.scenes()[6]);
  EXPECT_THAT(unread.split(), ElementsAre(from_to(0, 12)));
}

}  // namespace
}  // namespace ringsweep
