// Scenes, the best burst of each, and the words for a session. Analyses made by hand.
#include "ringsweep/session.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

/// What a reference frame looks like: random detail from a seed.
Thumbnail look(std::uint64_t seed) {
  cv::RNG random(seed);
  cv::Mat1f picture(96, 128);
  random.fill(picture, cv::RNG::UNIFORM, 0.05, 0.9);
  cv::Mat smooth;
  cv::blur(picture, smooth, {9, 9});
  return make_thumbnail(smooth);
}

BurstAnalysis shows(BurstAnalysis burst, std::uint64_t seed) {
  burst.look = look(seed);
  return burst;
}

TEST(Scenes, AreTheBurstsThatShowTheSame) {
  const std::vector<BurstAnalysis> bursts{
      shows(made::gapped_burst(), 1), shows(made::complete_burst(1401), 2),
      shows(made::complete_burst(1501), 1), shows(made::gapped_burst(), 1)};
  const std::vector<Scene> scenes = group_scenes(bursts);
  ASSERT_EQ(scenes.size(), 2U);
  EXPECT_THAT(scenes[0].bursts, ElementsAre(0U, 2U, 3U));
  EXPECT_EQ(scenes[0].best, 2U);
  EXPECT_EQ(scenes[0].verdict, VerdictKind::complete);
  EXPECT_THAT(scenes[1].bursts, ElementsAre(1U));
}

TEST(Scenes, BurstsWithoutAPictureStayAlone) {
  const std::vector<BurstAnalysis> bursts{made::complete_burst(), made::complete_burst()};
  EXPECT_EQ(group_scenes(bursts).size(), 2U);
  EXPECT_TRUE(group_scenes({}).empty());
}

TEST(Scenes, OfTwoThatLackSomethingTheOneThatLacksLessIsBetter) {
  BurstAnalysis wide = made::gapped_burst(), narrow = made::gapped_burst();
  narrow.verdict.reasons[0].width_px = 6.0;
  EXPECT_TRUE(better(narrow, wide));
  EXPECT_FALSE(better(wide, narrow));
  EXPECT_FALSE(better(wide, wide));
  EXPECT_TRUE(better(made::complete_burst(), narrow));
}

/// Two bursts with a gap each, as one burst: frames of both, complete by its sweeps.
BurstAnalysis whole_of(const std::vector<BurstAnalysis>& bursts) {
  BurstAnalysis whole = made::complete_burst();
  whole.frames.clear();
  whole.sweeps.clear();
  for (const BurstAnalysis& burst : bursts) {
    Sweep sweep = burst.sweeps.front();
    sweep.first = whole.frames.size();
    whole.frames.insert(whole.frames.end(), burst.frames.begin(), burst.frames.end());
    sweep.last = whole.frames.size() - 1;
    whole.complete_sweeps.push_back(whole.sweeps.size());
    whole.sweeps.push_back(sweep);
  }
  return whole;
}

TEST(Scenes, BurstsThatAreCompleteTogetherMakeTheSceneComplete) {
  const std::vector<BurstAnalysis> bursts{shows(made::gapped_burst(), 1),
                                          shows(made::gapped_burst(), 1),
                                          shows(made::gapped_burst(), 1)};
  const std::vector<Scene> scenes = group_scenes(bursts);
  ASSERT_EQ(scenes.size(), 1U);
  ASSERT_TRUE(may_be_together(bursts, scenes[0]));
  BurstAnalysis whole = whole_of(bursts);
  whole.complete_sweeps = {0, 2};
  const Scene scene = judged_together(scenes[0], bursts, whole);
  EXPECT_THAT(scene.together, ElementsAre(0U, 2U));
  EXPECT_EQ(scene.verdict, VerdictKind::complete);
  ASSERT_TRUE(scene.whole);
  EXPECT_EQ(scene.whole->frames.size(), whole.frames.size());
  const std::string text = scenes_text(bursts, std::vector{scene});
  EXPECT_THAT(text, HasSubstr("none is complete alone"));
  EXPECT_THAT(text, HasSubstr("--as-one"));
}

TEST(Scenes, AWholeThatIsNotCompleteOrNotAllOfItChangesNothing) {
  const std::vector<BurstAnalysis> bursts{shows(made::gapped_burst(), 1),
                                          shows(made::gapped_burst(), 1)};
  const Scene scene = group_scenes(bursts)[0];
  BurstAnalysis whole = whole_of(bursts);
  whole.verdict.kind = VerdictKind::reshoot;
  EXPECT_TRUE(judged_together(scene, bursts, whole).together.empty());
  EXPECT_FALSE(judged_together(scene, bursts, whole).whole);
  whole = whole_of({bursts[0]});
  EXPECT_EQ(judged_together(scene, bursts, whole).verdict, scene.verdict);
}

TEST(Scenes, OneThatHasACompleteBurstNeedsNoOther) {
  const std::vector<BurstAnalysis> bursts{shows(made::gapped_burst(), 1),
                                          shows(made::complete_burst(1401), 1)};
  EXPECT_FALSE(may_be_together(bursts, group_scenes(bursts)[0]));
}

TEST(SessionText, SaysHowManyAreCompleteAndWhyOthersAreNot) {
  BurstAnalysis late = made::with_reasons(made::complete_burst(1601), VerdictKind::reshoot,
                                          {made::reason(ReasonKind::open_end)});
  late.verdict.reasons[0].at_start = true;
  late.sweeps.front().verdict = late.verdict;
  const std::vector<BurstAnalysis> bursts{shows(made::gapped_burst(), 1),
                                          shows(made::complete_burst(1401), 1), shows(late, 2)};
  const std::string text = session_text(bursts, group_scenes(bursts));
  EXPECT_THAT(text, HasSubstr("1 of 2 scenes, 1 of 3 bursts and 1 of 3 sweeps complete."));
  EXPECT_THAT(text, HasSubstr("the ring went too far from one frame to the next in 1 burst"));
  EXPECT_THAT(text, HasSubstr("and the sweep began too\n  late in 1 burst"));
  EXPECT_THAT(text, Not(HasSubstr("Towards the end")));  // three bursts show no trend
  EXPECT_THAT(scenes_text(bursts, group_scenes(bursts)),
              HasSubstr("the best so far is 1401 to 1425; it is complete"));
}

TEST(SessionText, SaysWhetherTheHandBecameBetter) {
  std::vector<BurstAnalysis> bursts(4, made::complete_burst());
  for (std::size_t i = 0; i < 2; ++i)
    for (Step& step : bursts[i].coverage.steps) step.width_px *= 1.5;
  EXPECT_THAT(session_text(bursts, group_scenes(bursts)),
              HasSubstr("turned less far per frame: better"));
  std::swap(bursts[0], bursts[2]);
  std::swap(bursts[1], bursts[3]);
  EXPECT_THAT(session_text(bursts, group_scenes(bursts)), HasSubstr("slow down"));
}

}  // namespace
}  // namespace ringsweep
