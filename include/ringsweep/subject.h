#pragma once
/// Subject: which tiles of the picture the photographer wants sharp.
///
/// Found where nobody says it: tiles that agree with their neighbours about their depth. What runs
/// out of the picture (stem, blade, leaf) is the perch: it is no subject beyond the animal's own
/// depth, unless the sweep goes on past its end: then the whole of it was meant; and it opens no
/// end. A perch shows itself in four ways: as a band that is followed to the picture's border
/// (bands.h), as a plane in picture and depth that reaches it, bent where that holds more of it, as
/// a long strip whose ends lie at it or fade where the sweep ends in depth, and, beyond the sweep's
/// ends, as a piece that reaches the border; and it leaves the picture about as thick as it is.
/// Where it goes through the picture as a strip, only what lies within the strip is perch, or
/// sticks out of it where no animal is. What lies on it alone, a drop, goes with it. The planes are
/// sought by random triples of tiles: M. A. Fischler, R. C. Bolles, Comm. ACM 24 (1981) 381, from
/// memory.

#include <cstddef>
#include <cstdint>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

enum class TileRole : std::uint8_t {
  stray,  ///< fits badly, or disagrees with all its neighbours
  subject,
  perch,     ///< runs out of the picture, and lies where it does not count
  apart,     ///< behind a break in depth beyond an end, or too blurred to have a depth
  not_meant  ///< outside what the user said
};

/// What the picture shows beside depth. CV_8UC1, grid rows x cols; empty: not known.
struct SubjectView {
  cv::Mat all_see{};  ///< 255 where all measured frames see the tile; empty: the whole grid
  cv::Mat bands{};    ///< 255 where what is seen runs out of the picture: find_bands()
};

/// What the user says. What is said is believed.
struct SubjectWish {
  /// CV_8UC1, grid rows x cols; tiles that are 0 are no subject. Empty: not said.
  cv::Mat mask{};
  std::optional<double> low_px{};   ///< nothing below this position is wanted
  std::optional<double> high_px{};  ///< nothing above
};

struct SubjectOptions {
  double min_weight = 0.05;  ///< tiles that fit the model worse do not count
  double agree_px = 2.5;     ///< neighbours that differ by no more agree
  int agreeing = 2;          ///< so many of the eight neighbours must, or a tile is stray
  double island_gap_px =
      6.0;                 ///< beyond an end, what lies this far behind empty depth is no subject
  double reach_px = 14.0;  ///< farther beyond an end, blur is too strong to tell a depth
  /// Such a share of the picture, and of the tiles that show their depth, is no speck: a body that
  /// is nowhere sharp. Ours: on 437 bursts of bench/accuracy's open seeds all that were as large
  /// lay beyond an open end.
  double body_of_picture = 0.02;
  double body_of_tiles = 0.15;
  int border_tiles = 2;   ///< so near to what not all frames see, a piece runs out of the picture
  double plane_px = 1.2;  ///< a perch keeps this close to its plane,
  double plane_share = 0.04;  ///< or this share of the sweep: a seed-head is thick
  /// In a shallower sweep an animal lies in the plane of what it stands on: no strips are sought.
  double strip_sweep_px = 30.0;
  double fading_share = 0.08;  ///< of the sweep: so close to its ends a strip fades out of focus
  double plane_extent = 0.4;   ///< of the picture's width or height that a plane must span
  int plane_trials = 400;
  unsigned seed = 1;
};

struct Subject {
  std::vector<TileRole> roles;       ///< M, order of the profiles' tiles
  std::vector<double> positions_px;  ///< of the subject's tiles, rising
  /// Of these what lies within the animal's own depth: all but perch that counts because the sweep
  /// goes on past it.
  std::vector<double> animal_px;
  /// Whether its ends are known: false where all that is seen runs out of the picture, or too
  /// little is seen. What lies beyond the sweep is then not for us to judge.
  bool trusted = false;
  bool said = false;       ///< by the user
  bool perch_low = false;  ///< a perch goes on below the sweep's lowest position
  bool perch_high = false;
};

/// @param blur_limit_px > 0
/// @throws std::invalid_argument where a mask has another size than the grid.
/// Same input, same result: the random triples come from `seed`.
[[nodiscard]] Subject find_subject(const Profiles& profiles, const FocalPositions& focus,
                                   double blur_limit_px, const SubjectView& view,
                                   const SubjectWish& wish = {},
                                   const SubjectOptions& options = {});

/// Subject that lies outside the picture in all usable frames within the blur limit of its focus:
/// the picture grows through the sweep, and its border leaves some out just where they are sharp.
struct Outside {
  double subject_share = 0.0;
  std::size_t first_frame = 0;  ///< of those frames
  std::size_t last_frame = 0;
};

/// @param seen N masks, CV_8UC1, grid rows x cols, 0 where a frame does not see the tile; empty for
/// frames that were not measured.
/// @throws std::invalid_argument where there are not N.
[[nodiscard]] Outside outside_picture(const Profiles& profiles, const FocalPositions& focus,
                                      const Subject& subject, std::span<const cv::Mat> seen,
                                      double blur_limit_px);

}  // namespace ringsweep
