// Sweeps that are hard to fit, on bursts made from known positions (tests/synthetic), with the
// options that everybody gets: each comes back within its sds, or the fit says that it cannot be
// trusted, and why. Never silently wrong. Ways to turn a ring that are no harder than usual are in
// focal_positions_test.cpp.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>
#include <string>
#include <vector>

#include "burst/difference_variance.h"
#include "ringsweep/focal_positions.h"
#include "synthetic/made_burst.h"

namespace ringsweep {
namespace {

using synthetic::Agreement;
using synthetic::BurstOptions;
using synthetic::compare_frames;
using synthetic::even_steps;
using synthetic::Fall;
using synthetic::hand_steps;
using synthetic::MadeBurst;
using synthetic::make_burst;
using synthetic::Range;

/// What a good burst is like: 5 % of each energy, 1 % of a tile's peak, tiles 10 % off their
/// mosaic, two discs that are no disc.
BurstOptions usual(BurstOptions options = {}) {
  options.disc_on_disc = FitOptions{}.disc_on_disc;
  options.scatter = 0.05;
  options.noise = 0.01;
  options.amplitude_sd = 0.1;
  return options;
}

FocalPositions fit(const MadeBurst& burst, const FitOptions& options = {}) {
  return fit_focal_positions(burst.profiles, std::vector<bool>(burst.q_px.size(), true),
                             burst.log_scale, options);
}

/// How often two frames stand in the true order, less how often not, of all pairs that are at least
/// `apart_px` apart: Kendall's tau. Nearer ones may change places by noise.
double order_tau(const FocalPositions& found, const MadeBurst& burst, double sign,
                 double apart_px) {
  double agree = 0.0, pairs = 0.0;
  for (std::size_t i = 0; i < burst.q_px.size(); ++i)
    for (std::size_t k = 0; k < i; ++k) {
      const double apart = burst.q_px[i] - burst.q_px[k];
      if (std::abs(apart) < apart_px || !found.frames[i].q_px || !found.frames[k].q_px) continue;
      const double said = sign * (*found.frames[i].q_px - *found.frames[k].q_px);
      agree += said * apart > 0.0 ? 1.0 : -1.0;
      pairs += 1.0;
    }
  return pairs > 0.0 ? agree / pairs : 1.0;
}

/// The fit is trusted, and right: frames in their order and, shift, sign and scale taken off,
/// within 4 of their sds; the scale too. (Some 300 frames are asked here: one in 60 such files has
/// one beyond 4 sd by chance, and the seeds are fixed.) And the sds are of use.
/// @param most_sd_px of the frames on the subject, from `subject.low_px` to `subject.high_px`
void expect_right(const FocalPositions& found, const MadeBurst& burst, double most_sd_px,
                  Range subject = {-1e9, 1e9}) {
  ASSERT_EQ(found.status, FitStatus::converged) << found.reason;
  const Agreement a = compare_frames(found, burst);
  EXPECT_EQ(a.count, burst.q_px.size());
  EXPECT_NEAR(a.scale, 1.0, 4.0 * found.scale_sd);
  EXPECT_EQ(order_tau(found, burst, a.sign, 0.5), 1.0);
  for (std::size_t k = 0; k < burst.q_px.size(); ++k) {
    ASSERT_TRUE(found.frames[k].q_px && found.frames[k].sd_px) << "frame " << k;
    EXPECT_NEAR(*found.frames[k].q_px, a.shift_px + a.sign * a.scale * burst.q_px[k],
                4.0 * *found.frames[k].sd_px)
        << "frame " << k;
    if (burst.q_px[k] >= subject.low_px && burst.q_px[k] <= subject.high_px) {
      EXPECT_LT(*found.frames[k].sd_px, most_sd_px) << "frame " << k;
    }
  }
}

std::vector<double> joined(std::initializer_list<std::vector<double>> parts) {
  std::vector<double> all;
  for (const auto& part : parts) all.insert(all.end(), part.begin(), part.end());
  return all;
}

/// `q` and what a hand or a subject sways by in depth.
std::vector<double> swaying(std::vector<double> q, double sd_px, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> sway(0.0, sd_px);
  for (double& at : q) at += sway(random);
  return q;
}

std::vector<double> from(double start, double step_px, std::size_t frames) {
  std::vector<double> q = even_steps(frames, step_px);
  for (double& at : q) at += start;
  return q;
}

// With 120 tiles a frame that sees some of them is known to 0.02 px (focal_positions_test.cpp), and
// the model's own error, which these options reckon with, is 0.015 px and 0.04 sqrt(d) over d px:
// some 0.05 px in the middle of a sweep and 0.15 at the ends of 20 px, times up to twice where
// tiles scatter more than they usually do.
constexpr double kUsefulPx = 0.3;

// ------------------------------------------------------------------------- ways to turn the ring

// Two thirds of the frames in two places: most tiles have most frames alike.
TEST(HardSweeps, LongPausesInTheTurn) {
  const MadeBurst burst = make_burst(
      swaying(joined({from(0, 1.5, 4), from(4.5, 0.0, 14), from(6.0, 1.5, 4), from(12.0, 0.0, 14)}),
              0.05, 1),
      usual());
  expect_right(fit(burst), burst, kUsefulPx);
}

// Half of the frames stand still in air, 6 px before the subject begins.
TEST(HardSweeps, APauseBeforeTheSubject) {
  const MadeBurst burst = make_burst(joined({from(0, 0.0, 12), from(1.5, 1.5, 12)}),
                                     usual({.subject = Range{6.0, 18.0}}));
  expect_right(fit(burst), burst, kUsefulPx, {6.0, 18.0});
}

TEST(HardSweeps, TurningBackThreeTimes) {
  const MadeBurst burst = make_burst(joined({from(0, 1.3, 7), from(6.5, -1.1, 5), from(3.2, 1.2, 8),
                                             from(10.4, -1.4, 6), from(4.5, 1.3, 10)}),
                                     usual());
  expect_right(fit(burst), burst, kUsefulPx);
}

// Begun in the middle, on to the far end, then from the near end to where it began, with a lens
// that does not breathe: no tile tells how far it is from the one end to the other.
TEST(HardSweeps, ASweepBegunInTheMiddle) {
  constexpr std::size_t kFrames = 41, kFirst = 20;
  std::vector<double> q;
  for (std::size_t k = 0; k < kFrames; ++k)
    q.push_back(2.5 * static_cast<double>((k + kFirst) % kFrames));
  const MadeBurst burst =
      make_burst(q, usual({.tiles = 600, .breathing_per_px = 0.0, .scale_noise = 1e-4}));
  const FocalPositions found = fit(burst);
  ASSERT_EQ(found.status, FitStatus::converged) << found.reason;
  const Agreement a = compare_frames(found, burst);
  EXPECT_EQ(order_tau(found, burst, a.sign, 0.5), 1.0);
  EXPECT_LT(a.shape_rms_px, 0.5);  // over 100 px: 0.04 sqrt(d)
}

// They share 2 px of depth in the middle, one frame of each sweep.
TEST(HardSweeps, TwoSweepsThatHardlyOverlap) {
  const MadeBurst burst = make_burst(joined({from(9.0, 1.3, 8), from(0.0, 1.4, 8)}), usual());
  expect_right(fit(burst), burst, kUsefulPx);
}

// The flash gave less from the second sweep on, and that was not evened out.
TEST(HardSweeps, TwoSweepsInOtherLight) {
  std::vector<double> gain(20, 0.0);
  for (std::size_t k = 10; k < 20; ++k) gain[k] = -0.4;
  const MadeBurst burst =
      make_burst(joined({from(0.0, 1.3, 10), from(0.4, 1.3, 10)}), usual({.log_gain = gain}));
  expect_right(fit(burst), burst, kUsefulPx);
}

// The allowed step is 4 px: every tile is sharp in one frame at most.
TEST(HardSweeps, EightFramesAtTheAllowedStep) {
  for (const Fall fall : {Fall::gaussian, Fall::disc_like}) {
    const MadeBurst burst = make_burst(hand_steps(8, 3.0, 4.5, 2), usual({.fall = fall}));
    expect_right(fit(burst), burst, kUsefulPx);
  }
}

// As long as the blur that counts in full (10 px) and longer: hardly a tile is seen in two frames,
// and folds of the sweep fit nearly as well. The picture's scale tells the order. Errors are those
// of the scale (some 5 % of 220 px) and, over 14 px at once, 0.04 sqrt(14) px a step.
TEST(HardSweeps, StepsSoLongThatTilesHardlyTellThem) {
  for (const unsigned seed : {1U, 3U})
    for (const Fall fall : {Fall::gaussian, Fall::disc_like}) {
      const MadeBurst burst =
          make_burst(hand_steps(28, 3.0, 14.0, seed),
                     usual({.tiles = 400, .seed = seed, .fall = fall, .scale_noise = 1e-4}));
      const FocalPositions found = fit(burst);
      ASSERT_EQ(found.status, FitStatus::converged) << seed << ": " << found.reason;
      const Agreement a = compare_frames(found, burst);
      EXPECT_EQ(a.count, burst.q_px.size());
      EXPECT_NEAR(a.scale, 1.0, 0.05) << seed;
      EXPECT_EQ(order_tau(found, burst, a.sign, 0.5), 1.0) << seed;
      EXPECT_LT(a.shape_rms_px, 1.0) << seed;
    }
}

// A tenth of a px apart. Neighbours change places by noise; nothing 0.5 px apart does.
TEST(HardSweeps, ThreeHundredFrames) {
  const MadeBurst burst = make_burst(hand_steps(300, 0.02, 0.15, 4), usual({.tiles = 60}));
  expect_right(fit(burst), burst, kUsefulPx);
}

// ------------------------------------------------------------------------- a jump

/// 20 px at once: of what lies between, nothing is nearer than 10 px to a frame.
std::vector<double> with_jump() { return joined({from(0, 1.4, 8), from(29.8, 1.4, 8)}); }

// Only what lies on its two sides tells how wide the jump is, over blurs of 20 px and more, of
// which less than the noise of 1 % is left (e^-(0.03 x 400)). The fit may not be sure of it.
TEST(HardSweeps, AJumpOf20PxOverAirIsNotKnownOrNotTrusted) {
  const MadeBurst burst = make_burst(with_jump(), usual({.no_subject = {{10.0, 29.6}}}));
  const FocalPositions found = fit(burst);
  if (found.status != FitStatus::converged) {
    EXPECT_FALSE(found.reason.empty());
    return;
  }
  expect_right(found, burst, 99.0);
}

// ... while what lies inside is seen from both sides, 10 px blurred: e^-(0.03 x 100) = 5 %.
TEST(HardSweeps, AJumpOf20PxOverTheSubject) {
  for (const Fall fall : {Fall::gaussian, Fall::disc_like}) {
    const MadeBurst burst = make_burst(with_jump(), usual({.tiles = 240, .fall = fall}));
    expect_right(fit(burst), burst, 1.0);
  }
}

// What a long step errs by as a whole goes with what it is longer than 4 px, 4 and 8 px here: that
// is known of neighbours, and of each against the mean of all.
TEST(HardSweeps, TheErrorOfAStepGrowsWithItsLength) {
  const MadeBurst burst = make_burst(
      joined({from(0, 2.0, 6), from(18.0, 2.0, 6), from(40.0, 2.0, 6)}), usual({.tiles = 400}));
  FitOptions without;
  without.model_long_step = 0.0;
  const FocalPositions found = fit(burst), bare = fit(burst, without);
  const auto added = [&](std::size_t first) {
    return difference_variance_px2(found, first, first + 1) -
           difference_variance_px2(bare, first, first + 1);
  };
  ASSERT_GT(added(5), 0.0);
  EXPECT_EQ(added(2), 0.0);
  // Fitted steps are 1 or 2 % off, what they are longer than 4 px by twice that, its square by four
  // times.
  EXPECT_NEAR(added(11), 4.0 * added(5), 0.15 * 4.0 * added(5));
  for (std::size_t k = 0; k < burst.q_px.size(); ++k) {
    EXPECT_GT(*found.frames[k].sd_px, *bare.frames[k].sd_px) << "frame " << k;
    EXPECT_FALSE(found.frames[k].vague) << "frame " << k;
  }
}

TEST(HardSweeps, NoStepErrsByMoreThanAShareOfItself) {
  const MadeBurst burst =
      make_burst(joined({from(0, 2.0, 8), from(24.0, 2.0, 8)}), usual({.tiles = 400}));
  FitOptions mistrusted;
  mistrusted.model_long_step = 1e6;
  const FocalPositions found = fit(burst, mistrusted);
  const double step_px = *found.frames[8].q_px - *found.frames[7].q_px;
  const double added = difference_variance_px2(found, 7, 8) - scatter_variance_px2(found, 7, 8);
  EXPECT_NEAR(std::sqrt(added), mistrusted.most_long_step * (step_px - 4.0), 1e-9);
}

// ------------------------------------------------------------------------- subjects

// Frames up to 9 px off on both sides: nothing but the picture's scale says on which, and that says
// it (0.002 a px, against registration's 1e-4).
TEST(HardSweeps, ASubjectThreePxDeep) {
  const MadeBurst burst =
      make_burst(from(0, 1.1, 20), usual({.subject = Range{9.0, 12.0}, .scale_noise = 1e-4}));
  expect_right(fit(burst), burst, kUsefulPx, {6.0, 15.0});
}

// Without breathing, both sides look alike from a subject without depth. Three px of it do tell.
TEST(HardSweeps, ASubjectThreePxDeepAndALensThatDoesNotBreathe) {
  const MadeBurst burst =
      make_burst(from(0, 1.1, 20), usual({.subject = Range{9.0, 12.0}, .breathing_per_px = 0.0}));
  expect_right(fit(burst), burst, kUsefulPx, {6.0, 15.0});
}

enum class Backdrop {
  blurred,  ///< so far away that its blur hardly changes
  equal     ///< equally sharp in all frames, as a reflection or dust on the sensor
};

/// `per_tile` tiles of background for each of the subject, in the rows below it.
MadeBurst with_backdrop(MadeBurst burst, Backdrop backdrop, std::size_t per_tile) {
  std::mt19937 random(5);
  std::normal_distribution<double> scatter(0.0, 0.03);
  const std::size_t subject = burst.profiles.tiles.size(), n = burst.q_px.size();
  const int across = burst.profiles.grid.cols(), down = burst.profiles.grid.rows();
  for (std::size_t i = 0; i < per_tile * subject; ++i) {
    TileProfile tile = burst.profiles.tiles[i % subject];
    tile.row = down + static_cast<int>(i) / across, tile.col = static_cast<int>(i) % across;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      for (std::size_t k = 0; k < n; ++k) {
        // A far one fades by 2 % over the sweep.
        const double fading = backdrop == Backdrop::blurred
                                  ? 0.02 * static_cast<double>(k) / static_cast<double>(n)
                                  : 0.0;
        tile.energy[j][k] = static_cast<float>(1.0 - fading + scatter(random));
      }
      if (backdrop == Backdrop::blurred)  // more blur changes little
        for (float& y : tile.log_curve[j]) y *= 0.02F;
    }
    tile.peak_frame =
        static_cast<std::size_t>(std::ranges::max_element(tile.energy[0]) - tile.energy[0].begin());
    burst.profiles.tiles.push_back(tile);
    burst.tile_px.push_back(0.0), burst.one_depth.push_back(false);
  }
  burst.profiles.grid.size.height =
      (burst.profiles.tiles.back().row + 1) * burst.profiles.grid.tile_px;
  return burst;
}

// 60 tiles of the some 2000 that a picture has, and nothing else in it has texture.
TEST(HardSweeps, ASubjectThatFillsThreePercent) {
  const MadeBurst burst = make_burst(hand_steps(20, 0.6, 2.2, 3), usual({.tiles = 60}));
  expect_right(fit(burst), burst, kUsefulPx);
}

// The same before a background of 32 times its area.
TEST(HardSweeps, ASubjectThatFillsThreePercentBeforeAFarBackground) {
  const MadeBurst burst = with_backdrop(
      make_burst(hand_steps(20, 0.6, 2.2, 3), usual({.tiles = 60})), Backdrop::blurred, 32);
  expect_right(fit(burst), burst, kUsefulPx);
}

// As many tiles that are sharp whatever the ring does: they say that it was not turned. Right, or
// not trusted.
TEST(HardSweeps, HalfOfThePictureIsEquallySharpInAllFrames) {
  const MadeBurst burst = with_backdrop(
      make_burst(hand_steps(20, 0.6, 2.2, 3), usual({.tiles = 120})), Backdrop::equal, 1);
  const FocalPositions found = fit(burst);
  if (found.status != FitStatus::converged) {
    EXPECT_FALSE(found.reason.empty());
    return;
  }
  expect_right(found, burst, kUsefulPx);
}

// ------------------------------------------------------------------------- order, and none

// The order of the frames says nothing: positions are those of the frames as they were shot. Their
// sds are the same too, but for sums in another order: both to the fit's own end, 2e-3 px.
TEST(HardSweeps, ShuffledFramesLieWhereTheyLay) {
  const std::vector<double> q = hand_steps(24, 0.6, 2.2, 3);
  std::vector<std::size_t> order(q.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::ranges::shuffle(order, std::mt19937(9));
  const MadeBurst plain = make_burst(q, usual());
  MadeBurst shuffled = plain;
  for (std::size_t i = 0; i < order.size(); ++i) {
    shuffled.q_px[i] = plain.q_px[order[i]];
    shuffled.log_scale[i] = plain.log_scale[order[i]];
  }
  for (std::size_t t = 0; t < plain.profiles.tiles.size(); ++t) {
    const TileProfile& before = plain.profiles.tiles[t];
    TileProfile& tile = shuffled.profiles.tiles[t];
    for (std::size_t i = 0; i < order.size(); ++i) {
      for (std::size_t j = 0; j < kNumBands; ++j) tile.energy[j][i] = before.energy[j][order[i]];
      if (order[i] == before.peak_frame) tile.peak_frame = i;
    }
  }
  const FocalPositions a = fit(plain), b = fit(shuffled);
  expect_right(b, shuffled, kUsefulPx);
  const double sign = compare_frames(a, plain).sign * compare_frames(b, shuffled).sign;
  for (std::size_t i = 0; i < order.size(); ++i) {
    EXPECT_NEAR(*b.frames[i].q_px, sign * *a.frames[order[i]].q_px, 2e-3) << "frame " << i;
    EXPECT_NEAR(*b.frames[i].sd_px, *a.frames[order[i]].sd_px, 2e-3) << "frame " << i;
  }
}

// Nothing turns, but the subject sways (16 frames, 0.4 px from the first to the last in depth), and
// the picture's scale and light change. Less than a px is no sweep.
TEST(HardSweeps, ARingThatStandsStillWhileAllElseChanges) {
  std::vector<double> gain;
  for (std::size_t k = 0; k < 16; ++k) gain.push_back(-0.03 * static_cast<double>(k));
  const std::vector<double> q = swaying(std::vector<double>(16, 0.0), 0.1, 3);
  for (const Range subject : {Range{-6.0, 6.0}, Range{1.0, 7.0}}) {
    const MadeBurst burst =
        make_burst(q, usual({.subject = subject, .log_gain = gain, .scale_noise = 1e-3}));
    const FocalPositions found = fit(burst);
    EXPECT_EQ(found.status, FitStatus::no_sweep)
        << "from " << subject.low_px << ' ' << found.reason;
    EXPECT_FALSE(found.reason.empty());
  }
}

}  // namespace
}  // namespace ringsweep
