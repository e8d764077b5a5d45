#pragma once
/// Registration: shift, rotation and scale of every frame to one reference.
///
/// The scale is kept: turning the ring changes it (breathing), DESIGN section 3.

#include <array>
#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/for_each.h"

namespace ringsweep {

/// x' = exp(log_scale) R(rotation) (x - c) + c + (shift_x, shift_y), c the picture's centre.
struct Similarity {
  double log_scale = 0.0;
  double rotation_rad = 0.0;
  double shift_x_px = 0.0;
  double shift_y_px = 0.0;

  /// As a 3 x 3 matrix. @param center px of the picture it acts on.
  [[nodiscard]] cv::Matx33d matrix(cv::Point2d center) const;

  /// The same movement of a picture with `factor` times as many px a side.
  [[nodiscard]] Similarity in_other_px(double factor) const;
};

/// What registering one frame on another found.
struct Link {
  Similarity to_from;                   ///< brings `from` px to `to` px
  std::array<double, 4> information{};  ///< diagonal, 1 / variance, order as in Similarity
  double correlation = 0.0;             ///< of the two pictures where they overlap, -1..1
  bool converged = false;
  cv::Mat astray{};  ///< CV_8UC1, tiles of `to` that go another way than most: 255; empty: none
};

struct RegistrationOptions {
  int max_iterations = 30;       ///< per pyramid level
  std::size_t max_levels = 99;   ///< fewer where the start is good: only the finest
  double min_correlation = 0.6;  ///< below this it takes alike() to link two pictures
};

/// A frame made small for registration: log luminance on a pyramid, finest first, CV_32FC1.
struct Thumbnail {
  std::vector<cv::Mat> levels;
};

/// @param luminance CV_32FC1 linear, any exposure. @param floor added before the logarithm, so that
/// noise in the dark does not count as texture; > 0.
[[nodiscard]] Thumbnail make_thumbnail(const cv::Mat& luminance, double floor = 0.01,
                                       int coarsest_px = 24);

/// Registers `from` on `to`, coarse to fine, Gauss-Newton on log luminance with a free offset (the
/// exposure) and a robust loss. Blur is symmetric and moves nothing; what it takes away only
/// weakens the evidence. What goes another way than most of the picture is left out in the end,
/// where it is more than a little of it. Sizes may differ; coordinates are about each picture's own
/// centre. Cramer-Rao bound of such an estimate: Robinson & Milanfar, IEEE TIP 13(9), 2004.
[[nodiscard]] Link register_pair(const Thumbnail& to, const Thumbnail& from,
                                 const Similarity& start, const RegistrationOptions& options = {});

/// Whether two pictures show the same thing.
enum class Alike { no, unsure, yes };

/// Compares what lies between coarse and coarsest in two pictures, brought onto each other there: a
/// band that blur leaves alone up to discs of about a sixth of the picture's width, in which
/// fall-off to the corners and other smooth light counts for little. `no` takes evidence: a picture
/// without detail of its own is like no other.
[[nodiscard]] Alike alike(const Thumbnail& a, const Thumbnail& b);

/// Where every frame lies against the reference.
struct Registration {
  std::size_t reference = 0;
  std::vector<Similarity> reference_from_frame;  ///< N, px of the thumbnails
  std::vector<bool> same_picture;                ///< false: shows something else, or nothing
  /// CV_32FC1, one a tile of the picture: in which share of the links it went another way than
  /// most, as grass does that sways before the subject. Empty: none did.
  cv::Mat astray;
};

/// Links neighbours, and frames farther apart against drift, and adjusts all links together.
/// @param thumbnails N, capture order. @param take N: false leaves a frame out (dark, unreadable);
/// it gets the place of its nearest neighbour.
[[nodiscard]] Registration register_burst(std::span<const Thumbnail> thumbnails,
                                          const std::vector<bool>& take,
                                          const RegistrationOptions& options = {},
                                          const ForEach& for_each = for_each_in_order);

}  // namespace ringsweep
