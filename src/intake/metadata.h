#pragma once
/// A picture file -> what its metadata say. Exiv2 is called here, and to write
/// sidecars (src/app/sidecar.h), nowhere else.

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/frame.h"

namespace ringsweep {

struct Metadata {
  std::optional<double> time_s;
  int orientation = 1;
  CameraSettings settings;
  std::optional<double> pixel_pitch_mm;
  std::optional<cv::Size> file_size;  ///< of the picture in the file
  std::optional<cv::Size> full_size;  ///< of what the camera shot: larger for a reduced copy
  FullSizeFrom full_size_from = FullSizeFrom::file;
  std::string camera;  ///< tells the frames of two cameras apart; empty where the file does not say
};

/// Never throws. What cannot be, such as a year 0, a negative time or a division by 0, counts as
/// absent.
[[nodiscard]] Metadata read_metadata(const std::filesystem::path& path, bool is_raw);

/// The JPEG that the Exif data hold as a thumbnail; empty where they hold none. Never throws.
[[nodiscard]] std::vector<unsigned char> embedded_thumbnail(const std::filesystem::path& path);

/// "YYYY:MM:DD HH:MM:SS" and the digits of a fraction ("5" is .5, "05" is .05) -> seconds since
/// 1970.
[[nodiscard]] std::optional<double> capture_time_s(std::string_view date_time,
                                                   std::string_view fraction);

/// Pixel pitch from FocalPlaneXResolution (pixels per unit) and its unit (2 inch, 3 cm, 4 mm, 5
/// um).
[[nodiscard]] std::optional<double> pixel_pitch_mm(double pixels_per_unit, int unit);

}  // namespace ringsweep
