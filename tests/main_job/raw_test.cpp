// The same burst as the camera's JPEG and as its raw file: made by this project's burst maker, one
// sensor, one noise, and analysed from files to the verdict.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <string>
#include <vector>

#include "analysed.h"
#include "app/scratch_folder.h"
#include "maker/burst.h"

namespace ringsweep {
namespace {

using main_job::analysed;
using testing_app::ScratchFolder;

/// The beetle of the samples, half as large; blur of 1 px is 0.0272 mm.
maker::Recipe burst(bool with_gap) {
  maker::Recipe recipe;
  recipe.seed = 7;
  recipe.hand_seed = 5;
  recipe.width_px = 640;
  recipe.height_px = 480;
  recipe.optics.pitch_mm = 0.0272;
  maker::Sweep sweep;
  sweep.from_px = 11.0, sweep.to_px = -11.0;
  if (with_gap) sweep.jumps.push_back({.at_px = -1.0, .width_px = 7.0});
  recipe.sweeps = {sweep};
  recipe.sensor.mosaic = true;
  return recipe;
}

BurstAnalysis shot(maker::Recipe recipe, maker::FileFormat format, double preview = 0.0) {
  const ScratchFolder folder;
  recipe.sensor.format = format;
  recipe.sensor.preview = preview;
  const auto truth = maker::write_burst(recipe, folder.path());
  EXPECT_TRUE(truth) << truth.error().problem;
  return analysed(folder.path());
}

/// Positions agree where, shift and sign taken off, no two differ by more than 4 of their sds and 2
/// of those of both scales: what one of 15,000 does by chance.
void expect_the_same(const BurstAnalysis& jpeg, const BurstAnalysis& raw) {
  EXPECT_EQ(raw.full_size, jpeg.full_size);
  EXPECT_FALSE(raw.too_small);
  EXPECT_EQ(raw.verdict.kind, jpeg.verdict.kind);
  ASSERT_EQ(raw.coverage.gaps.size(), jpeg.coverage.gaps.size());
  ASSERT_EQ(raw.frames.size(), jpeg.frames.size());
  std::vector<double> a, b, sd;
  for (std::size_t k = 0; k < jpeg.frames.size(); ++k) {
    const FrameAnalysis &of_jpeg = jpeg.frames[k], &of_raw = raw.frames[k];
    ASSERT_EQ(of_raw.usable, of_jpeg.usable) << k;
    if (!of_jpeg.focus_px || !of_raw.focus_px) continue;
    a.push_back(*of_jpeg.focus_px);
    b.push_back(*of_raw.focus_px);
    sd.push_back(std::hypot(of_jpeg.focus_sd_px.value(), of_raw.focus_sd_px.value()));
  }
  ASSERT_GE(a.size(), 10U);
  double mean_a = 0.0, mean_b = 0.0, cross = 0.0, weights = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    const double weight = 1.0 / (sd[i] * sd[i]);
    mean_a += weight * a[i], mean_b += weight * b[i], weights += weight;
  }
  mean_a /= weights, mean_b /= weights;
  for (std::size_t i = 0; i < a.size(); ++i) cross += (a[i] - mean_a) * (b[i] - mean_b);
  const double sign = cross < 0.0 ? -1.0 : 1.0;
  const double scale_sd = std::hypot(jpeg.scale_sd.value(), raw.scale_sd.value());
  for (std::size_t i = 0; i < a.size(); ++i)
    EXPECT_NEAR(sign * (b[i] - mean_b), a[i] - mean_a,
                4.0 * sd[i] + 2.0 * scale_sd * std::abs(a[i] - mean_a))
        << i;
  for (std::size_t i = 0; i < jpeg.coverage.gaps.size(); ++i) {
    const Gap &of_jpeg = jpeg.coverage.gaps[i], &of_raw = raw.coverage.gaps[i];
    EXPECT_EQ(std::minmax(of_raw.lower, of_raw.upper), std::minmax(of_jpeg.lower, of_jpeg.upper));
    EXPECT_NEAR(of_raw.width_px, of_jpeg.width_px,
                4.0 * std::hypot(of_raw.width_sd_px, of_jpeg.width_sd_px));
  }
}

class RawAndJpeg : public ::testing::TestWithParam<bool> {};

TEST_P(RawAndJpeg, OfOneBurstTellTheSame) {
  const maker::Recipe recipe = burst(GetParam());
  const BurstAnalysis jpeg = shot(recipe, maker::FileFormat::jpeg);
  EXPECT_EQ(jpeg.verdict.kind, GetParam() ? VerdictKind::reshoot : VerdictKind::complete);
  {
    SCOPED_TRACE("sensor data");
    expect_the_same(jpeg, shot(recipe, maker::FileFormat::dng));
  }
  {
    SCOPED_TRACE("preview of half the width");
    const BurstAnalysis raw = shot(recipe, maker::FileFormat::dng, 0.5);
    EXPECT_EQ(raw.full_px_per_file_px, 2.0);
    expect_the_same(jpeg, raw);
  }
  {
    SCOPED_TRACE("a preview that is too small is not read");
    const BurstAnalysis raw = shot(recipe, maker::FileFormat::dng, 0.25);
    EXPECT_EQ(raw.full_px_per_file_px, 1.0);
    expect_the_same(jpeg, raw);
  }
}

INSTANTIATE_TEST_SUITE_P(Meadow, RawAndJpeg, ::testing::Bool(), [](const auto& gap) {
  return std::string(gap.param ? "Gap" : "Complete");
});

}  // namespace
}  // namespace ringsweep
