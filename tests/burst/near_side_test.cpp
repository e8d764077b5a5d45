// Which way positions grow: who is believed, and what is turned round with it.
#include "ringsweep/near_side.h"

#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>
#include <vector>

#include "positions.h"

namespace ringsweep {
namespace {

TEST(WeighNearSide, TheUsersWordIsTheSweepsDirection) {
  for (const bool rises : {true, false}) {
    const NearSide from_far = weigh_near_side({.first_end = Side::far, .first_sweep_rises = rises});
    EXPECT_EQ(from_far.from, NearSideSource::user);
    EXPECT_EQ(from_far.probability, rises ? 1.0 : 0.0);
    const NearSide from_near =
        weigh_near_side({.first_end = Side::near, .first_sweep_rises = rises});
    EXPECT_EQ(from_near.probability, rises ? 0.0 : 1.0);
    EXPECT_FALSE(from_near.contradicted) << "the pictures say nothing";
  }
}

TEST(WeighNearSide, TheUserWinsOverTheLensAndTheLensOverThePicture) {
  NearSideClues clues{.first_end = Side::far, .lens = 0.001, .picture = 0.999};
  EXPECT_EQ(weigh_near_side(clues).from, NearSideSource::user);
  clues.first_end.reset();
  EXPECT_EQ(weigh_near_side(clues).from, NearSideSource::lens);
  EXPECT_TRUE(weigh_near_side(clues).contradicted);
  clues.lens = 0.5;
  EXPECT_EQ(weigh_near_side(clues).from, NearSideSource::picture);
  EXPECT_EQ(weigh_near_side(clues).probability, 0.999);
}

TEST(WeighNearSide, OnlyStrongEvidenceContradicts) {
  NearSideClues clues{.first_end = Side::near, .picture = 0.9951};
  EXPECT_TRUE(weigh_near_side(clues).contradicted);
  clues.picture = 0.9949;
  EXPECT_FALSE(weigh_near_side(clues).contradicted);
  clues.picture = 0.0049;
  EXPECT_FALSE(weigh_near_side(clues).contradicted) << "they agree";
}

TEST(WeighNearSide, WeakEvidenceIsNone) {
  for (const double p : {0.0051, 0.5, 0.9949}) {
    const NearSide side = weigh_near_side({.picture = p});
    EXPECT_FALSE(side.known()) << p;
    EXPECT_EQ(side.probability, p);
  }
  for (const double p : {0.0049, 0.9951})
    EXPECT_EQ(weigh_near_side({.picture = p}).from, NearSideSource::picture) << p;
}

TEST(GrownTowardsNear, TurnsFramesTilesAndProbability) {
  FocalPositions focus = frames_at({-3.0, 1.0, 2.0});
  forget(focus, 1);
  focus.tiles = {{.q_px = 4.0, .weight = 0.5}};
  focus.covariance_px2(0, 2) = 0.25;
  NearSide side{.from = NearSideSource::picture, .probability = 0.001};
  const FocalPositions turned = grown_towards_near(focus, side);
  EXPECT_EQ(turned.frames[0].q_px, 3.0);
  EXPECT_FALSE(turned.frames[1].q_px);
  EXPECT_EQ(turned.frames[2].q_px, -2.0);
  EXPECT_EQ(turned.tiles[0].q_px, -4.0);
  EXPECT_EQ(turned.covariance_px2(0, 2), 0.25);
  EXPECT_DOUBLE_EQ(side.probability, 0.999);
}

TEST(GrownTowardsNear, LeavesWhatIsRightOrUnknown) {
  const FocalPositions focus = frames_at({-3.0, 2.0});
  NearSide right{.from = NearSideSource::picture, .probability = 0.999};
  EXPECT_EQ(grown_towards_near(focus, right).frames[0].q_px, -3.0);
  NearSide unknown{.probability = 0.1};
  EXPECT_EQ(grown_towards_near(focus, unknown).frames[0].q_px, -3.0);
  EXPECT_EQ(unknown.probability, 0.1);
}

TEST(LensTells, AScaleThatFollowsThePositionsIsSure) {
  const FocalPositions focus = frames_at(evenly(-10.0, 10.0, 21));
  std::vector<double> scale;
  for (const double q : evenly(-10.0, 10.0, 21)) scale.push_back(2e-3 * q);
  EXPECT_GT(lens_tells(focus, scale, Side::near), 0.999);
  EXPECT_LT(lens_tells(focus, scale, Side::far), 0.001);
  for (double& s : scale) s = -s;
  EXPECT_LT(lens_tells(focus, scale, Side::near), 0.001);
}

TEST(LensTells, AScaleThatOnlyScattersTellsNothing) {
  const FocalPositions focus = frames_at(evenly(-10.0, 10.0, 20));
  std::vector<double> scale;
  for (int k = 0; k < 20; ++k) scale.push_back(k % 2 == 0 ? 1e-3 : -1e-3);
  const double p = lens_tells(focus, scale, Side::near);
  EXPECT_GT(p, 0.1);
  EXPECT_LT(p, 0.9);
  EXPECT_EQ(lens_tells(frames_at({0.0, 1.0, 2.0}), std::vector{0.0, 1.0, 2.0}, Side::near), 0.5);
  EXPECT_THROW((void)lens_tells(focus, std::vector{0.0}, Side::near), std::invalid_argument);
}

DepthEdge edge_at(int x, int y, double higher_near) {
  return {
      .at = {x, y}, .jump_px = 8.0, .contrast = 0.5, .explained = 0.95, .higher_near = higher_near};
}

TEST(EdgesTell, NoEdgeSaysNothingAndSignsMirror) {
  EXPECT_EQ(edges_tell({}), 0.5);
  const std::vector edges{edge_at(10, 10, 0.8), edge_at(100, 10, 0.7), edge_at(200, 90, -0.2)};
  std::vector<DepthEdge> turned = edges;
  for (DepthEdge& e : turned) e.higher_near = -e.higher_near;
  EXPECT_GT(edges_tell(edges), 0.5);
  EXPECT_NEAR(edges_tell(edges) + edges_tell(turned), 1.0, 1e-15);
}

TEST(EdgesTell, EdgesOfOnePartErrTogether) {
  const std::vector<DepthEdge> one_part(500, edge_at(20, 20, 3.0));
  EXPECT_LT(edges_tell(one_part), 0.995) << "however many";
  std::vector<DepthEdge> parts;
  for (int i = 0; i < 500; ++i) parts.push_back(edge_at(20 + 60 * (i % 5), 20, 3.0));
  EXPECT_GT(edges_tell(parts), 0.995);
}

// The rims of a round body are such: on rendered bursts begun too late four alone said the wrong.
TEST(EdgesTell, EdgesThatStandAloneTellLittle) {
  std::vector<DepthEdge> alone;
  for (int i = 0; i < 4; ++i) alone.push_back(edge_at(20 + 60 * i, 20, 3.0));
  EXPECT_GT(edges_tell(alone), 0.5);
  EXPECT_LT(edges_tell(alone), 0.98) << "from there on an end counts as the far one";
}

TEST(EdgesTell, EdgesThatHideNothingTellLittle) {
  const auto told = [](double seen_across) {
    std::vector<DepthEdge> edges;
    for (int i = 0; i < 4; ++i) edges.push_back(edge_at(20 + 60 * i, 20, 3.0));
    for (DepthEdge& e : edges) e.seen_across = seen_across;
    return edges_tell(edges);
  };
  EXPECT_EQ(told(-0.2), told(0.0)) << "noise";
  EXPECT_LT(told(0.3), told(0.0));
  EXPECT_LT(told(1.0), 0.6);
  EXPECT_GT(told(1.0), 0.5);
}

TEST(EdgesTell, WhatIsNoStepDoesNotCount) {
  DepthEdge vague = edge_at(10, 10, 1.0), pale = vague;
  vague.explained = 0.5;
  pale.contrast = 0.01;
  EXPECT_EQ(edges_tell(std::vector{vague, pale}), 0.5);
}

/// Contrasts on straight lines, each with its gain from the first frame to the last.
/// @param beside N - 1, of every part beside its line.
Background background(const std::vector<double>& gains, std::vector<double> beside = {}) {
  if (beside.empty()) beside.assign(8, 0.0);
  const std::size_t frames = beside.size() + 1;
  Background made;
  for (std::size_t k = 0; k < frames; ++k) made.q_px.push_back(0.5 * static_cast<double>(k));
  for (const double gain : gains) {
    made.parts.emplace_back();
    for (std::size_t i = 0; i < beside.size(); ++i) {
      const double along = (static_cast<double>(i) + 1.0) / static_cast<double>(frames - 1) - 0.5 -
                           0.5 / static_cast<double>(frames - 1);
      made.parts.back().contrast.push_back(1.0 + gain * along + beside[i]);
    }
  }
  return made;
}

Background background_parts(std::size_t count, double gain, std::vector<double> beside = {}) {
  return background(std::vector<double>(count, gain), std::move(beside));
}

TEST(BackgroundTells, FewPartsSayNothingAndSignsMirror) {
  EXPECT_EQ(background_tells({}), 0.5);
  EXPECT_EQ(background_tells(background_parts(5, -1.0)), 0.5);
  const double p = background_tells(background({-0.4, -0.3, -0.5, 0.1, -0.3, -0.4}));
  const double turned = background_tells(background({0.4, 0.3, 0.5, -0.1, 0.3, 0.4}));
  EXPECT_GT(p, 0.9);
  EXPECT_NEAR(p + turned, 1.0, 1e-12);
}

TEST(BackgroundTells, FewFramesSayNothingAndEachPairHasItsContrast) {
  EXPECT_EQ(background_tells(background_parts(9, -1.0, {0, 0, 0})), 0.5);
  EXPECT_GT(background_tells(background_parts(9, -1.0, {0, 0, 0, 0})), 0.995);
  Background uneven = background_parts(9, -1.0);
  uneven.parts[3].contrast.pop_back();
  EXPECT_THROW((void)background_tells(uneven), std::invalid_argument);
}

/// The logistic curve at `mean` over the sd, with the sd of 0.05 that no scatter shows.
double sure(double mean, double variance) {
  return 1.0 / (1.0 + std::exp(1.702 * mean / std::sqrt(variance + 0.05 * 0.05)));
}

TEST(BackgroundTells, IsSureByHowFarTheMeanIsFromNoneInSds) {
  // Mean -0.25, scatter's sd of the mean 0.1; the common sd of 0.05 beside it. Normal distribution:
  // 0.98733 (Abramowitz and Stegun 1964, table 26.1); the logistic curve is within 0.01 of it.
  const double sd = 0.1 * std::sqrt(9.0);  // of +-sd about the mean, ten of them
  std::vector<double> gains;
  for (int i = 0; i < 10; ++i) gains.push_back(-0.25 + (i % 2 == 0 ? sd : -sd));
  EXPECT_NEAR(background_tells(background(gains)), 0.98733, 0.01);
  EXPECT_NEAR(background_tells(background(gains)), sure(-0.25, 0.1 * 0.1), 1e-12);
}

TEST(BackgroundTells, WhatSwaysAllPartsAlikeIsNotTakenForCertain) {
  EXPECT_LT(background_tells(background_parts(1000, -0.1)), 0.995) << "however many";
}

TEST(BackgroundTells, WhatWandersFromFrameToFrameIsLessCertain) {
  // Eight pairs, places -3.5 to 3.5 of a step, spread 42; the range is 8 steps. Beside the line a
  // times 1, -1, -1, 1, 1, -1, -1, 1, which has no slope of its own.
  // Newey and West (1987) by hand: neighbours count by 2/3, the next by 1/3. What each adds, as 42
  // of a: -3.5, 2.5, 1.5, -0.5, 0.5, -1.5, -2.5, 3.5. Squares 42; products of neighbours -11.75, of
  // the next -11.5; and 8 / 6 for the line.
  // Hausman (1978): within halves no slope either; within thirds (2, 3 and 3 pairs, spread 4.5) it
  // is (-1 + 2 + 2) / 4.5.
  constexpr double kGain = -0.5, kA = 0.1, kRange = 8.0;
  const double together =
      (42.0 - 2.0 * (2.0 / 3.0 * 11.75 + 1.0 / 3.0 * 11.5)) / (42.0 * 42.0) * 8.0 / 6.0;
  const double misfit = std::pow(3.0 / 4.5, 2) / (42.0 / 4.5 - 1.0);
  const double variance = std::pow(kA * kRange, 2) * (together + misfit);
  EXPECT_NEAR(background_tells(background_parts(9, kGain, {kA, -kA, -kA, kA, kA, -kA, -kA, kA})),
              sure(kGain, variance), 1e-12);
}

TEST(BackgroundTells, WhatComesOnceIsNoLine) {
  // A step: over the sweep the line is steep, within halves it is level.
  const double p = background_tells(background_parts(20, 0.0, {0, 0, 0, 0, 0, 1, 1, 1, 1, 1}));
  EXPECT_LT(p, 0.5);
  EXPECT_GT(p, 0.005);
  EXPECT_LT(background_tells(background_parts(20, 1.5)), 0.005) << "a line of its size";
}

TEST(PictureTells, BothCluesAddTheirOdds) {
  const std::vector<DepthEdge> edges{edge_at(10, 10, 0.8)};
  const Background for_it = background_parts(9, -0.1), against = background_parts(9, 0.1);
  const double e = edges_tell(edges), b = background_tells(for_it);
  EXPECT_NEAR(picture_tells(edges, for_it), e * b / (e * b + (1.0 - e) * (1.0 - b)), 1e-12);
  EXPECT_LT(picture_tells(edges, against), e);
  EXPECT_EQ(picture_tells({}, {}), 0.5);
  EXPECT_NEAR(picture_tells(edges, {}), e, 1e-12);
}

}  // namespace
}  // namespace ringsweep
