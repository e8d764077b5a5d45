#pragma once
/// Sensor data in memory -> LinearFrame, through LibRaw.

#include <optional>
#include <span>
#include <string>

#include "ringsweep/decode.h"

namespace ringsweep {

/// The embedded preview where it has at least half of the sensor's width, else the half-size green
/// of the mosaic: black level subtracted, scaled to the white level, linear. Sensors without a
/// mosaic of 2 x 2, and files with three colours a pixel, go through LibRaw's own linear half-size
/// picture.
[[nodiscard]] Result<LinearFrame> read_raw(std::span<const unsigned char> bytes,
                                           const std::string& file, const DecodeOptions& options);

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
