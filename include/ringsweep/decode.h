#pragma once
/// Decode: FrameRef -> LinearFrame, or ViewFrame. The second and last place where a picture file is
/// opened.

#include <optional>

#include "ringsweep/frame.h"
#include "ringsweep/result.h"

namespace ringsweep {

struct DecodeOptions {
  /// Shrink the picture by this factor while decoding: 1, 2, 4 or 8. The working scale is the
  /// analysis' decision (analyse.h); a raw's half-size mosaic counts as 2 already.
  int reduction = 1;
  /// Refuse a picture with more pixels than this: a damaged header can ask for any amount of
  /// memory.
  double max_megapixels = 400.0;
  /// Of a view: rows that are needed, px of the full-size picture. What lies above and below may be
  /// left black, which saves the better part of the work.
  std::optional<cv::Range> rows{};
};

/// Reads one picture, what it is being decided by its content, not its name. JPEG through its codec
/// (src/intake/jpeg_reader.h says why), PNG, TIFF and BMP through OpenCV, then the inverse sRGB
/// transfer function (IEC 61966-2-1); floats, of three colours, count as linear. Raw through
/// LibRaw, the embedded preview, of whose file no more is read, or the half-size green of the
/// mosaic, which is linear already. A picture that is smaller than FrameRef::full_size is a reduced
/// copy of it: its px are counted in full-size px, and `reduction` is from the full size, too. Grey
/// pictures count as luminance. Data that end too early or are damaged are an error, never a
/// picture with a grey rest. The error names the file, the reason and what to do. Safe to call from
/// many threads. Never throws for what is in the file.
/// @throws std::invalid_argument  reduction not 1, 2, 4 or 8; max_megapixels not above 0.
[[nodiscard]] Result<LinearFrame> decode(const FrameRef& frame, const DecodeOptions& options = {});

/// A view that comes along when a frame is decoded.
struct ViewAlong {
  int times = 1;  ///< px of the frame per px of the view, >= 1
  /// As decode_view() gives it, each px the mean of `times` x `times`; empty where the file is none
  /// of which colours come by the way, so that decode_view() must open it.
  ViewFrame view;
};

/// decode() that makes a view of the same px.
[[nodiscard]] Result<LinearFrame> decode_along(const FrameRef& frame, const DecodeOptions& options,
                                               ViewAlong& along);

/// The same for eyes: 8 bit in the file's own tone curve, which is taken for sRGB. In colour where
/// the file is, but for the sensor data of a raw file, which are grey.
[[nodiscard]] Result<ViewFrame> decode_view(const FrameRef& frame,
                                            const DecodeOptions& options = {});

/// The small picture that a camera puts into a file's Exif data, about 160 px wide: what a frame
/// shows, without reading it. Nothing where there is none that can be read.
[[nodiscard]] std::optional<LinearFrame> decode_thumbnail(const FrameRef& frame);

}  // namespace ringsweep
