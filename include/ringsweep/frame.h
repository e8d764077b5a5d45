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

/// What says how large the camera's full-size picture is, of which a file may be a reduced copy.
enum class FullSizeFrom {
  file,    ///< the file itself: nothing speaks against it
  exif,    ///< its metadata tell of a larger picture
  raw,     ///< the raw file of the same name
  user,    ///< said
  unknown  ///< a small picture that may be a reduced copy
};

/// Which picture of a raw file is read.
enum class RawPicture {
  by_size,  ///< the embedded preview from half of the sensor's width up, else the sensor data
  preview,  ///< the preview, however small; the sensor data where there is none
  sensor    ///< the sensor data
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
  /// Of the camera's full-size picture, sensor orientation; absent where the file does not say.
  std::optional<cv::Size> full_size;
  /// Of the picture in the file, sensor orientation: smaller than `full_size` where it is a reduced
  /// copy. Absent where the file does not say.
  std::optional<cv::Size> file_size{};
  FullSizeFrom full_size_from = FullSizeFrom::file;
  bool is_raw = false;  ///< sensor data: decode goes through LibRaw
  RawPicture raw_picture = RawPicture::by_size;
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
  cv::Size full_size;  ///< of the camera's full-size frame, px: not that of a reduced copy
  /// Full-size px per pixel of `luminance`; 1 or more. Exact: what fills no whole pixel at the
  /// right and lower edge is left away, so the centre of pixel x lies at full_px_per_px * (x + 0.5)
  /// - 0.5.
  double full_px_per_px = 1.0;
  /// The same of the picture in the file, before decode() shrinks it: more than 1 for a reduced
  /// copy. 1 for sensor data, of which every pixel is there.
  double full_px_per_file_px = 1.0;
};

/// By how much a picture of which one px is `full_px` full-size px is still to be shrunk, 1, 2, 4
/// or 8, so that one is `reduction` of them, or half as many again at most.
[[nodiscard]] inline int left_to_shrink(int reduction, double full_px) {
  int left = reduction;
  while (left > 1 && left * full_px > 1.5 * reduction) left /= 2;
  return left;
}

/// A picture to look at, in sensor orientation.
struct ViewFrame {
  cv::Mat bgr;                       ///< CV_8UC3, sRGB (IEC 61966-2-1)
  cv::Size full_size;                ///< as in LinearFrame
  double full_px_per_px = 1.0;       ///< as in LinearFrame
  double full_px_per_file_px = 1.0;  ///< as in LinearFrame
};

}  // namespace ringsweep
