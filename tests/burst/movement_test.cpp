// Movement: made stacks of one texture, in depth or not, of which a part moves by a known way.
#include "ringsweep/movement.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tbb/parallel_for.h>

#include <cmath>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <stdexcept>
#include <vector>

#include "frame/textured.h"

namespace ringsweep {
namespace {

const TileGrid kGrid{.size = {320, 240}, .tile_px = 8};
const cv::Rect kPart(120, 80, 64, 56);

void share_out(std::size_t n, const std::function<void(std::size_t)>& body) {
  tbb::parallel_for(std::size_t{0}, n, body);
}

/// What a made stack is like.
struct Made {
  std::size_t num_frames = 21;
  double step_px = 1.0;                                                   ///< of the ring
  double noise = 0.004;                                                   ///< sd, of white
  std::function<double(std::size_t)> part_px = [](auto) { return 0.0; };  ///< to the right
  std::function<double(std::size_t)> all_px = [](auto) { return 0.0; };   ///< the same, of all
  double parallax = 0.0;         ///< px sideways for a px of depth, in the last frame; grows evenly
  bool there_and_back = false;   ///< two sweeps
  double bump = 0.0;             ///< as parallax, at once, of the second sweep
  double growth = 0.0;           ///< relative, of the part, in the second sweep
  std::size_t other_from = 999;  ///< first frame in which the part shows something else
  unsigned seed = 1;
  cv::Rect part = kPart;
};

/// A slope: its left is `kDepthPx` farther than its right.
constexpr double kDepthPx = 8.0;
double depth_at(int x) { return kDepthPx * (x - 0.5 * kGrid.size.width) / kGrid.size.width; }

class Stack {
 public:
  explicit Stack(Made made)
      : made_(std::move(made)), texture_(textured({360, 240}, 10 + made_.seed)) {
    const std::size_t half = made_.there_and_back ? made_.num_frames / 2 : made_.num_frames;
    const double middle = 0.5 * static_cast<double>(half - 1);
    const auto ring = [&](std::size_t k) { return k < half ? k : 2 * half - 1 - k; };
    for (std::size_t k = 0; k < made_.num_frames; ++k)
      focus_.frames.push_back({.q_px = made_.step_px * (static_cast<double>(ring(k)) - middle),
                               .sd_px = 0.05,
                               .usable = true,
                               .shake_px = 0.0});
    focus_.status = FitStatus::converged;
    profiles_.num_frames = made_.num_frames;
    profiles_.grid = kGrid;
    for (int row = 1; row + 1 < kGrid.rows(); ++row)
      for (int col = 1; col + 1 < kGrid.cols(); ++col) {
        TileProfile tile;
        tile.row = row, tile.col = col;
        profiles_.tiles.push_back(tile);
        focus_.tiles.push_back({.q_px = depth_at(8 * col + 4), .weight = 1.0});
      }
    sweeps_ = {{.first = 0, .last = half - 1, .rising = true}};
    if (half < made_.num_frames)
      sweeps_.push_back({.first = half, .last = made_.num_frames - 1, .rising = false});
  }

  [[nodiscard]] Movement movement(const MovementOptions& options = {}) const {
    Movement movement = find_movement(
        profiles_, focus_, sweeps_, [this](std::size_t k) { return picture(k); }, options,
        share_out);
    const std::vector<TileRole> roles(focus_.tiles.size(), TileRole::subject);
    find_conflicts(movement, focus_, roles, options.blur_limit_px);
    return movement;
  }

 private:
  /// The texture at a place, the part at its own; each column blurred as its depth says.
  [[nodiscard]] PackedPicture picture(std::size_t k) const {
    const double share = static_cast<double>(k) / static_cast<double>(made_.num_frames - 1);
    const auto placed = [&](double way_px) {
      cv::Mat x(kGrid.size, CV_32FC1), y(kGrid.size, CV_32FC1);
      for (int r = 0; r < x.rows; ++r)
        for (int c = 0; c < x.cols; ++c) {
          const double aside =
              made_.parallax * share + (2 * k >= made_.num_frames ? made_.bump : 0.0);
          const double shift = way_px + made_.all_px(k) + aside * depth_at(c);
          x.at<float>(r, c) = static_cast<float>(20.0 + c - shift);
          y.at<float>(r, c) = static_cast<float>(r);
        }
      cv::Mat out;
      cv::remap(texture_, out, x, y, cv::INTER_LANCZOS4, cv::BORDER_REFLECT);
      return out;
    };
    cv::Mat sharp = placed(0.0);
    const double way_px = made_.part_px(k);
    // The part lies in front of what it moves over.
    const cv::Rect at = made_.part + cv::Point(static_cast<int>(std::lround(way_px)), 0);
    placed(way_px)(at).copyTo(sharp(at));
    if (k >= made_.other_from) {
      cv::Mat other;
      cv::flip(sharp(at), other, -1);
      other.copyTo(sharp(at));
    }
    if (made_.growth != 0.0 && 2 * k >= made_.num_frames) {
      cv::Mat grown;
      cv::resize(placed(0.0)(made_.part), grown, {}, 1.0 + made_.growth, 1.0 + made_.growth,
                 cv::INTER_CUBIC);
      const cv::Point corner = made_.part.tl() - cv::Point((grown.cols - made_.part.width) / 2,
                                                           (grown.rows - made_.part.height) / 2);
      grown.copyTo(sharp(cv::Rect(corner, grown.size())));
    }
    cv::Mat luminance(kGrid.size, CV_32FC1);
    constexpr int kStripPx = 16;
    for (int left = 0; left < kGrid.size.width; left += kStripPx) {
      const double blur = std::abs(*focus_.frames[k].q_px - depth_at(left + kStripPx / 2));
      cv::Mat blurred;
      cv::filter2D(sharp, blurred, CV_32F, disc_kernel(blur), {-1, -1}, 0, cv::BORDER_REFLECT);
      const cv::Rect strip(left, 0, kStripPx, kGrid.size.height);
      blurred(strip).copyTo(luminance(strip));
    }
    cv::Mat noise(kGrid.size, CV_32FC1);
    cv::RNG random(1000 * made_.seed + k);
    random.fill(noise, cv::RNG::NORMAL, 0.0, made_.noise);
    return pack(luminance + noise, cv::Mat(kGrid.size, CV_8UC1, cv::Scalar(0)), 1.0);
  }

  Made made_;
  cv::Mat texture_;
  Profiles profiles_;
  FocalPositions focus_;
  std::vector<SweepRange> sweeps_;
};

std::function<double(std::size_t)> from(std::size_t frame, double px) {
  return [=](std::size_t k) { return k >= frame ? px : 0.0; };
}

double covered(const cv::Rect2d& box, const cv::Rect2d& truth) {
  return (box & truth).area() / truth.area();
}

// 0.3 px is what is asked of a part of at least 40 x 40 px.
TEST(FindMovement, APartThatMovedOnceIsFoundWithFrameWayAndPlace) {
  for (const double px : {1.0, 2.0, 3.0, 6.0}) {
    const Movement movement = Stack({.part_px = from(11, px)}).movement();
    ASSERT_EQ(movement.parts.size(), 1U) << px;
    const MovedPart& part = movement.parts.front();
    EXPECT_EQ(part.kind, MoveKind::stays) << px;
    EXPECT_EQ(part.frame, 11U) << px;
    EXPECT_NEAR(part.shift_px, px, 0.3) << px;
    EXPECT_GT(covered(part.box_on_grid, cv::Rect2d(kPart) + cv::Point2d(px, 0.0)), 0.8) << px;
    EXPECT_LT(part.box_on_grid.area(), 2.5 * kPart.area()) << px;
    EXPECT_EQ(part.conflict, px > 2.0 && part.shift_px > 2.0) << px;
  }
}

// The part is in focus about the middle frames: a move long before them is seen, and is a note.
TEST(FindMovement, WhatMovesWhileItIsBlurredIsNoConflict) {
  const Movement movement = Stack({.part_px = from(4, 4.0)}).movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_NEAR(static_cast<double>(movement.parts[0].frame), 4.0, 1.0);
  EXPECT_FALSE(movement.parts[0].conflict);
  EXPECT_LT(movement.parts[0].sharp_before, 0.1);
  EXPECT_GT(movement.parts[0].sharp_after, 0.9);
}

TEST(FindMovement, ASlowDriftIsOneMovement) {
  const Movement movement = Stack({.part_px = [](std::size_t k) {
                              return k < 6 ? 0.0 : 0.2 * static_cast<double>(k - 5);
                            }}).movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_EQ(movement.parts[0].kind, MoveKind::drifts);
  EXPECT_NEAR(static_cast<double>(movement.parts[0].frame), 6.0, 2.0);
  EXPECT_NEAR(movement.parts[0].shift_px, 3.0, 0.4);
}

TEST(FindMovement, TwoMovesOfOnePartAreTwo) {
  const Movement movement = Stack({.part_px = [](std::size_t k) {
                              return k < 8 ? 0.0 : k < 13 ? 2.0 : 5.0;
                            }}).movement();
  ASSERT_EQ(movement.parts.size(), 2U);
  EXPECT_EQ(movement.parts[0].frame, 8U);
  EXPECT_EQ(movement.parts[1].frame, 13U);
  EXPECT_NEAR(movement.parts[0].shift_px, 2.0, 0.3);
  EXPECT_NEAR(movement.parts[1].shift_px, 3.0, 0.3);
}

TEST(FindMovement, WhatGoesToAndFroTrembles) {
  const Movement movement = Stack({.part_px = [](std::size_t k) {
                              return k < 7 ? 0.0 : 1.5 * std::sin(2.4 * static_cast<double>(k));
                            }}).movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_EQ(movement.parts[0].kind, MoveKind::to_and_fro);
  EXPECT_NEAR(static_cast<double>(movement.parts[0].frame), 7.0, 1.0);
  EXPECT_NEAR(movement.parts[0].shift_px, 2.0 * 1.5 / std::sqrt(2.0), 0.3) << "twice the sd";
  EXPECT_GT(movement.parts[0].moves.size(), 5U);
}

// An antenna is thinner than a tile: its tiles see ground that stands still as well.
TEST(FindMovement, AThinPartTremblesByItsWholeWay) {
  const Movement movement =
      Stack({.part_px =
                 [](std::size_t k) {
                   return k < 7 ? 0.0 : 1.5 * std::sin(2.4 * static_cast<double>(k));
                 },
             .part = cv::Rect(150, 70, 14, 64)})
          .movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_EQ(movement.parts[0].kind, MoveKind::to_and_fro);
  EXPECT_NEAR(movement.parts[0].shift_px, 2.0 * 1.5 / std::sqrt(2.0), 0.3) << "twice the sd";
}

TEST(FindMovement, ATwentiethOfAPartIsEnoughToBeSharp) {
  EXPECT_TRUE((MovedPart{.sharp_before = 0.05, .sharp_after = 1.0}.sharp_on_both_sides()));
  EXPECT_FALSE((MovedPart{.sharp_before = 1.0, .sharp_after = 0.04}.sharp_on_both_sides()));
}

// One jolt while the part is blurred is no trembling yet.
TEST(FindMovement, TremblingBeginsWhereItIsFrequent) {
  const Movement movement = Stack({.part_px = [](std::size_t k) {
                              if (k < 9) return k == 3 ? 2.5 : 0.0;
                              return 1.5 * std::sin(2.4 * static_cast<double>(k));
                            }}).movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_EQ(movement.parts[0].kind, MoveKind::to_and_fro);
  EXPECT_EQ(movement.parts[0].moves.front(), 3U) << "the jolt is one of its moves";
  EXPECT_NEAR(static_cast<double>(movement.parts[0].frame), 9.0, 1.0);
}

// A leg is thinner than a tile, and its tiles show ground that stands still as well.
TEST(FindMovement, AThinPartIsFoundWithItsWholeShift) {
  const Movement movement =
      Stack({.part_px = from(11, 3.0), .part = cv::Rect(150, 70, 8, 64)}).movement();
  ASSERT_EQ(movement.parts.size(), 1U);
  EXPECT_EQ(movement.parts[0].frame, 11U);
  EXPECT_NEAR(movement.parts[0].shift_px, 3.0, 0.3);
  EXPECT_TRUE(movement.parts[0].conflict);
}

TEST(FindMovement, TheWholePictureAndTheViewpointMayMove) {
  const auto hand = [](std::size_t k) { return 0.4 * std::sin(1.7 * static_cast<double>(k)); };
  EXPECT_TRUE(Stack({.all_px = hand}).movement().parts.empty());
  EXPECT_TRUE(Stack({.parallax = 0.3}).movement().parts.empty());
}

TEST(FindMovement, ABumpBetweenTwoSweepsIsAnotherViewpointAndNoMove) {
  const Movement still = Stack({.num_frames = 22, .there_and_back = true}).movement();
  ASSERT_EQ(still.parallax_px.size(), 2U);
  EXPECT_EQ(still.parallax_px[0], 0.0);
  EXPECT_LT(still.parallax_px[1], 0.3);  // noise
  const Movement bumped = Stack({.num_frames = 22, .there_and_back = true, .bump = 0.5}).movement();
  // Half a px for each of the 6.4 px between 10 and 90 % of the depth. A tenth goes into scale,
  // which differs from it in one direction only.
  EXPECT_NEAR(bumped.parallax_px.at(1), 3.2, 0.4);
  EXPECT_TRUE(bumped.parts.empty());
}

// As drops do on which dew settles from one sweep to the next.
TEST(FindMovement, WhatGrewBetweenTwoSweepsDidNotMove) {
  const Movement movement = Stack({.num_frames = 22, .there_and_back = true, .growth = 0.0625})
                                .movement({.blur_limit_px = 4.0});
  EXPECT_TRUE(movement.parts.empty());
  ASSERT_FALSE(movement.grown.empty());
  EXPECT_EQ(movement.grown.front().sweep, 1U);
}

// By more than the blur limit it would be seen twice in the stack, whatever it is.
TEST(FindMovement, WhatGrewByMoreThanTheBlurLimitIsTold) {
  const Movement movement =
      Stack({.num_frames = 22, .there_and_back = true, .growth = 0.15}).movement();
  EXPECT_TRUE(movement.grown.empty());
  EXPECT_FALSE(movement.parts.empty());
}

TEST(FindMovement, WhatIsAnotherPictureFromAFrameOnIsAChangedPlace) {
  const cv::Rect part(140, 90, 26, 26);
  const Movement changed = Stack({.other_from = 11, .part = part}).movement();
  EXPECT_TRUE(changed.parts.empty());
  ASSERT_EQ(changed.changed.size(), 1U);
  EXPECT_EQ(changed.changed[0].before, 10U);
  EXPECT_EQ(changed.changed[0].after, 11U);
  // Tiles' windows are 24 px wide: those whose middle lies outside see it, too.
  EXPECT_GE(covered(changed.changed[0].box_on_grid, part), 0.6);
  EXPECT_LE(changed.changed[0].box_on_grid.area(), (part.width + 32) * (part.height + 32));
  EXPECT_TRUE(Stack({.part = part}).movement().changed.empty());
}

TEST(FindMovement, WhatMovedIsNoChangedPlace) {
  EXPECT_TRUE(Stack({.part_px = from(10, 3.0)}).movement().changed.empty());
}

TEST(FindMovement, SweepsOfOtherLightAreNotCompared) {
  const Stack stack({.num_frames = 22, .part_px = from(11, 4.0), .there_and_back = true});
  EXPECT_EQ(stack.movement({.lit_alike = {0, 0}}).parts.size(), 1U);
  EXPECT_TRUE(stack.movement({.lit_alike = {0, 1}}).parts.empty());
}

// One burst in 50 may raise a false alarm; of these 30, whose noise spans what cameras have, the
// pictures of a static scene are told from a moved one without one.
TEST(FindMovement, NoiseRaisesNoAlarm) {
  int alarms = 0;
  for (unsigned seed = 1; seed <= 30; ++seed)
    alarms += Stack({.num_frames = 13, .noise = 0.002 * (1 + seed % 5), .seed = seed})
                      .movement()
                      .parts.empty()
                  ? 0
                  : 1;
  EXPECT_EQ(alarms, 0);
}

TEST(FindMovement, SaysWhereItCannotLook) {
  const Movement movement = Stack({.num_frames = 4}).movement();
  EXPECT_FALSE(movement.looked);
  EXPECT_TRUE(movement.parts.empty());
  EXPECT_THROW((void)Stack({}).movement({.blur_limit_px = 0.0}), std::invalid_argument);
}

// A part, all of it at one depth, said to have moved before frame 3; frames 1 px apart, but for a
// jump there.
Movement said_to_move(double jump_px, double depth_px,
                      const std::vector<TileRole>& roles = {TileRole::subject}) {
  FocalPositions focus;
  for (int k = 0; k < 6; ++k)
    focus.frames.push_back(
        {.q_px = k + (k < 3 ? 0.0 : jump_px), .sd_px = 0.05, .usable = true, .shake_px = 0.0});
  focus.tiles.assign(roles.size(), {.q_px = depth_px, .weight = 1.0});
  Movement movement;
  movement.parts = {{.frame = 3, .tiles = {}, .shift_px = 3.0}};
  for (std::size_t t = 0; t < roles.size(); ++t) movement.parts[0].tiles.push_back(t);
  find_conflicts(movement, focus, roles, 2.0);
  return movement;
}

TEST(Movement, WhatIsSharpOnOneSideOfAJumpOfTheRingAloneIsNotTold) {
  EXPECT_EQ(said_to_move(3.5, 0.0).parts.size(), 0U) << "4.5 px where 4 are allowed";
  EXPECT_EQ(said_to_move(2.5, 0.0).parts.size(), 1U) << "3.5 px";
  EXPECT_EQ(said_to_move(3.5, 4.3).parts.size(), 0U) << "sharp on none";
  const Movement both = said_to_move(1.5, 2.5);
  ASSERT_EQ(both.parts.size(), 1U);
  EXPECT_TRUE(both.parts[0].conflict);
}

TEST(Movement, OfWhatIsNotSubjectNoConflictComes) {
  const auto conflict = [](const std::vector<TileRole>& roles) {
    const Movement movement = said_to_move(1.5, 2.5, roles);
    EXPECT_EQ(movement.parts.size(), 1U) << "it is told all the same";
    return !movement.parts.empty() && movement.parts[0].conflict;
  };
  using enum TileRole;
  EXPECT_TRUE(conflict({stray, stray, stray, subject})) << "what moves has often no good depth";
  EXPECT_FALSE(conflict({stray, stray, stray, stray})) << "noise";
  for (const TileRole other : {apart, not_meant}) {
    EXPECT_TRUE(conflict({other, other, subject, subject}));
    EXPECT_FALSE(conflict({other, other, other, subject}));
  }
  EXPECT_TRUE(conflict({perch, perch, perch, subject})) << "a leg before the stem";
  EXPECT_FALSE(conflict({perch, perch, perch, perch})) << "a blade in the wind";
}

}  // namespace
}  // namespace ringsweep
