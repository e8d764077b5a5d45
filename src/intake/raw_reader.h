#pragma once
/// Raw files -> what they have to offer, and sensor data in memory -> LinearFrame, through LibRaw.

#include <optional>
#include <span>
#include <string>

#include "ringsweep/decode.h"

namespace ringsweep {

/// The JPEG that a raw file holds for a preview, where it has the sensor's shape.
struct RawPreview {
  std::size_t offset = 0;  ///< of its first byte in the file
  std::size_t length = 0;  ///< bytes
  cv::Size size;           ///< px
  cv::Size full_size;      ///< of the full-size picture: the sensor's, or all of it but its edges
  double full_px_per_px = 1.0;
};

/// Whether it is as good as the sensor data, which give half-size green: half of the sensor's width
/// or more.
[[nodiscard]] bool is_large_enough(const RawPreview& preview);

/// What a raw file has to offer.
struct RawOffer {
  cv::Size sensor;  ///< visible area, px
  std::optional<RawPreview> preview;
};

/// Reads the headers of the file and of its preview. Nothing where it is no raw file.
[[nodiscard]] std::optional<RawOffer> look_into_raw(const std::string& path);

/// The half-size green of the mosaic: black level subtracted, scaled to the white level, linear.
/// Sensors without a mosaic of 2 x 2, and files with three colours a pixel, go through LibRaw's own
/// linear half-size picture.
[[nodiscard]] Result<LinearFrame> read_sensor_data(std::span<const unsigned char> bytes,
                                                   const std::string& file,
                                                   const DecodeOptions& options);

/// What LibRaw knows of a file whose metadata no one else can read.
struct RawMetadata {
  std::optional<double> time_s;  ///< whole seconds, as the camera's own clock
  int orientation = 1;           ///< Exif
  std::optional<double> exposure_time_s, f_number, focal_length_mm, iso;
  std::string camera;
};

/// Opens the file for its header only. Nothing where it cannot.
[[nodiscard]] std::optional<RawMetadata> read_raw_metadata(const std::string& path);

}  // namespace ringsweep
