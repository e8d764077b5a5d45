#pragma once
/// Spots: small bright ones of a frame, and how much of one is in another frame.

#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "ringsweep/grid_picture.h"

namespace ringsweep {

/// A small bright spot in one frame: maybe a light's picture in a drop.
struct Spot {
  cv::Point at;         ///< px of the grid
  double sigma_px = 0;  ///< of the Gaussian it is most like
  double height = 0;    ///< over what is around it, in root of the light
};

/// Bright spots of a frame: maxima of differences of Gaussians, of 1 to 6 px, that are no lines
/// (T. Lindeberg, Int. J. Computer Vision 30, 1998, from memory). Larger ones are looked for where
/// every second px is left, in octaves (D. G. Lowe, Int. J. Computer Vision 60, 2004, from memory).
/// @param light CV_32FC1, linear.
/// @return by size, row and column.
[[nodiscard]] std::vector<Spot> find_spots(const cv::Mat& light);

/// Where a spot and its surroundings lie in a patch around it.
struct SpotPlaces {
  explicit SpotPlaces(double sigma_px);
  std::vector<cv::Point> core;    ///< the spot, relative to its middle
  std::vector<cv::Point> ring;    ///< what it stands out against
  std::vector<cv::Point> others;  ///< middles of places like it around it
  int half_px = 0;                ///< a patch is 2 half_px + 1 px wide
  int seen_half_px = 0;           ///< ... of which the middle must be seen, in the same way
};

/// Share of a spot's light, 1 where all of it is there.
struct SpotShare {
  double share = 1.0;
  double sd = 1e9;  ///< 1 sigma
};

/// Light of the core over that of the ring, the first a mean, the second a median.
[[nodiscard]] double spot_height(const cv::Mat& light, const SpotPlaces& places);

/// What of the spot in `a` is in `b`, both around its place; of the two the less blurred one is
/// blurred as much as the other one first. What clips is brighter than it looks: where most of it
/// is clipped in `b`, all of it is there, and where it is in `a`, no more than all of it.
/// @param a_px, b_px  diameters of a point's discs in the two frames
[[nodiscard]] SpotShare share_of_spot(const GridPicture& a, const GridPicture& b, double a_px,
                                      double b_px, const SpotPlaces& places);

/// What has changed between two frames around a spot.
struct SpotChange {
  cv::Point2d middle;      ///< of what has changed together with the spot, px of the patch
  double radius_px = 0.0;  ///< of a disc as large; 0: nothing has
  double reach_px = 0.0;   ///< how far it extends from its middle
  double height = 0.0;     ///< change at the spot, root of the light
  double usual = 0.0;      ///< median change around
  double around = 0.0;     ///< share of what lies around it that has changed too, 0..1
  /// Log of how much of a step lies across its outline in `a` over that in `b`, by root mean
  /// square, root of the light. Above 0 where `a` shows a thing and `b` what it hid. changes_in()
  /// alone tells it.
  double outline = 0.0;
  bool elsewhere = false;  ///< the same is found a little away
  bool carried = false;    ///< ... and its surroundings with it
};

/// @param a, b  large patches, the spot at `at`; other parameters as in share_of_spot().
[[nodiscard]] SpotChange change_around(const GridPicture& a, const GridPicture& b, double a_px,
                                       double b_px, cv::Point at, double sigma_px);

/// What has changed in a box.
struct Changes {
  double usual = 0.0;  ///< median change of the whole patch
  /// Each thing, but for specks; `height` below 0 where the brightest of it is in `b`.
  std::vector<SpotChange> things{};
};

/// All that has changed in a box of two patches.
/// @param a, b  patches wider than the box, so that its surroundings tell what is usual
[[nodiscard]] Changes changes_in(const GridPicture& a, const GridPicture& b, double a_px,
                                 double b_px, const cv::Rect& box);

/// Share of what has changed from `a` to `b` in a disc that has changed in `other`, too: 1 where
/// that shows what `b` does, 0 where it shows what `a` does. All three are patches of one place.
[[nodiscard]] double share_changed(const GridPicture& a, const GridPicture& b,
                                   const GridPicture& other, double a_px, double b_px,
                                   double other_px, cv::Point2d middle, double radius_px);

/// A part of a picture; what lies beyond it or is not seen is what lies opposite the part's middle.
/// @param box  overlaps it
[[nodiscard]] GridPicture part_of(const PackedPicture& picture, const cv::Rect& box);

}  // namespace ringsweep
