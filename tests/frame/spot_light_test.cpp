// A spot keeps its light when it is out of focus, in a disc whose size thin-lens optics gives; what
// is counted here is drawn from that geometry alone, not with the code's own kernels.

#include "ringsweep/spot_light.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "ringsweep/thin_lens.h"

namespace ringsweep {
namespace {

constexpr double kSigmaPx = 1.4;
constexpr double kGround = 0.2;  // light around the spot

// A macro lens: pupil 9.6 mm, px of 0.02 mm, image at about 140 mm.
constexpr ThinLens kLens{.pupil_mm = 9.6, .pitch_mm = 0.02};
constexpr double kMiddleMm = 140.0;

/// Diameter of the disc that a point imaged at `point_mm` makes in a frame at `frame_mm`, brought
/// to the middle scale, from similar triangles.
double disc_px(double point_mm, double frame_mm) {
  return blur_diameter_px(kLens, point_mm, frame_mm) * kMiddleMm / frame_mm;
}

/// Adds light `flux` spread over a disc: area of each px within it, by 16 x 16 points.
void add_disc(cv::Mat& light, cv::Point2d at, double diameter_px, double flux) {
  constexpr int kPoints = 16;
  const double radius = 0.5 * diameter_px;
  const double each = flux / (std::numbers::pi * radius * radius * kPoints * kPoints);
  for (int y = 0; y < light.rows; ++y)
    for (int x = 0; x < light.cols; ++x)
      for (int i = 0; i < kPoints * kPoints; ++i) {
        const double dx = x - 0.5 + (i % kPoints + 0.5) / kPoints - at.x;
        const double dy = y - 0.5 + (i / kPoints + 0.5) / kPoints - at.y;
        if (dx * dx + dy * dy <= radius * radius) light.at<float>(y, x) += static_cast<float>(each);
      }
}

GridPicture ground(const SpotPlaces& places) {
  const int side = 2 * places.half_px + 1;
  return {.luminance = cv::Mat(side, side, CV_32FC1, cv::Scalar(kGround)),
          .seen = cv::Mat(side, side, CV_8UC1, cv::Scalar(255)),
          .clipped = cv::Mat(side, side, CV_8UC1, cv::Scalar(0))};
}

/// A spot that is itself 2 px wide, as second moments add.
GridPicture with_spot(const SpotPlaces& places, double diameter_px, double flux) {
  GridPicture picture = ground(places);
  const cv::Point2d middle(places.half_px, places.half_px);
  add_disc(picture.luminance, middle, std::hypot(2.0, diameter_px), flux);
  return picture;
}

TEST(SpotLight, IsConservedInADiscOfTheSizeThatOpticsGives) {
  const SpotPlaces places(kSigmaPx);
  const double point_mm = 139.95;
  for (const double first_mm : {139.98, 140.0, 139.94})
    for (const double step_mm : {-0.03, -0.015, 0.015, 0.03}) {
      const double a_px = disc_px(point_mm, first_mm), b_px = disc_px(point_mm, first_mm + step_mm);
      const SpotShare share = share_of_spot(with_spot(places, a_px, 4.0),
                                            with_spot(places, b_px, 4.0), a_px, b_px, places);
      // A Gaussian stands for the missing disc: that is what the share's sd allows for.
      EXPECT_NEAR(share.share, 1.0, 2.0 * share.sd) << a_px << " to " << b_px;
      EXPECT_LT(share.sd, 0.6) << "says nothing";
    }
}

TEST(SpotLight, DifferenceOfFocalPositionsIsTheDisc) {
  // The code takes discs as differences of focal positions: the same as the geometry's.
  for (const double frame_mm : {139.0, 139.9, 140.4}) {
    const double q =
        focal_position_px(kLens, kMiddleMm, frame_mm) - focal_position_px(kLens, kMiddleMm, 140.2);
    EXPECT_NEAR(std::abs(q), disc_px(140.2, frame_mm), 1e-9);
  }
}

TEST(SpotLight, IsMissingWhereTheSpotHasGone) {
  const SpotPlaces places(kSigmaPx);
  const SpotShare share =
      share_of_spot(with_spot(places, 3.0, 4.0), ground(places), 3.0, 2.0, places);
  EXPECT_NEAR(share.share, 0.0, 0.02);
  EXPECT_LT(share.sd, 0.3);
}

TEST(SpotLight, ClippedIsAllThere) {
  const SpotPlaces places(kSigmaPx);
  const cv::Rect core(places.half_px - 2, places.half_px - 2, 5, 5);
  GridPicture sharp = with_spot(places, 0.0, 8.0);
  sharp.luminance = cv::min(sharp.luminance, 0.6);  // a third of the light is left
  const SpotShare cut = share_of_spot(with_spot(places, 4.0, 8.0), sharp, 4.0, 0.0, places);
  EXPECT_LT(cut.share, 0.6);
  sharp.clipped(core) = 255;
  const SpotShare known = share_of_spot(with_spot(places, 4.0, 8.0), sharp, 4.0, 0.0, places);
  EXPECT_GE(known.share, 1.0);
}

TEST(SpotLight, OfAClippedOneNoMoreThanAllIsThere) {
  const SpotPlaces places(kSigmaPx);
  const cv::Rect core(places.half_px - 2, places.half_px - 2, 5, 5);
  GridPicture sharp = with_spot(places, 0.0, 8.0);
  sharp.luminance = cv::min(sharp.luminance, 0.6);
  const GridPicture blurred = with_spot(places, 4.0, 8.0);
  EXPECT_GT(share_of_spot(sharp, blurred, 0.0, 4.0, places).share, 1.6);
  sharp.clipped(core) = 255;
  EXPECT_EQ(share_of_spot(sharp, blurred, 0.0, 4.0, places).share, 1.0);
  EXPECT_LT(share_of_spot(sharp, ground(places), 0.0, 4.0, places).share, 0.1) << "gone is gone";
}

TEST(PartOf, WhatIsNotSeenIsWhatLiesOpposite) {
  cv::Mat light(40, 40, CV_32FC1);
  cv::RNG rng(1);
  rng.fill(light, cv::RNG::UNIFORM, 0.1, 0.9);
  PackedPicture picture = pack(light, cv::Mat(light.size(), CV_8UC1, cv::Scalar(0)), 1.0);
  const GridPicture whole = part_of(picture, {10, 10, 7, 7});
  picture.values(cv::Rect(0, 0, 40, 11)) = 0;
  const GridPicture cut = part_of(picture, {10, 10, 7, 7});
  EXPECT_EQ(cv::norm(whole.luminance(cv::Rect(0, 1, 7, 6)), cut.luminance(cv::Rect(0, 1, 7, 6)),
                     cv::NORM_INF),
            0.0);
  for (int x = 0; x < 7; ++x)
    EXPECT_EQ(cut.luminance.at<float>(0, x), whole.luminance.at<float>(6, 6 - x));
  // Beyond the picture, too.
  const GridPicture corner = part_of(picture, {-3, 30, 7, 7});
  EXPECT_EQ(corner.luminance.at<float>(0, 0), corner.luminance.at<float>(6, 6));
  EXPECT_GT(corner.luminance.at<float>(0, 0), 0.0F);
}

TEST(SpotLight, ANeighboursDiscIsNotItsOwn) {
  // A neighbour at the same depth blurs like it: gone is gone beside it, too.
  const SpotPlaces places(kSigmaPx);
  const cv::Point2d neighbour(places.half_px + 7.0, places.half_px + 1.0);
  GridPicture a = with_spot(places, 3.0, 4.0), there = with_spot(places, 4.0, 4.0),
              gone = ground(places);
  add_disc(a.luminance, neighbour, 3.0, 4.0);
  add_disc(there.luminance, neighbour, 4.0, 4.0);
  add_disc(gone.luminance, neighbour, 4.0, 4.0);
  const SpotShare with = share_of_spot(a, there, 3.0, 4.0, places);
  const SpotShare without = share_of_spot(a, gone, 3.0, 4.0, places);
  EXPECT_NEAR(with.share, 1.0, 2.0 * with.sd);
  EXPECT_NEAR(without.share, 0.0, without.sd);
}

TEST(SpotLight, AChangeHasItsPlaceAndSize) {
  constexpr double kRadiusPx = 6.0;
  GridPicture before{.luminance = cv::Mat(81, 81, CV_32FC1, cv::Scalar(kGround)),
                     .seen = cv::Mat(81, 81, CV_8UC1, cv::Scalar(255)),
                     .clipped = cv::Mat(81, 81, CV_8UC1, cv::Scalar(0))};
  const GridPicture after{
      .luminance = before.luminance.clone(), .seen = before.seen, .clipped = before.clipped};
  add_disc(before.luminance, {42.0, 41.0}, 2.0 * kRadiusPx,
           0.3 * std::numbers::pi * kRadiusPx * kRadiusPx);
  const SpotChange change = change_around(before, after, 1.0, 1.0, {40, 40}, kSigmaPx);
  EXPECT_NEAR(change.middle.x, 42.0, 0.5);  // px are whole
  EXPECT_NEAR(change.middle.y, 41.0, 0.5);
  EXPECT_NEAR(change.radius_px, kRadiusPx, 1.2);  // smoothed by 1 px
  EXPECT_EQ(change.around, 0.0);
  EXPECT_FALSE(change.elsewhere);
}

TEST(SpotLight, WhatHasMovedIsElsewhere) {
  GridPicture before{.luminance = cv::Mat(81, 81, CV_32FC1, cv::Scalar(kGround)),
                     .seen = cv::Mat(81, 81, CV_8UC1, cv::Scalar(255)),
                     .clipped = cv::Mat(81, 81, CV_8UC1, cv::Scalar(0))};
  GridPicture after{
      .luminance = before.luminance.clone(), .seen = before.seen, .clipped = before.clipped};
  add_disc(before.luminance, {40.0, 40.0}, 4.0, 4.0);
  add_disc(after.luminance, {45.0, 43.0}, 4.0, 4.0);
  EXPECT_TRUE(change_around(before, after, 1.0, 1.0, {40, 40}, kSigmaPx).elsewhere);
}

/// Of one light, `side` px wide.
GridPicture even(int side) {
  return {.luminance = cv::Mat(side, side, CV_32FC1, cv::Scalar(kGround)),
          .seen = cv::Mat(side, side, CV_8UC1, cv::Scalar(255)),
          .clipped = cv::Mat(side, side, CV_8UC1, cv::Scalar(0))};
}

TEST(SpotLight, EachChangeInABoxIsOne) {
  constexpr double kRadiusPx = 8.0;
  GridPicture before = even(121), after = even(121);
  const double flux = 0.3 * std::numbers::pi * kRadiusPx * kRadiusPx;
  add_disc(before.luminance, {40.0, 50.0}, 2.0 * kRadiusPx, flux);
  add_disc(after.luminance, {75.0, 60.0}, 2.0 * kRadiusPx, flux);
  add_disc(after.luminance, {60.0, 108.0}, 2.0 * kRadiusPx, flux);  // beside the box
  const std::vector<SpotChange> changes =
      changes_in(before, after, 1.0, 1.0, {28, 38, 60, 34}).things;
  ASSERT_EQ(changes.size(), 2U);
  const bool first_is_left = changes[0].middle.x < changes[1].middle.x;
  const SpotChange& left = changes[first_is_left ? 0 : 1];
  const SpotChange& right = changes[first_is_left ? 1 : 0];
  EXPECT_LE(cv::norm(left.middle - cv::Point2d(40.0, 50.0)), 0.5);
  EXPECT_LE(cv::norm(right.middle - cv::Point2d(75.0, 60.0)), 0.5);
  EXPECT_NEAR(left.radius_px, kRadiusPx, 1.2);  // smoothed by 1 px
  EXPECT_GT(left.height, 0.2) << "brighter before";
  EXPECT_LT(right.height, -0.2) << "brighter after";
}

// Across the outline of a disc on a ground of one light lies its whole step, where it is not only
// the least that is told. The outline is found within a px or so of the disc's edge: two thirds of
// the step and more lie between 2 px inside and 2 px outside of it.
TEST(SpotLight, AThingEndsAtItsOutlineWhatItHidGoesOn) {
  constexpr double kRadiusPx = 8.0, kLeastStep = 0.004;
  GridPicture with = even(81);
  const GridPicture without = even(81);
  add_disc(with.luminance, {40.0, 40.0}, 2.0 * kRadiusPx,
           0.3 * std::numbers::pi * kRadiusPx * kRadiusPx);
  const double step = std::sqrt(kGround + 0.3) - std::sqrt(kGround);
  const double whole = std::log(step / kLeastStep);
  const auto outline = [](const GridPicture& a, const GridPicture& b) {
    const std::vector<SpotChange> things = changes_in(a, b, 1.0, 1.0, {26, 26, 30, 30}).things;
    return things.size() == 1 ? things[0].outline : 0.0;
  };
  EXPECT_NEAR(outline(with, without), whole, -std::log(2.0 / 3.0));
  EXPECT_NEAR(outline(without, with), -whole, -std::log(2.0 / 3.0));
}

TEST(SpotLight, AChangeStaysOrIsUndone) {
  GridPicture with = even(81);
  const GridPicture without = even(81);
  add_disc(with.luminance, {40.0, 40.0}, 12.0, 30.0);
  GridPicture blurred = even(81);
  add_disc(blurred.luminance, {40.0, 40.0}, std::hypot(12.0, 4.0), 30.0);
  const cv::Point2d middle(40.0, 40.0);
  EXPECT_NEAR(share_changed(with, without, even(81), 1.0, 1.0, 1.0, middle, 6.0), 1.0, 1e-6);
  EXPECT_NEAR(share_changed(with, without, blurred, 0.0, 0.0, 4.0, middle, 6.0), 0.0, 0.1);
  EXPECT_NEAR(share_changed(without, with, blurred, 0.0, 0.0, 4.0, middle, 6.0), 1.0, 0.1);
}

TEST(FindSpots, ABrightSpotHasItsPlaceALineHasNone) {
  cv::Mat light(80, 120, CV_32FC1, cv::Scalar(kGround));
  add_disc(light, {30.0, 40.0}, 4.0, 6.0);
  light(cv::Rect(70, 0, 2, 80)) = 0.9;  // a hair
  const std::vector<Spot> spots = find_spots(light);
  ASSERT_EQ(spots.size(), 1U);
  EXPECT_EQ(spots[0].at, cv::Point(30, 40));
  EXPECT_NEAR(spots[0].sigma_px, 1.4, 0.6);  // a disc of 4 px has 1 px, and sizes are rounded
}

// Of a disc of diameter d the second moment is d^2 / 16 an axis: it is most like a Gaussian of a
// quarter of its diameter, of which sizes are rounded to the next of six, a factor 1.4 apart. The
// larger ones are looked for in px of twice and four times the size: there a place is known to half
// a px of its own, and one that lies between four of them may pass for two, of sizes that are next
// to each other.
TEST(FindSpots, OfEverySizeAreFoundWhereTheyLie) {
  for (const double diameter_px : {3.0, 4.0, 6.0, 8.0, 12.0, 18.0}) {
    const double sigma_px = diameter_px / 4.0;
    for (const cv::Point at : {cv::Point(60, 50), cv::Point(61, 51), cv::Point(63, 50)}) {
      cv::Mat light(120, 140, CV_32FC1, cv::Scalar(kGround));
      add_disc(light, at, diameter_px, 0.4 * std::numbers::pi * 0.25 * diameter_px * diameter_px);
      const std::vector<Spot> spots = find_spots(light);
      ASSERT_THAT(spots, ::testing::SizeIs(::testing::AllOf(::testing::Ge(1), ::testing::Le(2))));
      for (const Spot& spot : spots) {
        EXPECT_NEAR(spot.sigma_px, sigma_px, 0.45 * std::max(1.0, sigma_px)) << diameter_px;
        EXPECT_LE(cv::norm(spot.at - at), std::max(0.0, 0.5 * spot.sigma_px - 0.5));
      }
    }
  }
}

// A picture is gone through in strips: what lies where they meet is found as it is elsewhere.
TEST(FindSpots, AreTheSameWhereverTheyLieInATallPicture) {
  constexpr int kEvery = 37;  // so that they fall everywhere in the strips
  cv::Mat light(1000, 60, CV_32FC1, cv::Scalar(kGround));
  std::size_t count = 0;
  for (int y = 20; y < light.rows - 20; y += kEvery, ++count)
    add_disc(light, cv::Point(30, y), 4.0, 6.0);
  const std::vector<Spot> spots = find_spots(light);
  ASSERT_EQ(spots.size(), count);
  for (std::size_t i = 0; i < count; ++i) {
    EXPECT_EQ(spots[i].at, cv::Point(30, 20 + kEvery * static_cast<int>(i)));
    EXPECT_NEAR(spots[i].height, spots[0].height, 1e-5) << "floats, summed in another order";
  }
}

TEST(FindSpots, NothingIsInAnEvenPicture) {
  EXPECT_TRUE(find_spots(cv::Mat(60, 60, CV_32FC1, cv::Scalar(0.5))).empty());
  EXPECT_TRUE(find_spots(cv::Mat(6, 6, CV_32FC1, cv::Scalar(0.5))).empty());
}

}  // namespace
}  // namespace ringsweep
