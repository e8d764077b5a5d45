// A lens learnt from pictures: made by the burst maker, which turns its ring by the thin lens and
// draws defocus by it, so that degrees per mm are known. And the lens learnt, at work.
#include "ringsweep/learn_lens.h"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "analysed.h"
#include "app/scratch_folder.h"
#include "maker/burst.h"

namespace ringsweep {
namespace {

using main_job::analysed;
using testing_app::ScratchFolder;

struct Ring {
  maker::Focusing focusing;
  FocusBy focus_by;
  double magnification;
  Side larger;  ///< by DESIGN section 3
};

class LearntFromPictures : public ::testing::TestWithParam<Ring> {};

// f = 60 mm, pupil 15 mm, pitch 20 um: a quarter wave is 0.3 to 0.7 px, too little to be drawn. 10
// degrees a mm. The degrees are as good as the burst's scale
// of distances, and that is to be right within 4 of its sds (in pictures of this size about 3 %;
// by chance beyond in 1 of 16,000) and anyway within the 10 % that frames for the same turn are
// allowed.
TEST_P(LearntFromPictures, DegreesAndSideAreThoseOfTheMaker) {
  constexpr double kDegreesPerMm = 10.0;
  const Ring ring = GetParam();
  maker::Recipe recipe;
  recipe.seed = 7;
  recipe.hand_seed = 3;
  recipe.width_px = 432;
  recipe.height_px = 324;
  recipe.optics.pupil_mm = 15.0;
  recipe.optics.pitch_mm = 0.020;
  recipe.optics.v_ref_mm = 60.0 * (1.0 + ring.magnification);
  recipe.optics.focusing = ring.focusing;
  maker::Sweep sweep;
  sweep.from_px = 10.0, sweep.to_px = -10.0;
  recipe.sweeps = {sweep};
  const ScratchFolder folder;
  const auto truth = maker::write_burst(recipe, folder.path());
  ASSERT_TRUE(truth) << truth.error().problem;
  const double v_first = (*truth)["frames"].front()["v_mm"];
  const double v_last = (*truth)["frames"].back()["v_mm"];

  AnalysisOptions options;
  options.first_end = Side::near;
  options.lens = {.working_f_number = recipe.optics.v_ref_mm / recipe.optics.pupil_mm,
                  .pitch_um = 20.0,
                  .magnification = ring.magnification,
                  .focus_by = ring.focus_by};
  const BurstAnalysis burst = analysed(folder.path(), 1, options);
  const auto lesson = learn_lens(burst, kDegreesPerMm * std::abs(v_first - v_last));
  ASSERT_TRUE(lesson) << one_line(lesson.error());
  ASSERT_FALSE(lesson->ends_left_out) << "the truth's turn is that of all frames";
  const double error = lesson->lens.degrees_per_mm - kDegreesPerMm;
  RecordProperty("degrees_per_mm", std::to_string(lesson->lens.degrees_per_mm));
  RecordProperty("sd", std::to_string(lesson->lens.degrees_per_mm_sd));
  EXPECT_LT(std::abs(error), 4.0 * lesson->lens.degrees_per_mm_sd);
  EXPECT_LT(std::abs(error), 0.1 * kDegreesPerMm);
  ASSERT_EQ(lesson->lens.sides.size(), 1U);
  EXPECT_EQ(lesson->lens.sides[0].larger_picture, ring.larger);

  // From then on nobody has to say which end is near.
  options.first_end.reset();
  options.larger_picture = larger_picture(lesson->lens, ring.magnification, ring.focus_by);
  options.lens.degrees_per_mm = lesson->lens.degrees_per_mm;
  const BurstAnalysis later = analysed(folder.path(), 1, options);
  EXPECT_EQ(later.near_side.from, NearSideSource::lens);
  EXPECT_FALSE(later.sweeps.empty() || later.sweeps.front().rising) << "it began near";
  EXPECT_TRUE(ring_step(later.advice.step_px, later.ring).turn_deg);
}

INSTANTIATE_TEST_SUITE_P(
    Rings, LearntFromPictures,
    ::testing::Values(Ring{maker::Focusing::body_fixed, FocusBy::lens, 0.5, Side::near},
                      Ring{maker::Focusing::body_fixed, FocusBy::lens, 2.0, Side::far},
                      Ring{maker::Focusing::lens_fixed, FocusBy::body, 1.25, Side::near}));

}  // namespace
}  // namespace ringsweep
