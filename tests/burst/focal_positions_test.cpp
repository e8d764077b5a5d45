// The joint fit, on bursts made from known positions (tests/synthetic): no outside source but the
// model in focal_positions.h, by which they are made. Where a comment says sd, it is of the noise
// drawn; seeds are fixed.
#include "ringsweep/focal_positions.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tbb/parallel_for.h>

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <functional>
#include <ostream>
#include <random>
#include <stdexcept>
#include <string>
#include <vector>

#include "burst/frame_shake.h"
#include "synthetic/made_burst.h"
#include "synthetic/plain_cost.h"

namespace ringsweep {
namespace {

using synthetic::Agreement;
using synthetic::BurstOptions;
using synthetic::compare_frames;
using synthetic::compare_tiles;
using synthetic::even_steps;
using synthetic::Fall;
using synthetic::hand_steps;
using synthetic::MadeBurst;
using synthetic::make_burst;
using synthetic::Range;
using synthetic::Relief;

/// What the model itself errs by on real pictures has no place where the model is the truth.
constexpr FitOptions kModelIsTrue{.disc_on_disc = 0.0,
                                  .model_sd_px = 0.0,
                                  .model_walk = 0.0,
                                  .model_scale_sd = 0.0,
                                  .blurred_mosaic_px2 = 1e12,
                                  .mosaic_scale_sd = 0.0};

/// Noise of a good burst: 5 % of each energy, 1 % of the tile's peak, tiles 10 % off their mosaic.
BurstOptions noisy(BurstOptions options = {}) {
  options.scatter = 0.05;
  options.noise = 0.01;
  options.amplitude_sd = 0.1;
  return options;
}

FocalPositions fit(const MadeBurst& burst, const FitOptions& options = kModelIsTrue) {
  const std::vector<bool> light_ok(burst.q_px.size(), true);
  return fit_focal_positions(burst.profiles, light_ok, burst.log_scale, options);
}

std::vector<double> there_and_back() {
  std::vector<double> q = even_steps(8, 1.7);
  const std::vector<double> back = even_steps(8, 1.6);
  q.insert(q.end(), back.rbegin(), back.rend());
  return q;
}

std::vector<double> twice_the_same_way() {
  std::vector<double> q = even_steps(8, 1.7);
  for (const double again : even_steps(8, 1.6)) q.push_back(again);
  return q;
}

std::vector<double> backwards() {
  std::vector<double> q = hand_steps(14, 0.6, 2.2, 3);
  std::ranges::reverse(q);
  return q;
}

/// Shift, sign and scale taken off, as far as each sd excludes them: 4 sd for a frame, since one of
/// some hundred errors in this file passes 3 by chance; 4 sd for the scale. That the sds are honest
/// is tested below. That they are of use: a tile d px out of focus tells a frame's position to
/// 0.05 h / (2 s d h) = 0.4 px at d = 1 to 0.1 at d = 4 (s = 0.12 to 0.03, by band), and of 120
/// tiles over some 15 px about 60 lie that near, in 3 bands: 0.25 / sqrt(180) = 0.02 px. Beside the
/// subject tiles fade; `most_sd_px` says how much of that is allowed. A scale: that sd over the
/// sweep's spread of some 5 px, and again more where the sweep falls into two.
void expect_recovered(const FocalPositions& found, const MadeBurst& burst, double most_sd_px = 0.1,
                      double most_scale_sd = 0.03) {
  EXPECT_EQ(found.status, FitStatus::converged) << found.reason;
  const Agreement a = compare_frames(found, burst);
  EXPECT_NEAR(a.scale, 1.0, 4.0 * found.scale_sd);
  EXPECT_LT(found.scale_sd, most_scale_sd);
  for (std::size_t k = 0; k < burst.q_px.size(); ++k) {
    if (!found.frames[k].q_px) continue;
    EXPECT_NEAR(*found.frames[k].q_px, a.shift_px + a.sign * a.scale * burst.q_px[k],
                4.0 * found.frames[k].sd_px.value_or(0.0))
        << "frame " << k;
    EXPECT_LT(found.frames[k].sd_px.value_or(99.0), most_sd_px) << "frame " << k;
  }
}

// ---------------------------------------------------------------- ways to turn a ring

struct Turning {
  const char* name;
  std::vector<double> q_px;
  BurstOptions options{};
  double most_sd_px = 0.1;
  double most_scale_sd = 0.03;
};
void PrintTo(const Turning& turning, std::ostream* out) { *out << turning.name; }

class WaysToTurn : public ::testing::TestWithParam<Turning> {};

// Gaussian curves are straight lines in d^2, so the curve tables are exact. The fit may stop when a
// step is below 2e-3 px; its steps converge quadratically, over lengths of some px, so that is
// (2e-3)^2 = 4e-6 px or less from the end. Energies are floats: 6e-8 over 0.1 a px. Together 1e-5.
TEST_P(WaysToTurn, NoiseFreePositionsAndScaleComeBack) {
  const MadeBurst burst = make_burst(GetParam().q_px, GetParam().options);
  const FocalPositions found = fit(burst);
  EXPECT_EQ(found.status, FitStatus::converged) << found.reason;
  const Agreement a = compare_frames(found, burst);
  EXPECT_EQ(a.count, burst.q_px.size());
  EXPECT_NEAR(a.scale, 1.0, 1e-5);
  for (std::size_t k = 0; k < burst.q_px.size(); ++k) {
    ASSERT_TRUE(found.frames[k].q_px.has_value()) << "frame " << k;
    EXPECT_NEAR(*found.frames[k].q_px, a.shift_px + a.sign * burst.q_px[k], 1e-5) << "frame " << k;
  }
  // A tile's place is sought in steps of a quarter px, halved five times: to 0.008 px.
  const Agreement tiles = compare_tiles(found, burst);
  EXPECT_GT(tiles.count, burst.tile_px.size() * 9 / 10);
  EXPECT_LT(tiles.worst_px, 0.01);
}

// With and without a lens that breathes.
TEST_P(WaysToTurn, NoisyPositionsAndScaleAreWithinTheirSds) {
  for (const double breathing : {0.002, 0.0}) {
    SCOPED_TRACE(breathing);
    BurstOptions options = noisy(GetParam().options);
    options.breathing_per_px = breathing;
    const MadeBurst burst = make_burst(GetParam().q_px, options);
    const FocalPositions found = fit(burst);
    EXPECT_EQ(compare_frames(found, burst).count, burst.q_px.size());
    expect_recovered(found, burst, GetParam().most_sd_px, GetParam().most_scale_sd);
  }
}

INSTANTIATE_TEST_SUITE_P(
    FocalPositions, WaysToTurn,
    ::testing::Values(
        Turning{"EvenSteps", even_steps(14, 1.4)},
        Turning{"UnevenSteps", hand_steps(14, 0.6, 2.2, 3)}, Turning{"Backwards", backwards()},
        Turning{"Pauses", {0, 1.5, 3, 3, 3, 3, 4.5, 6, 7.5, 7.5, 9, 10.5}},
        Turning{"TurningBack", {0, 1.5, 3, 4.5, 6, 4.8, 3.6, 5, 7, 9, 11, 12.5}},
        Turning{"ThereAndBack", there_and_back()}, Turning{"TwiceTheSameWay", twice_the_same_way()},
        // 7 px of air at both ends: coarse bands still fall by a factor of 4 over the last 7 px.
        Turning{"AirAtBothEnds", even_steps(16, 1.5), {.subject = Range{7.0, 15.0}}, 0.4},
        // A subject that goes on beyond both ends.
        Turning{"SubjectBeyondTheEnds", even_steps(10, 1.4), {.subject = Range{-4.0, 16.6}}},
        // 10 px: tiles between the two halves are at best 5 px out of focus.
        Turning{"Gap", {0, 1.5, 3, 4.5, 14.5, 16, 17.5, 19}},
        Turning{"GapOverAir",
                {0, 1.5, 3, 4.5, 14.5, 16, 17.5, 19},
                {.no_subject = {{5.0, 14.0}}},
                0.3,
                0.1},
        Turning{"ThreeFrames", even_steps(3, 1.5)}),
    [](const auto& turning) { return std::string(turning.param.name); });

// ---------------------------------------------------------------- the curves

/// s of the steepest curve that make_burst draws: finest band, 0.12 x 1.3 x 1.15.
constexpr double kSteepest = 0.18;

/// A chord of a table lies above a curve that is not straight: for h = (1 + s x / 2)^-2 by at most
/// dx^2 / 8 (log h)'' in log h, that over the slope in x, that over 2 d in px. Relative to d.
double chord_error(const std::vector<double>& diameter_px) {
  double most = 0.0;
  for (std::size_t i = 1; i < diameter_px.size(); ++i) {
    const double x0 = diameter_px[i - 1] * diameter_px[i - 1], x1 = diameter_px[i] * diameter_px[i];
    const double bend_over_slope = kSteepest / 2.0 / (1.0 + kSteepest / 2.0 * (x0 + x1) / 2.0);
    most = std::max(most, (x1 - x0) * (x1 - x0) / 8.0 * bend_over_slope / (x0 + x1));
  }
  return most;
}

// Every blur is read too large by up to the chord's error, so the scale may be off by as much.
TEST(FocalPositions, CurvesWithATailComeBackAsWellAsTheirTables) {
  std::vector<double> fine_px;
  for (int i = 0; i <= 300; ++i) fine_px.push_back(0.1 * i);
  for (const std::vector<double>& table : {std::vector<double>{}, fine_px}) {
    const MadeBurst burst =
        make_burst(hand_steps(14, 0.6, 2.2, 3), {.fall = Fall::disc_like, .diameter_px = table});
    const FocalPositions found = fit(burst);
    EXPECT_EQ(found.status, FitStatus::converged);
    const Agreement a = compare_frames(found, burst);
    // 0.9 % for the pipeline's table, 0.02 % for the fine one.
    const double room = table.empty() ? 0.009 : chord_error(fine_px);
    EXPECT_NEAR(a.scale, 1.0, room);
    EXPECT_LT(a.shape_rms_px, room * 5.0);  // of blurs of some 5 px
  }
}

// Working px twice as large: depths stay in px of the full-size frame.
TEST(FocalPositions, HalfSizeWorkingPicturesGiveFullSizePx) {
  const MadeBurst burst = make_burst(even_steps(12, 3.0), {.full_px_per_px = 2.0});
  const FocalPositions found = fit(burst);
  EXPECT_EQ(found.status, FitStatus::converged);
  const Agreement a = compare_frames(found, burst);
  EXPECT_NEAR(a.scale, 1.0, 1e-5);
  EXPECT_LT(a.worst_px, 1e-5);
}

TEST(FocalPositions, TilesLeftOutOfTheFitGetAPlaceToo) {
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3));
  FitOptions options = kModelIsTrue;
  options.max_tiles = 50;
  const FocalPositions found = fit(burst, options);
  EXPECT_LT(compare_frames(found, burst).worst_px, 1e-5);
  const Agreement tiles = compare_tiles(found, burst);
  EXPECT_GT(tiles.count, burst.tile_px.size() * 9 / 10);
  EXPECT_LT(tiles.worst_px, 0.01);
}

// ---------------------------------------------------------------- little or nothing to go by

TEST(FocalPositions, FewerThanThreeFramesGiveNone) {
  for (const std::size_t frames : {0U, 1U, 2U}) {
    const MadeBurst burst = make_burst(even_steps(frames, 1.5));
    const FocalPositions found = fit(burst);
    EXPECT_EQ(found.status, FitStatus::too_few_frames) << frames;
    EXPECT_FALSE(found.reason.empty());
    ASSERT_EQ(found.frames.size(), frames);
    for (const FocalPosition& frame : found.frames) EXPECT_FALSE(frame.q_px || frame.usable);
  }
  EXPECT_EQ(fit_focal_positions({}, {}, {}).status, FitStatus::too_few_frames);
}

TEST(FocalPositions, TwoLitFramesOfManyGiveNone) {
  const MadeBurst burst = make_burst(even_steps(8, 1.5));
  std::vector<bool> light_ok(8, false);
  light_ok[2] = light_ok[5] = true;
  EXPECT_EQ(fit_focal_positions(burst.profiles, light_ok, burst.log_scale).status,
            FitStatus::too_few_frames);
}

TEST(FocalPositions, NoTilesGiveNoSubject) {
  const FocalPositions found = fit(make_burst(even_steps(8, 1.5), {.tiles = 0}));
  EXPECT_EQ(found.status, FitStatus::no_subject);
  EXPECT_FALSE(found.reason.empty());
  for (const FocalPosition& frame : found.frames) EXPECT_FALSE(frame.q_px || frame.usable);
}

// Smooth background: more blur changes nothing, whatever the frames show.
TEST(FocalPositions, TilesWithoutTextureGiveNoSubject) {
  MadeBurst burst = make_burst(even_steps(8, 1.5), noisy());
  for (TileProfile& tile : burst.profiles.tiles)
    for (auto& curve : tile.log_curve) std::ranges::fill(curve, 0.0F);
  EXPECT_EQ(fit(burst).status, FitStatus::no_subject);
}

TEST(FocalPositions, RingThatStoodStillIsNoSweep) {
  for (const bool clean : {true, false}) {
    const BurstOptions options{.subject = Range{-6.0, 6.0}};
    const MadeBurst burst =
        make_burst(std::vector<double>(9, 0.0), clean ? options : noisy(options));
    const FocalPositions found = fit(burst);
    EXPECT_EQ(found.status, FitStatus::no_sweep) << found.reason;
    EXPECT_FALSE(found.reason.empty());
  }
}

// ---------------------------------------------------------------- frames left out

TEST(FocalPositions, DarkFramesGetNoPositionAndTellNothing) {
  const std::vector<std::size_t> dark{3, 7, 8};
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy());
  std::vector<bool> light_ok(14, true);
  for (const std::size_t k : dark) light_ok[k] = false;
  const FocalPositions found =
      fit_focal_positions(burst.profiles, light_ok, burst.log_scale, kModelIsTrue);
  for (const std::size_t k : dark) {
    EXPECT_FALSE(found.frames[k].q_px || found.frames[k].sd_px || found.frames[k].usable);
  }
  EXPECT_EQ(compare_frames(found, burst).count, 11U);
  expect_recovered(found, burst);

  // The rest as with those frames: the variance of an estimate with fewer data less that with more
  // is the variance of what they differ by, so 4 sd hold it.
  const FocalPositions with_all = fit(burst);
  const Agreement a = compare_frames(found, burst), b = compare_frames(with_all, burst);
  for (std::size_t k = 0; k < 14; ++k)
    if (light_ok[k]) {
      EXPECT_NEAR((*found.frames[k].q_px - a.shift_px) / a.scale,
                  a.sign * b.sign * (*with_all.frames[k].q_px - b.shift_px) / b.scale,
                  4.0 * *found.frames[k].sd_px)
          << "frame " << k;
    }

  // Whatever stands in them.
  MadeBurst other = burst;
  for (TileProfile& tile : other.profiles.tiles)
    for (auto& energy : tile.energy)
      for (const std::size_t k : dark) energy[k] = 0.5F;
  for (const std::size_t k : dark) other.log_scale[k] = 1.0;
  const FocalPositions same =
      fit_focal_positions(other.profiles, light_ok, other.log_scale, kModelIsTrue);
  for (std::size_t k = 0; k < 14; ++k) {
    EXPECT_EQ(found.frames[k].q_px, same.frames[k].q_px) << "frame " << k;
    EXPECT_EQ(found.frames[k].sd_px, same.frames[k].sd_px) << "frame " << k;
  }
}

TEST(FocalPositions, TilesOutsideSomeFramesAreNoHarm) {
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.unseen_share = 0.5}));
  expect_recovered(fit(burst), burst);
}

TEST(FocalPositions, WrongSizesThrow) {
  const MadeBurst burst = make_burst(even_steps(5, 1.5));
  const std::vector<bool> lit(5, true);
  EXPECT_THROW(
      (void)fit_focal_positions(burst.profiles, std::vector<bool>(4, true), burst.log_scale),
      std::invalid_argument);
  EXPECT_THROW((void)fit_focal_positions(burst.profiles, lit, std::vector<double>(6, 0.0)),
               std::invalid_argument);
  EXPECT_THROW(
      (void)fit_focal_positions(burst.profiles, lit, burst.log_scale, {.also_from_px = {1.0, 2.0}}),
      std::invalid_argument);
}

// ---------------------------------------------------------------- what does not fit the model

// The scale of the picture may help and must not mislead.
TEST(FocalPositions, ScaleOfThePictureThatGoesTheOtherWayOrAnywhereIsNoHarm) {
  const std::vector<double> q = hand_steps(14, 0.6, 2.2, 3);
  const MadeBurst backwards = make_burst(q, noisy({.breathing_per_px = -0.002}));
  expect_recovered(fit(backwards), backwards);
  // 1 % of the picture is 5 px of depth at 0.002 a px.
  const MadeBurst any = make_burst(q, noisy({.scale_noise = 0.01}));
  expect_recovered(fit(any), any);
}

// Swayed by what changes the scale by 4 px of ring, three frames of 14: told, and the positions
// follow sharpness.
TEST(FocalPositions, FramesThatSwayedInDepthAreTold) {
  MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({}));
  for (const std::size_t k : {3U, 7U, 10U}) burst.log_scale[k] += 4.0 * 0.002;
  const FocalPositions found = fit(burst);
  expect_recovered(found, burst);
  for (std::size_t k = 0; k < 14; ++k) {
    ASSERT_EQ(found.frames[k].scale_off_px.has_value(), k == 3 || k == 7 || k == 10) << k;
    // The scale's own zero and slope come from the other eleven: to 0.1 px, twice a position's sd.
    if (found.frames[k].scale_off_px) {
      EXPECT_NEAR(std::abs(*found.frames[k].scale_off_px), 4.0, 0.2) << k;
    }
  }
}

// There and back: the scale says that the way back was half as long, as when the aperture was
// changed in between.
TEST(FocalPositions, AScaleOnAnotherCourseIsNotTrusted) {
  std::vector<double> q = hand_steps(20, 0.9, 1.4, 3);
  q.insert(q.end(), q.rbegin(), q.rend());
  MadeBurst burst = make_burst(q, noisy({}));
  for (std::size_t k = 20; k < 40; ++k) burst.log_scale[k] *= 0.5;
  const FocalPositions found = fit(burst);
  EXPECT_EQ(found.status, FitStatus::not_trusted);
  EXPECT_NE(found.reason.find("size of the picture"), std::string::npos) << found.reason;
}

TEST(FocalPositions, OneShakenOrBrighterFrameIsNoHarm) {
  for (const double log_gain : {-0.7, 0.7}) {
    std::vector<double> gains(14, 0.0);
    gains[6] = log_gain;
    const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.log_gain = gains}));
    SCOPED_TRACE(log_gain);
    expect_recovered(fit(burst), burst);
  }
}

// A frame that is a disc of 3 px softer everywhere: told, with its size, and nothing else is. The
// disc's square is read to about 4 tiles' worth of 0.05 h / (s h) = 1 px^2 each (s = 0.05), over
// some 40 tiles within 5 px: 0.2 px^2 of 9, 2 %; amplitudes that are 10 % off their mosaic and the
// neighbours' own errors add as much again. 15 % is 3 sd of that.
TEST(FocalPositions, AShakenFrameIsToldAndMovesNothing) {
  std::vector<double> shake(14, 0.0);
  shake[6] = 9.0;
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.shake_px2 = shake}));
  const FocalPositions found = fit(burst);
  expect_recovered(found, burst);
  const double expected = movement_like_disc_px(3.0, kBands[0].sigma_px);
  for (std::size_t k = 0; k < 14; ++k) {
    ASSERT_TRUE(found.frames[k].shake_px) << "frame " << k;
    if (k == 6) {
      EXPECT_NEAR(*found.frames[k].shake_px, expected, 0.15 * expected);
    } else {
      EXPECT_EQ(*found.frames[k].shake_px, 0.0) << "frame " << k;
    }
  }
}

// Where steady frames read shake of the same order, as on shiny parts, what one reads is the
// model's error: 5 px^2, 12 sd of the test above, among frames of which every third reads 2.5.
TEST(FocalPositions, WhatManyFramesReadIsNotShake) {
  std::vector<double> shake(14, 0.0);
  for (std::size_t k = 0; k < 14; k += 3) shake[k] = 2.5;
  shake[7] = 5.0;
  const FocalPositions found =
      fit(make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.shake_px2 = shake})));
  for (std::size_t k = 0; k < 14; ++k)
    EXPECT_EQ(found.frames[k].shake_px.value_or(99.0), 0.0) << "frame " << k;
}

// All bands lose alike: contrast, not shake.
TEST(FocalPositions, ALossOfContrastIsNotShake) {
  std::vector<double> gains(14, 0.0);
  for (std::size_t k = 8; k < 14; ++k) gains[k] = -0.6;
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.log_gain = gains}));
  const FocalPositions found = fit(burst);
  expect_recovered(found, burst);
  for (std::size_t k = 0; k < 14; ++k)
    EXPECT_EQ(found.frames[k].shake_px.value_or(99.0), 0.0) << "frame " << k;
}

double mean_weight(const FocalPositions& found, const MadeBurst& burst, bool one_depth) {
  double sum = 0.0, count = 0.0;
  for (std::size_t t = 0; t < found.tiles.size(); ++t)
    if (burst.one_depth[t] == one_depth) sum += found.tiles[t].weight, count += 1.0;
  return sum / count;
}

TEST(FocalPositions, OneTileInFiveThatMovesOrShowsAnythingIsNoHarm) {
  for (const double jumping : {0.0, 0.1, 0.2}) {
    const MadeBurst burst =
        make_burst(hand_steps(14, 0.6, 2.2, 3),
                   noisy({.jumping_share = jumping, .random_share = 0.2 - jumping}));
    SCOPED_TRACE(jumping);
    EXPECT_GE(std::ranges::count(burst.one_depth, false), 15);
    const FocalPositions found = fit(burst);
    expect_recovered(found, burst);
    EXPECT_GT(mean_weight(found, burst, true), 0.7);
    // Anything from 0 to the peak is 0.3 off, against a model error of 0.05: (1 / 6)^2, and what
    // the prior of a tile's factor adds. (A jump while out of focus contradicts nothing.)
    if (jumping == 0.0) {
      EXPECT_LT(mean_weight(found, burst, false), 0.1);
    }
  }
}

// Two depths 4 px apart look like one behind a wider curve, and the ring seems to turn less: if all
// tiles are such, by a fifth. One in five must not do more than its share of that, and must weigh
// less than the others.
TEST(FocalPositions, OneTileInFiveThatSeesTwoDepthsDoesNoMoreThanItsShare) {
  const std::vector<double> q = hand_steps(14, 0.6, 2.2, 3);
  const MadeBurst all = make_burst(q, noisy({.two_depth_share = 1.0}));
  const double scale_of_all = compare_frames(fit(all), all).scale;
  const MadeBurst burst = make_burst(q, noisy({.two_depth_share = 0.2}));
  EXPECT_GE(std::ranges::count(burst.one_depth, false), 15);
  const FocalPositions found = fit(burst);
  const Agreement a = compare_frames(found, burst);
  EXPECT_NEAR(a.scale, 1.0, 0.2 * std::abs(scale_of_all - 1.0) + 4.0 * found.scale_sd);
  for (std::size_t k = 0; k < q.size(); ++k)
    EXPECT_NEAR(*found.frames[k].q_px, a.shift_px + a.sign * a.scale * q[k],
                4.0 * *found.frames[k].sd_px)
        << "frame " << k;
  EXPECT_LT(mean_weight(found, burst, false), 0.8 * mean_weight(found, burst, true));
}

// ---------------------------------------------------------------- the answer as a minimum

/// Not more tiles that are sharpest in one frame than the fit takes whatever they are like; of more
/// it takes the half that fits better, and the plain sums below would have to know which.
MadeBurst with_few_tiles(const MadeBurst& burst) {
  constexpr std::size_t kFew = 8;
  MadeBurst few = burst;
  few.profiles.tiles.clear(), few.tile_px.clear(), few.one_depth.clear();
  std::vector<std::size_t> taken(burst.q_px.size(), 0);
  for (std::size_t t = 0; t < burst.tile_px.size(); ++t) {
    if (taken[burst.profiles.tiles[t].peak_frame]++ >= kFew) continue;
    few.profiles.tiles.push_back(burst.profiles.tiles[t]);
    few.tile_px.push_back(burst.tile_px[t]);
    few.one_depth.push_back(burst.one_depth[t]);
  }
  return few;
}

std::vector<double> frame_positions(const FocalPositions& found) {
  std::vector<double> q;
  for (const FocalPosition& frame : found.frames) q.push_back(frame.q_px.value());
  return q;
}

// A model error of 2 % beside a scatter of 5 % puts every tile's noise factor above 1, where the
// weight, 1 / factor^2, gives it away: the plain cost can count with the same sds as the fit.
struct Minimum {
  Minimum() {
    options.model_error = 0.02;
    found = fit(burst, options);
    q = frame_positions(found);
    for (const TilePosition& tile : found.tiles) {
      u.push_back(tile.q_px);
      noise_factor.push_back(1.0 / std::sqrt(std::max(tile.weight, 1e-6)));
    }
  }
  MadeBurst burst = with_few_tiles(
      make_burst(hand_steps(12, 0.6, 2.2, 1),
                 {.scatter = 0.05, .noise = 0.005, .amplitude_sd = 0.1, .breathing_per_px = 0.0}));
  FitOptions options = kModelIsTrue;
  FocalPositions found;
  std::vector<double> q, u, noise_factor;
};

TEST(FocalPositions, CostIsBelowThatOfTheTruthByTheNumberOfUnknowns) {
  const Minimum m;
  const synthetic::PlainCost cost(m.burst.profiles, m.options, m.noise_factor);
  const double at_fit = cost.at(m.q, m.u, cost.best_others(m.q, m.u));
  const double at_truth =
      cost.at(m.burst.q_px, m.burst.tile_px, cost.best_others(m.burst.q_px, m.burst.tile_px));
  // Least squares: one for each position sought (chi-squared), here within 4 sd of that. A robust
  // loss, and factors estimated from some 30 energies each, move it by a tenth, less than 2 sd.
  const auto unknowns = static_cast<double>(m.q.size() - 1 + m.u.size());
  EXPECT_NEAR(at_truth - at_fit, unknowns, 4.0 * std::sqrt(2.0 * unknowns));
  // Reported: with the noise factors before the last placing of tiles. Each of some 90 is good to
  // 1 / sqrt(2 x 30) = 13 %, together to 1.4 %, a change of cost of twice that.
  EXPECT_NEAR(m.found.cost, at_fit, 0.03 * at_fit);
}

// Where the cost is least, it has no slope: a parabola through three points about each position
// promises no gain. What the fit may leave: a step of 2e-3 px, an eighth of a curvature's sd
// (0.011 to 0.016 px here): 1 / 64 of cost; noise factors that changed since: as much again.
TEST(FocalPositions, NoFrameGainsByMoving) {
  const Minimum m;
  const synthetic::PlainCost cost(m.burst.profiles, m.options, m.noise_factor);
  const auto others = cost.best_others(m.q, m.u);
  const double here = cost.at(m.q, m.u, others);
  constexpr double kStepPx = 1e-3;
  for (std::size_t k = 0; k < m.q.size(); ++k) {
    std::vector<double> moved = m.q;
    moved[k] = m.q[k] + kStepPx;
    const double above = cost.at(moved, m.u, others);
    moved[k] = m.q[k] - kStepPx;
    const double below = cost.at(moved, m.u, others);
    const double slope = (above - below) / (2.0 * kStepPx);
    const double bend = (above + below - 2.0 * here) / (kStepPx * kStepPx);
    ASSERT_GT(bend, 0.0) << "frame " << k;
    EXPECT_LT(slope * slope / (2.0 * bend), 2.0 / 64.0)
        << "frame " << k << " would move by " << -slope / bend << " px";
  }
}

TEST(FocalPositions, SameBitsInParallel) {
  const MadeBurst burst =
      make_burst(hand_steps(14, 0.6, 2.2, 3), noisy({.jumping_share = 0.1, .unseen_share = 0.2}));
  const std::vector<bool> light_ok(14, true);
  const FocalPositions one = fit(burst);
  const FocalPositions many =
      fit_focal_positions(burst.profiles, light_ok, burst.log_scale, kModelIsTrue,
                          [](std::size_t n, const std::function<void(std::size_t)>& body) {
                            tbb::parallel_for(std::size_t{0}, n, body);
                          });
  for (std::size_t k = 0; k < 14; ++k) {
    EXPECT_EQ(one.frames[k].q_px, many.frames[k].q_px) << "frame " << k;
    EXPECT_EQ(one.frames[k].sd_px, many.frames[k].sd_px) << "frame " << k;
  }
  for (std::size_t t = 0; t < one.tiles.size(); ++t) {
    EXPECT_EQ(one.tiles[t].q_px, many.tiles[t].q_px) << "tile " << t;
    EXPECT_EQ(one.tiles[t].weight, many.tiles[t].weight) << "tile " << t;
  }
  EXPECT_EQ(one.covariance_px2, many.covariance_px2);
  EXPECT_EQ(one.scale_sd, many.scale_sd);
  EXPECT_EQ(one.cost, many.cost);
}

// ---------------------------------------------------------------- sds

TEST(FocalPositions, CovarianceIsSymmetricPositiveAndHoldsTheSds) {
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy());
  std::vector<bool> light_ok(14, true);
  light_ok[4] = false;
  const FocalPositions found = fit_focal_positions(burst.profiles, light_ok, burst.log_scale);
  const Eigen::MatrixXd& c = found.covariance_px2;
  ASSERT_EQ(c.rows(), 14);
  ASSERT_EQ(c.cols(), 14);
  // Rounding of sums of products: some hundred times 2e-16 of the largest.
  const double rounding = 1e-13 * c.cwiseAbs().maxCoeff();
  EXPECT_LE((c - c.transpose()).cwiseAbs().maxCoeff(), rounding);
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(c);
  EXPECT_GE(eigen.eigenvalues()(0), -rounding);
  for (Eigen::Index k = 0; k < 14; ++k) {
    if (!light_ok[static_cast<std::size_t>(k)]) continue;
    EXPECT_NEAR(std::pow(found.frames[static_cast<std::size_t>(k)].sd_px.value(), 2), c(k, k),
                rounding);
  }
}

/// What an option of the model's error adds to the variance of b - a, px^2.
double added_variance(const FocalPositions& without, const FocalPositions& with, Eigen::Index a,
                      Eigen::Index b) {
  const auto of = [&](const Eigen::MatrixXd& c) { return c(a, a) + c(b, b) - 2.0 * c(a, b); };
  return of(with.covariance_px2) - of(without.covariance_px2);
}

TEST(FocalPositions, ModelErrorAddsToTheScattersSds) {
  const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), noisy());
  const FocalPositions scatter = fit(burst);
  FitOptions options = kModelIsTrue;
  options.model_sd_px = 0.3, options.model_scale_sd = 0.04;
  const FocalPositions both = fit(burst, options);
  const auto added = [&](std::size_t k) {
    return std::pow(*both.frames[k].sd_px, 2) - std::pow(*scatter.frames[k].sd_px, 2);
  };
  // In all frames alike, times the tiles' misfit.
  for (std::size_t k = 1; k < 14; ++k) EXPECT_NEAR(added(k), added(0), 1e-9) << k;
  EXPECT_NEAR(both.scale_sd, std::hypot(scatter.scale_sd, 0.04), 1e-9);
}

TEST(FocalPositions, ModelErrorGrowsWithTheTilesMisfit) {
  FitOptions options = kModelIsTrue;
  options.model_sd_px = 0.3;
  const auto factor = [&](double scatter) {
    BurstOptions made = noisy();
    made.scatter = scatter;
    const MadeBurst burst = make_burst(hand_steps(14, 0.6, 2.2, 3), made);
    return added_variance(fit(burst), fit(burst, options), 3, 9) / (2.0 * 0.09);
  };
  // Scatter of 0.05 is what the model allows an energy, a misfit of 1 in the mean; the better half
  // of the tiles decides, so less.
  const double usual = factor(0.05);
  EXPECT_GT(usual, 0.4 / options.usual_misfit);
  EXPECT_LT(usual, 1.0 / options.usual_misfit);
  // Three times that, nine times the squares, less what the prior of 1 and tiles' own scatter take.
  EXPECT_GT(factor(0.15), 4.0 * usual);
  options.usual_misfit *= 2.0;
  EXPECT_NEAR(factor(0.05), usual / 2.0, 1e-9);
}

TEST(FocalPositions, AWalkingScaleErrsMoreTheFartherApartFramesAre) {
  const MadeBurst burst = make_burst(even_steps(30, 1.0), noisy());
  FitOptions options = kModelIsTrue;
  options.model_sd_px = 0.1;
  const FocalPositions plain = fit(burst), white = fit(burst, options);
  const double factor = added_variance(plain, white, 3, 4) / (2.0 * 0.01);
  options = kModelIsTrue;
  options.model_walk = 0.1;
  const FocalPositions walk = fit(burst, options);
  // A walk's, less what is taken for a scale: of a variance of d px in a sweep of L = 29 px the
  // share 6/5 d / L goes with it, or up to twice as much (both ways with it), and that scale errs
  // by sqrt(6/5 / L).
  for (const Eigen::Index d : {1, 2, 4}) {
    const double whole = factor * 0.01 * static_cast<double>(d);
    const double added = added_variance(plain, walk, 10, 10 + d);
    EXPECT_LT(added, whole) << d;
    EXPECT_GT(added, whole * (1.0 - 2.0 * 1.2 * static_cast<double>(d) / 29.0)) << d;
  }
  EXPECT_NEAR(std::sqrt(std::pow(walk.scale_sd, 2) - std::pow(plain.scale_sd, 2)),
              std::sqrt(factor * 0.01 * 1.2 / 29.0),
              0.1 * std::sqrt(factor * 0.01 * 1.2 / 29.0));  // 30 frames, not a line
}

// A subject that lies all between two frames is sharp in none: its own blur is all that tells how
// far apart they are.
TEST(FocalPositions, AScaleReadOffABlurredMosaicIsKnownLessWell) {
  std::vector<double> q = even_steps(6, 0.8);
  for (const double next : even_steps(6, 0.8)) q.push_back(next + 10.0);
  BurstOptions options = noisy();
  options.subject = Range{6.0, 8.0};
  FitOptions fit_options = kModelIsTrue;
  const FocalPositions plain = fit(make_burst(q, options), fit_options);
  fit_options.mosaic_scale_sd = 0.012;
  const FocalPositions blurred = fit(make_burst(q, options), fit_options);
  // The frames at 4 and 10 px are 2 to 3 px from most of it: 4 to 9 px^2.
  const double added = std::sqrt(std::pow(blurred.scale_sd, 2) - std::pow(plain.scale_sd, 2));
  EXPECT_GT(added, 0.012 * 4.0);
  EXPECT_LT(added, 0.012 * 9.0);
}

/// The linear problem at the truth with all its unknowns, nothing eliminated: frames' positions and
/// gains, tiles' positions and amplitudes. Gaussian curves, every energy of sd `sd`.
struct DenseProblem {
  DenseProblem(const MadeBurst& burst, double sd, const FitOptions& options);

  Eigen::Index n;           ///< frames; their positions are the first n unknowns
  Eigen::VectorXd prior;    ///< 1 / variance of each unknown about its true value
  Eigen::MatrixXd slopes;   ///< of the energies, in sds; tile by tile
  Eigen::VectorXd off;      ///< energies less what the truth says, in sds
  Eigen::MatrixXd inverse;  ///< of the normal matrix; the shift is held, for it is free
  Eigen::Index a_tile = 0;  ///< rows of `slopes`
};

DenseProblem::DenseProblem(const MadeBurst& burst, double sd, const FitOptions& options)
    : n(static_cast<Eigen::Index>(burst.q_px.size())),
      a_tile(n * static_cast<Eigen::Index>(kNumBands)) {
  const auto m = static_cast<Eigen::Index>(burst.tile_px.size());
  const Eigen::Index unknowns = 2 * n + 4 * m;
  prior = Eigen::VectorXd::Zero(unknowns);
  prior.segment(n, n).fill(std::pow(options.gain_sd, -2));
  slopes = Eigen::MatrixXd::Zero(m * a_tile, unknowns);
  off.resize(m * a_tile);
  Eigen::Index row = 0;
  for (Eigen::Index t = 0; t < m; ++t) {
    const TileProfile& tile = burst.profiles.tiles[static_cast<std::size_t>(t)];
    const double u = burst.tile_px[static_cast<std::size_t>(t)];
    const double d0 = burst.q_px[tile.peak_frame] - u;
    const Eigen::Index depth = 2 * n + 4 * t;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const Eigen::Index amplitude = depth + 1 + static_cast<Eigen::Index>(j);
      prior(amplitude) = std::pow(options.amplitude_sd, -2);
      const double last_px = burst.profiles.diameter_px.back();
      const double s = -static_cast<double>(tile.log_curve[j].back()) / (last_px * last_px);
      for (Eigen::Index k = 0; k < n; ++k, ++row) {
        // Energy a e^(g - g0) exp(-s (d^2 - d0^2)), at a = 1 and g = g0 = 0.
        const double d = burst.q_px[static_cast<std::size_t>(k)] - u;
        const double h = std::exp(-s * (d * d - d0 * d0));
        slopes(row, k) += -2.0 * s * d * h / sd;
        slopes(row, static_cast<Eigen::Index>(tile.peak_frame)) += 2.0 * s * d0 * h / sd;
        slopes(row, depth) = 2.0 * s * (d - d0) * h / sd;
        slopes(row, n + k) += h / sd;
        slopes(row, n + static_cast<Eigen::Index>(tile.peak_frame)) -= h / sd;
        slopes(row, amplitude) = h / sd;
        off(row) = (tile.energy[j][static_cast<std::size_t>(k)] - h) / sd;
      }
    }
  }
  Eigen::MatrixXd normal = slopes.transpose() * slopes;
  normal.diagonal() += prior;
  normal.topLeftCorner(n, n).array() += 1.0;
  inverse = normal.ldlt().solve(Eigen::MatrixXd::Identity(unknowns, unknowns));
}

/// Mean and scale, in the frames' positions.
struct Gauge {
  explicit Gauge(const std::vector<double>& q_px) {
    const auto n = static_cast<Eigen::Index>(q_px.size());
    const Eigen::Map<const Eigen::VectorXd> q(q_px.data(), n);
    const Eigen::VectorXd centred = q.array() - q.mean();
    scale = centred / centred.squaredNorm();
    keep = Eigen::MatrixXd::Identity(n, n) - centred * scale.transpose();
    keep.array() -= 1.0 / static_cast<double>(n);
  }
  [[nodiscard]] Eigen::MatrixXd without(const Eigen::MatrixXd& c) const {
    return keep * c * keep.transpose();
  }
  Eigen::MatrixXd keep;   ///< takes both off
  Eigen::VectorXd scale;  ///< times positions: their scale
};

/// What the fit should say where frames have this covariance.
void expect_covariance(const FocalPositions& found, const Gauge& gauge, const Eigen::MatrixXd& c,
                       double room) {
  const Eigen::MatrixXd expected = gauge.without(c);
  EXPECT_LT((found.covariance_px2 - expected).cwiseAbs().maxCoeff(),
            2.0 * room * expected.cwiseAbs().maxCoeff());
  for (Eigen::Index k = 0; k < c.rows(); ++k) {
    const double sd = std::sqrt(expected(k, k));
    EXPECT_NEAR(found.frames[static_cast<std::size_t>(k)].sd_px.value_or(0.0), sd, room * sd)
        << "frame " << k;
  }
  const double scale_sd = std::sqrt(gauge.scale.dot(c * gauge.scale));
  EXPECT_NEAR(found.scale_sd, scale_sd, room * scale_sd);
}

/// Every energy gets this sd, whatever the fit thinks of the model.
FitOptions state_sd(MadeBurst& burst, double sd) {
  for (TileProfile& tile : burst.profiles.tiles) tile.noise.fill(sd);
  FitOptions options = kModelIsTrue;
  options.model_error = 1e-5;
  return options;
}

// Without noise nothing scatters, and what is left of a covariance is that of energies with the sds
// that are stated.
TEST(FocalPositions, SdsWithoutScatterAreThoseOfTheDenseNormalMatrix) {
  MadeBurst burst = with_few_tiles(
      make_burst(hand_steps(10, 0.6, 2.2, 3), {.tiles = 80, .breathing_per_px = 0.0}));
  const FitOptions options = state_sd(burst, 0.05);
  const DenseProblem problem(burst, 0.05, options);
  // Floats (6e-8) in energies, curves and sds, and what the fit adds to keep its matrices from
  // being singular, 1e-9 of the largest entry beside eigenvalues some 100 times smaller: 1e-6.
  // Positions that are up to 1e-5 px off (see above) over lengths of some px: 1e-5.
  expect_covariance(fit(burst, options), Gauge(burst.q_px),
                    problem.inverse.topLeftCorner(problem.n, problem.n), 2e-5);
}

// Some twelve tiles each in six parts of the picture, which err by the same 2 % of their energies
// in a band and frame, up on one side of a tile's depth and down on the other, as a shift of the
// frame would do; stated, 4 %. Then the parts scatter about as much as the stated sds allow for.
TEST(FocalPositions, SdsHoldWhatThePartsOfThePictureScatter) {
  constexpr std::size_t kParts = 6;
  MadeBurst burst = with_few_tiles(
      make_burst(hand_steps(10, 0.6, 2.2, 3), {.tiles = 120, .breathing_per_px = 0.0}));
  const FitOptions options = state_sd(burst, 0.04);
  // 48 parts, 8 across and 6 down: a grid of 16 x 12 tiles has four tiles in each.
  burst.profiles.grid.size = {16 * burst.profiles.grid.tile_px, 12 * burst.profiles.grid.tile_px};
  for (std::size_t t = 0; t < burst.tile_px.size(); ++t) {
    TileProfile& tile = burst.profiles.tiles[t];
    const std::size_t part = t % kParts;
    tile.col = static_cast<int>(part % 3) * 4, tile.row = static_cast<int>(part / 3) * 4;
    std::mt19937 random(static_cast<unsigned>(1 + part));
    std::normal_distribution<double> error(0.0, 0.02);
    for (auto& energies : tile.energy)
      for (std::size_t k = 0; k < energies.size(); ++k) {
        const double side = burst.q_px[k] < burst.tile_px[t] ? -1.0 : 1.0;
        energies[k] *= static_cast<float>(1.0 + side * error(random));
      }
  }
  const DenseProblem problem(burst, 0.04, options);
  const Eigen::VectorXd step = problem.inverse * (problem.slopes.transpose() * problem.off);
  const Eigen::VectorXd left = problem.off - problem.slopes * step;
  Eigen::MatrixXd pulls = Eigen::MatrixXd::Zero(step.size(), kParts);
  for (std::size_t t = 0; t < burst.tile_px.size(); ++t) {
    const auto i = static_cast<Eigen::Index>(t), part = static_cast<Eigen::Index>(t % kParts);
    pulls.col(part) += problem.slopes.middleRows(i * problem.a_tile, problem.a_tile).transpose() *
                       left.segment(i * problem.a_tile, problem.a_tile);
    // A tile's own unknowns are pulled back by what is known of them.
    const Eigen::Index own = 2 * problem.n + 4 * i;
    pulls.col(part).segment(own, 4).array() -=
        problem.prior.segment(own, 4).array() * step.segment(own, 4).array();
  }
  const Eigen::MatrixXd moved = problem.inverse * pulls;
  const Eigen::Index n = problem.n;
  const Eigen::MatrixXd plain = problem.inverse.topLeftCorner(n, n);
  const Eigen::MatrixXd scatter =
      (moved * moved.transpose()).topLeftCorner(n, n) * (kParts / (kParts - 1.0));
  const Gauge gauge(burst.q_px);
  // So that scatter is seen at all.
  EXPECT_GT(gauge.without(scatter).trace(), gauge.without(plain).trace() / 2.0);
  // Errors of up to half an sd have Cauchy weights of 0.96 to 1, and with the second derivative
  // that a sandwich might have in their place, 0.88 to 1: on average (a third of the largest
  // square) 2 to 4 % of a variance. Positions are off by up to 0.01 px over lengths of 1 px: 1 %.
  expect_covariance(fit(burst, options), gauge, plain + scatter, 0.05);
}

struct Normalised {
  double shape = 0.0;  ///< rms of a frame's error over its sd, scale taken off
  double scale = 0.0;  ///< the same of the scale
};
Normalised normalised_errors(const std::vector<double>& q, const BurstOptions& options,
                             std::size_t bursts) {
  std::vector<Normalised> squares(bursts);
  tbb::parallel_for(std::size_t{0}, bursts, [&](std::size_t i) {
    BurstOptions one = options;
    one.seed = static_cast<unsigned>(1 + i);
    const MadeBurst burst = make_burst(q, one);
    const FocalPositions found = fit(burst);
    const Agreement a = compare_frames(found, burst);
    for (std::size_t k = 0; k < q.size(); ++k) {
      const double expected = a.shift_px + a.sign * a.scale * q[k];
      squares[i].shape += std::pow((*found.frames[k].q_px - expected) / *found.frames[k].sd_px, 2);
    }
    squares[i].scale = std::pow((a.scale - 1.0) / found.scale_sd, 2);
  });
  Normalised sum;
  for (const Normalised& one : squares) sum.shape += one.shape, sum.scale += one.scale;
  // Two of the frames' errors are gone with shift and scale.
  return {std::sqrt(sum.shape / static_cast<double>(bursts * (q.size() - 2))),
          std::sqrt(sum.scale / static_cast<double>(bursts))};
}

// A variance is the sum of two: what the parts of the picture scatter by, and what single energies
// that err by themselves would make of it (m times less where the m tiles of a part err together).
// So normalised errors have an rms of sqrt(m / (m + 1)) if the parts scatter as they should, and of
// up to 1 if they scatter too little (they take part in the fit that they are held against): above
// it, sds are too small, below that, too large. m = 1 for tiles by themselves: 0.71. 96 tiles are
// 12 x 8, the parts 8 x 6: a tile shares its part with 1.5 others on average, m = 2.5: 0.85.
// Room: 30 bursts of 12 frames less shift and scale are 300 errors, 3 sd of their rms 12 %; the
// scale's 30, 39 %.
constexpr std::size_t kBursts = 30;
constexpr double kShapeRoom = 0.12, kScaleRoom = 0.39;

void expect_honest(const Normalised& errors, double m) {
  const double least = std::sqrt(m / (m + 1.0));
  EXPECT_GT(errors.shape, (1.0 - kShapeRoom) * least);
  EXPECT_LT(errors.shape, 1.0 + kShapeRoom);
  EXPECT_GT(errors.scale, (1.0 - kScaleRoom) * least);
  EXPECT_LT(errors.scale, 1.0 + kScaleRoom);
}

std::vector<double> sd_steps() { return hand_steps(12, 0.6, 2.2, 3); }

TEST(FocalPositions, SdsAreHonestWhereTilesErrByThemselves) {
  expect_honest(
      normalised_errors(sd_steps(),
                        {.tiles = 96, .scatter = 0.05, .noise = 0.01, .breathing_per_px = 0.0},
                        kBursts),
      1.0);
}

TEST(FocalPositions, SdsAreHonestWherePartsOfThePictureErrTogether) {
  expect_honest(
      normalised_errors(
          sd_steps(),
          {.tiles = 96, .common_scatter = 0.05, .noise = 0.002, .breathing_per_px = 0.0}, kBursts),
      2.5);
}

// A frame is told by few parts then.
TEST(FocalPositions, SdsAreHonestWhereDepthRunsAcrossThePicture) {
  expect_honest(normalised_errors(sd_steps(),
                                  {.tiles = 96,
                                   .relief = Relief::sloping,
                                   .common_scatter = 0.05,
                                   .noise = 0.002,
                                   .breathing_per_px = 0.0},
                                  kBursts),
                2.5);
}

}  // namespace
}  // namespace ringsweep
