#pragma once
/// Decode: FrameRef -> LinearFrame. The second and last place where a picture file is opened.

#include "ringsweep/frame.h"
#include "ringsweep/result.h"

namespace ringsweep {

struct DecodeOptions {
  /// Shrink the picture by this factor while decoding: 1, 2, 4 or 8. The working scale is the
  /// analysis' decision (analyse.h); a raw's half-size mosaic counts as 2 already.
  int reduction = 1;
  /// Refuse a picture with more pixels than this: a damaged header can ask for any amount of memory.
  double max_megapixels = 400.0;
};

/// Reads one picture: JPEG, PNG, TIFF, BMP (8 and 16 bit) through OpenCV and the inverse sRGB transfer
/// function (IEC 61966-2-1); raw through LibRaw, the embedded preview where it has at least half of
/// the sensor's width, else the half-size green of the mosaic, which is linear already.
/// Grey pictures count as luminance. The error names the file, the reason and what to do. Safe to
/// call from many threads. Never throws for what is in the file.
[[nodiscard]] Result<LinearFrame> decode(const FrameRef& frame, const DecodeOptions& options = {});

}  // namespace ringsweep
