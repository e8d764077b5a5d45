// Shifts of tiles between two frames: known sub-pixel warps of a made texture.
#include "ringsweep/tile_shifts.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "frame/textured.h"
#include "ringsweep/block_means.h"
#include "ringsweep/grid_picture.h"

namespace ringsweep {
namespace {

const TileGrid kGrid{.size = {512, 384}, .tile_px = 8};

/// Tiles away from the border, all at one depth.
std::vector<ShiftTile> inner_tiles(double q_px = 0.0) {
  std::vector<ShiftTile> tiles;
  for (int row = 4; row < kGrid.rows() - 4; ++row)
    for (int col = 4; col < kGrid.cols() - 4; ++col)
      tiles.push_back({.row = row, .col = col, .q_px = q_px});
  return tiles;
}

PackedPicture as_picture(const cv::Mat& luminance, bool clipped = false) {
  return pack(luminance, cv::Mat(luminance.size(), CV_8UC1, cv::Scalar(clipped ? 255 : 0)), 1.0);
}

/// The middle of a texture whose px are a quarter as large, at a place: exact sub-pixel shifts, as
/// no interpolation of the small picture gives them.
class Scene {
 public:
  Scene() : fine_(textured({4 * 576, 4 * 448}, 5, 4.8)) {
    // What a px of the small picture gathers.
    cv::GaussianBlur(fine_, fine_, {}, 1.5);
  }
  /// @param x, y quarters of a px
  [[nodiscard]] cv::Mat moved(int x, int y) const {
    cv::Mat out(kGrid.size, CV_32FC1);
    for (int r = 0; r < out.rows; ++r)
      for (int c = 0; c < out.cols; ++c)
        out.at<float>(r, c) = fine_.at<float>(128 + 4 * r - y, 128 + 4 * c - x);
    return out;
  }

 private:
  cv::Mat fine_;
};

const Scene& scene() {
  static const Scene made;
  return made;
}

cv::Mat noisy(const cv::Mat& picture, double sd, int seed) {
  cv::Mat noise(picture.size(), CV_32FC1);
  cv::RNG random(static_cast<std::uint64_t>(seed));
  random.fill(noise, cv::RNG::NORMAL, 0.0, sd);
  return picture + noise;
}

std::vector<TileShift> shifts_of(const cv::Mat& first, const cv::Mat& second,
                                 std::vector<double> q_px = {0.0, 0.0}, double tile_q_px = 0.0) {
  const std::vector<ShiftFrame> frames{prepare_for_shifts(as_picture(first), kGrid),
                                       prepare_for_shifts(as_picture(second), kGrid)};
  const std::vector<FramePair> pairs{{.first = 0, .second = 1}};
  return measure_shifts(frames, q_px, inner_tiles(tile_q_px), pairs, kGrid, 1.0).front();
}

struct Error {
  double bias_px = 0.0;  ///< of the mean
  double rms_px = 0.0;   ///< of x and y together, over sqrt 2
  double share = 0.0;    ///< of the tiles that were told
};

Error error_of(const std::vector<TileShift>& shifts, double x_px, double y_px) {
  Error error;
  cv::Vec2d sum{};
  double squares = 0.0, n = 0.0;
  for (const TileShift& s : shifts) {
    if (s.level < 0) continue;
    const cv::Vec2d e(static_cast<double>(s.shift_px[0]) - x_px,
                      static_cast<double>(s.shift_px[1]) - y_px);
    sum += e;
    squares += e.dot(e);
    n += 1.0;
  }
  error.bias_px = cv::norm(sum) / n;
  error.rms_px = std::sqrt(squares / (2.0 * n));
  error.share = n / static_cast<double>(shifts.size());
  return error;
}

// The Cramer-Rao bound of shift estimation from two noisy pictures, sd = sqrt(2) sigma / sqrt(sum
// of squared gradients) (D. Robinson, P. Milanfar, Fundamental performance limits in image
// registration, IEEE TIP 13(9), 2004, from memory). Windows count 24 x 24 px, those away from the
// middle less. The rest, gain, offset and blur that are free besides, and smoothing before the
// gradient, cost less than a factor of 2; a shift by less than the bound would be a miracle.
TEST(TileShifts, ErrByLittleMoreThanTheCramerRaoBound) {
  constexpr double kNoise = 0.01;
  const cv::Mat still = scene().moved(0, 0);
  const Error error = error_of(
      shifts_of(noisy(still, kNoise, 1), noisy(scene().moved(1, -2), kNoise, 2)), 0.25, -0.5);
  cv::Mat gx, gy;
  cv::Sobel(still, gx, CV_32F, 1, 0, 1, 0.5);
  cv::Sobel(still, gy, CV_32F, 0, 1, 1, 0.5);
  const double gradient =
      0.5 * (cv::mean(gx.mul(gx))[0] + cv::mean(gy.mul(gy))[0]);  // of one direction, a px
  constexpr double kWindowPx = 24.0 * 24.0;
  const double bound_px = std::sqrt(2.0) * kNoise / std::sqrt(kWindowPx * gradient);
  EXPECT_GT(error.share, 0.95);
  EXPECT_GT(error.rms_px, 0.9 * bound_px);
  EXPECT_LT(error.rms_px, 2.5 * bound_px);
  EXPECT_LT(error.bias_px, 0.02);  // of one step of Gauss-Newton, a tenth of what is left of it
}

// A part moves by anything from half a px to nine: 0.05 px or 3 % is what bilinear halves leave.
// One tile in five may be without texture that tells so far.
TEST(TileShifts, FollowAPartThatMovesFar) {
  for (const int quarters : {2, 8, 16, 24, 32}) {
    const cv::Vec2d due(quarters / 4.0, (quarters / 2) / 4.0);
    const std::vector<TileShift> shifts =
        shifts_of(scene().moved(0, 0), scene().moved(quarters, quarters / 2));
    const auto right = std::ranges::count_if(shifts, [&](const TileShift& s) {
      return s.level >= 0 && cv::norm(cv::Vec2d(s.shift_px) - due) < 0.05 + 0.03 * cv::norm(due);
    });
    EXPECT_GT(5 * right, 4 * std::ssize(shifts)) << due;
  }
}

// What is not movement: more light, haze, and a frame that is less sharp. A Gaussian's first term
// stands for a disc of 3 px, which leaves some hundredths of a px at single tiles and none in mean.
TEST(TileShifts, TakeNeitherLightNorBlurForMovement) {
  const cv::Mat still = scene().moved(0, 0);
  const Error light = error_of(shifts_of(still, 1.2 * still + 0.05), 0.0, 0.0);
  EXPECT_LT(light.rms_px, 0.01);
  cv::Mat blurred;
  cv::filter2D(still, blurred, CV_32F, disc_kernel(3.0), {-1, -1}, 0, cv::BORDER_REFLECT);
  const Error blur = error_of(shifts_of(still, blurred, {0.0, 3.0}), 0.0, 0.0);
  EXPECT_GT(blur.share, 0.95);
  EXPECT_LT(blur.rms_px, 0.05);
  EXPECT_LT(blur.bias_px, 0.01);
}

TEST(TileShifts, BlurredTilesAreComparedCoarselyAndMuchBlurredOnesNot) {
  const cv::Mat still = scene().moved(0, 0);
  const auto level = [&](double first_px, double second_px) {
    return static_cast<int>(shifts_of(still, still, {first_px, second_px}).front().level);
  };
  EXPECT_EQ(level(0.0, 1.0), 0);
  EXPECT_EQ(level(-9.0, 9.0), 0) << "as blurred on either side of its focus";
  EXPECT_EQ(level(1.0, 7.0), 1) << "blurred otherwise";
  EXPECT_EQ(level(14.0, 15.0), 1);
  EXPECT_EQ(level(0.0, 19.0), -1) << "too differently";
  EXPECT_EQ(level(40.0, 40.0), -1) << "too much";
}

// Strips must not show: a picture of more than one strip of 2 x 64 rows, and a row and a column
// that fill no block.
TEST(TileShifts, PreparingInStripsGivesWhatTheWholeDoes) {
  const TileGrid grid{.size = {401, 331}, .tile_px = 16};
  const cv::Mat luminance = textured(grid.size, 7);
  cv::Mat clipped(grid.size, CV_8UC1, cv::Scalar(0));
  clipped(cv::Rect(100, 120, 30, 20)) = 255;  // over the first seam
  const PackedPicture packed = pack(luminance, clipped, 1.0);
  const ShiftFrame frame = prepare_for_shifts(packed, grid);

  cv::Mat root;
  cv::sqrt(unpack(packed).luminance, root);
  root = block_means(root, 2);
  cv::GaussianBlur(root, root, {}, 1.0, 1.0, cv::BORDER_REFLECT);
  root.convertTo(root, CV_16U, kShiftRoot);
  ASSERT_EQ(frame.levels[0].size(), root.size());
  EXPECT_EQ(cv::norm(frame.levels[0], root, cv::NORM_INF), 0.0);
  EXPECT_EQ(frame.masks[0].size(), root.size());
  const cv::Mat hidden = frame.masks[0] == 0;
  // 15 x 10 blocks and two of a px around; along the picture's border two, too.
  const int border = root.cols * root.rows - (root.cols - 4) * (root.rows - 4);
  EXPECT_EQ(cv::countNonZero(hidden), 19 * 14 + border);
  EXPECT_EQ(cv::countNonZero(hidden(cv::Rect(48, 58, 19, 14))), 19 * 14);
}

TEST(TileShifts, ClippedLightIsLeftOut) {
  const ShiftFrame frame = prepare_for_shifts(as_picture(scene().moved(0, 0), true), kGrid);
  EXPECT_EQ(cv::countNonZero(frame.masks.front()), 0);
  const std::vector<ShiftFrame> frames{frame, frame};
  const std::vector<FramePair> pairs{{.first = 0, .second = 1}};
  const std::vector<double> q_px{0.0, 0.0};
  const auto shifts = measure_shifts(frames, q_px, inner_tiles(), pairs, kGrid, 1.0);
  for (const TileShift& s : shifts.front()) EXPECT_EQ(s.level, -1);
}

}  // namespace
}  // namespace ringsweep
