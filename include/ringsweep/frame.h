#pragma once
/// What is known of a frame before and after it is decoded.

#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

namespace ringsweep {

/// Settings that the camera wrote down; each absent where the file does not say.
struct CameraSettings {
  std::optional<double> exposure_time_s;
  std::optional<double> f_number;  ///< as written: marked or working is not known (REFERENCES 0.3)
  std::optional<double> focal_length_mm;
  std::optional<double> iso;
};

/// A file of a burst and what its metadata say. Nothing of the picture is held.
struct FrameRef {
  std::string path;              ///< the file to open; used by decode only, never reported
  std::string file;              ///< its name, as reported
  std::optional<double> time_s;  ///< capture time, seconds since 1970 of the camera's own clock
  std::optional<int> number;     ///< the digits that end the name, if it has any
  int orientation = 1;           ///< Exif orientation, 1 to 8 (CIPA DC-008, tag 0x0112)
  CameraSettings settings;
  std::optional<double> pixel_pitch_mm;  ///< of the full-size picture, from FocalPlaneXResolution
  std::optional<cv::Size> full_size;     ///< sensor orientation; absent where the file does not say
  bool is_raw = false;                   ///< sensor data: decode goes through LibRaw
};

/// At least one frame shot one after the other, in capture order.
struct Burst {
  std::string folder;  ///< name of the folder, not its path
  std::vector<FrameRef> frames;
};

/// One decoded picture in linear light, in sensor orientation (no Exif rotation applied).
struct LinearFrame {
  cv::Mat luminance;   ///< CV_32FC1, rows x cols, linear, 0 black to 1 white; BT.709 weights
  cv::Mat clipped;     ///< CV_8UC1, same size, 255 where a channel is at its upper end, else 0
  cv::Size full_size;  ///< of the full-size frame, px
  /// Full-size px per pixel of `luminance`; 1 or more. Exact: what fills no whole pixel at the
  /// right and lower edge is left away, so the centre of pixel x lies at full_px_per_px * (x + 0.5)
  /// - 0.5.
  double full_px_per_px = 1.0;
};

/// A picture to look at, in sensor orientation.
struct ViewFrame {
  cv::Mat bgr;                  ///< CV_8UC3, sRGB (IEC 61966-2-1)
  cv::Size full_size;           ///< as in LinearFrame
  double full_px_per_px = 1.0;  ///< as in LinearFrame
};

}  // namespace ringsweep
