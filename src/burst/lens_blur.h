#pragma once
/// Blur of the lens's own, told from the pictures: where diffraction (or a soft lens) and defocus
/// act together, curves measured with discs make distances too short.

#include <cstddef>
#include <optional>

#include "ringsweep/focal_positions.h"
#include "ringsweep/profiles.h"

namespace ringsweep {

/// How two readings that need no lens data came out. A soft lens shows in both, other things in one
/// of them at most: texture that is soft itself in the second, sharpening and demosaicing in the
/// camera in the first, tiles with several depths in either.
struct LensBlurSigns {
  /// How much less squared blur the finest band reads than the middle one, log of their ratio, some
  /// px out of focus: defocus takes less of a frequency that diffraction has weakened already.
  double bands_apart = 0.0;
  /// How much faster the finest band's curve falls than the middle one's where blur begins. What
  /// the mosaic lacks in fine detail makes it less.
  double fall_ratio = 0.0;
  std::size_t tiles = 0;  ///< that told both
};
[[nodiscard]] LensBlurSigns find_lens_blur_signs(const Profiles& profiles,
                                                 const FocalPositions& focus);

/// Lens blur and what it does to the scale.
struct LensBlur {
  double short_by = 0.0;         ///< the share of a distance that is likely lacking; 0: nothing
  double quarter_wave_px = 0.0;  ///< the quarter-wave blur that does so, px
};

/// Where the signs say too little: as if 2 to 3 px of quarter-wave blur were there, which is common
/// with small pixels. Ours, no source.
inline constexpr LensBlur kLensBlurNotTold{.short_by = 0.15};

/// @param full_px_per_px of the pictures the signs were read on
/// @param least_px  quarter-wave blur with the f-number in the files, the least it can be; 0 where
/// they do not say
/// @return empty where the signs say too little to tell
[[nodiscard]] std::optional<LensBlur> lens_blur(const LensBlurSigns& signs, double full_px_per_px,
                                                double least_px);

/// The scale's sd with it: an interval of 95 % holds what is lacking.
[[nodiscard]] double scale_sd_with(const LensBlur& blur, double scale_sd);

}  // namespace ringsweep
