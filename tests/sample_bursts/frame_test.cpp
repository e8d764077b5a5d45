// What happens to single frames: light from place to place, shaking, files that are missing or cut.
#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>

#include "maker/burst.h"
#include "maker/camera.h"

namespace ringsweep::maker {
namespace {

cv::Mat even_light(int rows = 100, int cols = 160, float level = 0.5F) {
  return {rows, cols, CV_32FC3, cv::Scalar::all(level)};
}
float at(const cv::Mat& light, int x, int y) { return light.at<cv::Vec3f>(y, x)[1]; }

TEST(Illuminate, TheDefaultChangesNothing) {
  cv::Mat light = even_light();
  illuminate(light, {});
  EXPECT_EQ(cv::norm(light, even_light(), cv::NORM_INF), 0.0);
}

TEST(Illuminate, CornersLoseTheirShareAsTheFourthPowerOfTheCosine) {
  cv::Mat light = even_light(1001, 1601);
  illuminate(light, {.vignetting = 0.36});
  EXPECT_NEAR(at(light, 800, 500), 0.5, 1e-6);
  // cos^4 = 0.64 where the squared tangent is 0.25, in the very corner; the outermost pixels'
  // centres have 0.25 (800^2 + 500^2) / (800.5^2 + 500.5^2) = 0.249635. Float.
  EXPECT_NEAR(at(light, 0, 0), 0.5 / (1.249635 * 1.249635), 2e-6);
  EXPECT_NEAR(at(light, 1600, 1000), 0.5 / (1.249635 * 1.249635), 2e-6);
  EXPECT_NEAR(at(light, 400, 250), 0.5 / (1.062409 * 1.062409), 2e-6);
  EXPECT_THROW(illuminate(light, {.vignetting = 1.0}), std::invalid_argument);
}

TEST(Illuminate, HazeSpreadsItsShareAndKeepsTheMean) {
  cv::Mat light = even_light(10, 10, 0.0F);
  light.colRange(0, 5).setTo(cv::Scalar(0.2, 0.4, 0.8));
  const cv::Scalar mean = cv::mean(light);
  illuminate(light, {.haze = 0.25});
  for (int c = 0; c < 3; ++c) {
    EXPECT_NEAR(light.at<cv::Vec3f>(3, 8)[c], 0.25 * mean[c], 1e-6);
    EXPECT_NEAR(light.at<cv::Vec3f>(3, 2)[c], 0.75 * 2.0 * mean[c] + 0.25 * mean[c], 1e-6);
    EXPECT_NEAR(cv::mean(light)[c], mean[c], 1e-6);
  }
}

TEST(Illuminate, RowsBeyondTheLitPartGetAmbientLightOnly) {
  cv::Mat light = even_light(1000, 20);
  illuminate(light, {.lit_to = 0.6, .ambient = 0.125});
  EXPECT_NEAR(at(light, 5, 10), 0.5 * 1.125, 1e-6);
  EXPECT_NEAR(at(light, 5, 585), 0.5 * 1.125, 1e-6);
  // Soft over 20 rows, half lit in their middle; the pixel's centre is half a row further.
  EXPECT_NEAR(at(light, 5, 600), 0.5 * (0.5 - 0.025 + 0.125), 1e-5);
  EXPECT_GT(at(light, 5, 595), at(light, 5, 600));
  EXPECT_NEAR(at(light, 5, 615), 0.5 * 0.125, 1e-6);
  EXPECT_NEAR(at(light, 5, 999), 0.5 * 0.125, 1e-6);
}

TEST(OnSensor, ShakingAddsTheVarianceOfALineAlongItsWay) {
  cv::Mat raster(240, 240, CV_32FC3, cv::Scalar::all(0.0));
  raster(cv::Rect(118, 118, 4, 4)).setTo(cv::Scalar::all(1.0));
  struct Moments {
    double sum = 0.0, x = 0.0, y = 0.0, xx = 0.0, yy = 0.0, xy = 0.0;
  };
  const auto moments = [&](cv::Point2d shake, double shift = 0.0) {
    const Placement placement{.shift_x_px = shift, .shift_y_px = shift};
    const cv::Mat frame = on_sensor(raster, 2.0, placement, {120, 120}, shake);
    Moments m;
    for (int y = 0; y < frame.rows; ++y) {
      for (int x = 0; x < frame.cols; ++x) {
        const double light = at(frame, x, y);
        m.sum += light;
        m.x += light * x;
        m.y += light * y;
        m.xx += light * x * x;
        m.yy += light * y * y;
        m.xy += light * x * y;
      }
    }
    m.x /= m.sum;
    m.y /= m.sum;
    m.xx = m.xx / m.sum - m.x * m.x;
    m.yy = m.yy / m.sum - m.y * m.y;
    m.xy = m.xy / m.sum - m.x * m.y;
    return m;
  };
  // Interpolation between raster pixels widens by itself, more or less with the place: the mean
  // over all places within a pixel is what a moving picture has.
  const Moments unmoved = moments({});
  Moments still = unmoved;
  still.xx = still.yy = still.xy = 0.0;
  constexpr int kPlaces = 16;
  for (int i = 0; i < kPlaces; ++i) {
    const Moments m = moments({}, (i + 0.5) / kPlaces);
    still.xx += m.xx / kPlaces;
    still.yy += m.yy / kPlaces;
    still.xy += m.xy / kPlaces;
  }
  for (const cv::Point2d shake : {cv::Point2d(0.8, 0.0), {3.0, -4.0}, {0.0, 9.5}}) {
    const Moments m = moments(shake);
    EXPECT_NEAR(m.sum, still.sum, 1e-4 * still.sum);
    EXPECT_NEAR(m.x, still.x, 1e-3);
    EXPECT_NEAR(m.y, still.y, 1e-3);
    // A line of length l has l^2 / 12, n moments l^2 / 12 (1 - 1 / n^2). A way that is no whole
    // number of raster pixels meets the places within one unevenly: 0.02 px^2, a third of what
    // interpolation adds. Across the way nothing changes.
    const double n = std::max(5.0, std::ceil(4.0 * std::sqrt(shake.dot(shake))));
    const double line = (1.0 - 1.0 / (n * n)) / 12.0;
    if (shake.x != 0.0) {
      EXPECT_NEAR(m.xx - still.xx, line * shake.x * shake.x, 0.02) << shake;
    } else {
      EXPECT_NEAR(m.xx, unmoved.xx, 1e-4) << shake;
    }
    if (shake.y != 0.0) {
      EXPECT_NEAR(m.yy - still.yy, line * shake.y * shake.y, 0.02) << shake;
    } else {
      EXPECT_NEAR(m.yy, unmoved.yy, 1e-4) << shake;
    }
    EXPECT_NEAR(m.xy - still.xy, line * shake.x * shake.y, 0.01) << shake;
  }
}

Recipe small_recipe() {
  Recipe recipe;
  recipe.name = "events";
  recipe.width_px = 160;
  recipe.height_px = 120;
  recipe.raster_per_px = 1.5;
  recipe.optics.pitch_mm = 0.109;
  recipe.v_mm = {134.0, 136.0, 138.0};
  recipe.sensor.full_well_e = 1e7;
  recipe.flicker_sd_ev = 0.0;
  return recipe;
}

double light_of(const cv::Mat& bgr, const cv::Rect& box) {
  const double code = cv::mean(bgr(box))[1] / 255.0;
  return std::pow((code + 0.055) / 1.055, 2.4);
}

TEST(TakeFrame, FlashAndAmbientLightReachTheirRows) {
  const Recipe recipe = small_recipe();
  Stage stage(recipe);
  FramePlan plan = plan_frames(recipe)[1];
  const cv::Rect top(0, 0, 160, 20), foot(0, 100, 160, 20);
  const cv::Mat full = take_frame(stage.scene(1), recipe, plan);
  plan.lit_to = 0.5;
  plan.ambient_ev = -2.0;
  const cv::Mat part = take_frame(stage.scene(1), recipe, plan);
  // The mean of codes is not that of light: 5 % where the picture is uneven.
  EXPECT_NEAR(light_of(part, top) / light_of(full, top), 1.25, 0.0625);
  EXPECT_NEAR(light_of(part, foot) / light_of(full, foot), 0.25, 0.0125);
  // The flash's own exposure does not touch the rest of the light.
  plan.exposure_ev = -6.0;
  const cv::Mat weak = take_frame(stage.scene(1), recipe, plan);
  EXPECT_NEAR(light_of(weak, foot) / light_of(part, foot), 1.0, 0.01);
  EXPECT_NEAR(light_of(weak, top) / light_of(full, top), 0.25 + std::exp2(-6.0), 0.015);
}

TEST(TakeFrame, AnotherPupilChangesTheBlurAndNotTheExposure) {
  const Recipe recipe = small_recipe();
  Stage stage(recipe);
  FramePlan plan = plan_frames(recipe)[1];
  plan.lens_q_px = 14.0;  // all out of focus
  const cv::Mat one = take_frame(stage.scene(1), recipe, plan);
  plan.pupil_factor = 0.5;
  const cv::Mat half = take_frame(stage.scene(1), recipe, plan);
  const cv::Rect all(0, 0, 160, 120);
  EXPECT_NEAR(light_of(half, all) / light_of(one, all), 1.0, 0.05);
  cv::Scalar mean, sd_one, sd_half;
  cv::meanStdDev(one, mean, sd_one);
  cv::meanStdDev(half, mean, sd_half);
  EXPECT_GT(sd_half[1], 1.05 * sd_one[1]);  // by how much: RenderedPoint in pupil_test.cpp
}

TEST(WriteBurst, LeavesOutAndCutsShortWhatTheRecipeSays) {
  Recipe recipe = small_recipe();
  const auto folder = std::filesystem::path(testing::TempDir()) / "events_whole";
  const auto odd = std::filesystem::path(testing::TempDir()) / "events_odd";
  std::filesystem::remove_all(folder);
  std::filesystem::remove_all(odd);
  ASSERT_TRUE(write_burst(recipe, folder));
  recipe.not_written = {1};
  recipe.cut_short = {3};
  int calls = 0;
  ASSERT_TRUE(write_burst(recipe, odd, [&calls](int, int) { ++calls; }));
  EXPECT_EQ(calls, 3);
  const auto plans = plan_frames(recipe);
  EXPECT_FALSE(std::filesystem::exists(odd / plans[0].file));
  EXPECT_EQ(std::filesystem::file_size(odd / plans[1].file),
            std::filesystem::file_size(folder / plans[1].file));
  EXPECT_EQ(std::filesystem::file_size(odd / plans[2].file),
            std::filesystem::file_size(folder / plans[2].file) * 6 / 10);
}

TEST(WriteBurst, WritesTheFormatOfTheRecipe) {
  for (const auto& [format, end] :
       {std::pair{FileFormat::tiff16, "TIF"}, {FileFormat::dng, "DNG"}}) {
    Recipe recipe = small_recipe();
    recipe.v_mm = {136.0};
    recipe.sensor.format = format;
    const auto folder = std::filesystem::path(testing::TempDir()) / (std::string("format_") + end);
    std::filesystem::remove_all(folder);
    ASSERT_TRUE(write_burst(recipe, folder));
    const auto file = folder / ("DSC02101." + std::string(end));
    ASSERT_TRUE(std::filesystem::exists(file));
    // 160 x 120 of 2 bytes are the least of a mosaic.
    EXPECT_GT(std::filesystem::file_size(file), 38400U);
  }
}

}  // namespace
}  // namespace ringsweep::maker
