// The naive check, on pictures whose sharpest frame is known tile by tile.
#include "baseline.h"

#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

namespace ringsweep::accuracy {
namespace {

using nlohmann::json;

constexpr int kTilePx = 16;
const std::vector<std::string> kFiles{"a", "b", "c", "d", "e"};

/// Five columns of checks; column t is sharp in frame t and blurred by the distance elsewhere.
/// @param missing  column that is bare in every frame; -1: none
cv::Mat frame_at(std::size_t k, int missing = -1) {
  cv::Mat whole(64, 5 * 32, CV_8UC1, cv::Scalar(128));
  for (int t = 0; t < 5; ++t) {
    if (t == missing) continue;
    cv::Mat column(64, 32, CV_8UC1);
    for (int y = 0; y < column.rows; ++y) {
      for (int x = 0; x < column.cols; ++x) {
        column.at<unsigned char>(y, x) = (x / 2 + y / 2) % 2 == 0 ? 60 : 200;
      }
    }
    const int away = std::abs(static_cast<int>(k) - t);
    if (away > 0) cv::GaussianBlur(column, column, cv::Size(), 1.0 * away);
    column.copyTo(whole(cv::Rect(32 * t, 0, 32, 64)));
  }
  return whole;
}

TEST(NaiveReport, IsCompleteWhereEveryFrameHoldsAPeak) {
  const json said = naive_report(
      kFiles, [](std::size_t k) { return frame_at(k); }, kTilePx);
  EXPECT_EQ(said["verdict"], "complete");
  EXPECT_TRUE(said["gaps"].empty());
  EXPECT_EQ(said["frames"][3]["focus_px"], 3.0);
}

TEST(NaiveReport, SeesAGapOnlyWhereAFrameBetweenHoldsNoPeak) {
  const json said = naive_report(
      kFiles, [](std::size_t k) { return frame_at(k, 2); }, kTilePx);
  EXPECT_EQ(said["verdict"], "reshoot");
  ASSERT_EQ(said["gaps"].size(), 1U);
  EXPECT_EQ(said["gaps"][0]["after"], "b");
  EXPECT_EQ(said["gaps"][0]["before"], "d");
}

TEST(NaiveReport, AnUnreadableFrameHoldsNoPeakAndAWallHasNone) {
  const json torn = naive_report(
      kFiles, [](std::size_t k) { return k == 1 ? cv::Mat() : frame_at(k, 1); }, kTilePx);
  EXPECT_EQ(torn["verdict"], "reshoot");
  const json wall = naive_report(
      kFiles, [](std::size_t) { return cv::Mat(64, 64, CV_8UC1, cv::Scalar(90)); }, kTilePx);
  EXPECT_EQ(wall["verdict"], "cannot-tell");
}

TEST(WithBestStep, TakesTheLeastSquaresStep) {
  json truth = {{"frames", json::array()}};
  const std::vector<double> focus_px{0.0, -3.0, -3.0, -6.0, 50.0};
  for (std::size_t k = 0; k < kFiles.size(); ++k) {
    truth["frames"].push_back(
        {{"file", kFiles[k]}, {"focus_px", focus_px[k]}, {"on_subject", k < 4}});
  }
  const json said = with_best_step(naive_report(
                                       kFiles, [](std::size_t k) { return frame_at(k); }, kTilePx),
                                   truth);
  // k about 1.5, q about -3: Sxy = -4.5 - 4.5, Sxx = 5. Frame e is not on the subject.
  EXPECT_NEAR(said["frames"][4]["focus_px"].get<double>(), 4.0 * -9.0 / 5.0, 1e-12);  // rounding
}

}  // namespace
}  // namespace ringsweep::accuracy
