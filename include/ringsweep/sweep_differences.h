#pragma once
/// Sweep differences: what is visibly not the same in two sweeps of one burst. Frames of both in
/// one stack then show it: a seam of light, an edge seen twice.

#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/focal_positions.h"
#include "ringsweep/for_each.h"
#include "ringsweep/profiles.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

/// How a frame shows the scene.
struct FrameView {
  double log_scale = 0.0;  ///< of its picture
  double rotation_deg = 0.0;
  double shift_x = 0.0;  ///< of its picture, in widths of the picture
  double shift_y = 0.0;
  std::optional<double> light_ev{};
};

/// Of a sweep against the first one, or where the sweeps have no common fit, against the best one;
/// 0: no visible difference.
struct SweepDifference {
  double light_ev = 0.0;      ///< positive is lighter
  double size = 0.0;          ///< relative, of the picture where both focus alike
  double rotation_deg = 0.0;  ///< of the camera about the line of sight
  double shift = 0.0;         ///< of the picture, in its widths: seen from another place, maybe
  double viewpoint_px = 0.0;  ///< Movement::parallax_px, where that is more than the blur limit
  double blur = 0.0;          ///< relative, for the same depth: another aperture
  bool light_from_elsewhere = false;  ///< groups_lit_alike() has it in another group
  bool drop_size = false;             ///< Movement::grown has some since the first sweep
  [[nodiscard]] bool any() const {
    return light_ev != 0.0 || size != 0.0 || rotation_deg != 0.0 || shift != 0.0 ||
           viewpoint_px != 0.0 || blur != 0.0 || light_from_elsewhere || drop_size;
  }
};

/// From where on a difference counts as visible. Ours, no source.
struct SweepDifferenceOptions {
  double light_ev = 0.5;
  double size = 0.01;
  double rotation_deg = 1.0;
  double shift = 0.03;
  /// Of a quarter of the subject, and of the perch, against the rest of it. An eye tells 1 to 2 %
  /// of brightness, 0.014 to 0.03 EV (Weber's fraction, from memory); sweeps that are lit alike
  /// came to 0.01.
  double shading_ev = 0.025;
};

/// Medians over the usable frames of each sweep; sizes are compared at equal positions, since the
/// ring changes them too (breathing).
/// @param views N, order of the frames
/// @return one a sweep, the first without a difference
[[nodiscard]] std::vector<SweepDifference> compare_sweeps(
    const FocalPositions& focus, std::span<const SweepRange> sweeps,
    std::span<const FrameView> views, const SweepDifferenceOptions& options = {});

/// Whether one of the sweeps blurs the same turn of the ring by another share than the others do:
/// through another aperture. A fit of all may settle between them all the same.
///
/// Each sweep is fitted by itself, by its sharpness alone. The ring changes the picture's scale
/// with each turn alike, whatever the aperture (breathing): per px of blur it changes it the less,
/// the wider the aperture is. Sweeps of which the fit, or the breathing, tells too little count as
/// alike.
/// @param use  N; false leaves a frame out @param log_scale  N, of each frame's picture
[[nodiscard]] bool blurs_differ(const Profiles& profiles, const std::vector<bool>& use,
                                std::span<const double> log_scale,
                                std::span<const SweepRange> sweeps,
                                const ForEach& for_each = for_each_in_order);

/// Which sweeps the light fell on the subject alike in. Where it came from elsewhere (a flash that
/// turned, a diffuser that bent) shading lies elsewhere on the subject, and passes for movement.
///
/// Two sweeps are compared by the frames that focus most alike in both: the logarithm of the ratio
/// of a tile's light in the two, less its median over the tiles (exposure), median over the frames.
/// They differ where a quarter of the subject does by more than `shading_ev`, and a quarter of the
/// perch too: what the animal does changes the light on itself alone.
/// @param light    N, frame by frame: CV_32FC1, mean light of the tiles; NaN where not seen, empty
///                 for frames that were not measured
/// @param subject, perch  their tiles, column and row; with fewer than 20 of either all are alike
/// @param blur_limit_px  > 0; frames more than half of it apart in focus are not compared
/// @return one a sweep: the index of the first sweep that is lit like it
[[nodiscard]] std::vector<std::size_t> groups_lit_alike(
    const FocalPositions& focus, std::span<const SweepRange> sweeps, std::span<const cv::Mat> light,
    std::span<const cv::Point> subject, std::span<const cv::Point> perch, double blur_limit_px,
    const SweepDifferenceOptions& options = {});

}  // namespace ringsweep
