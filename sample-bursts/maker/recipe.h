#pragma once
/// A recipe: everything a burst is made from. Same recipe, same pixels.

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/result.h"

namespace ringsweep::maker {

/// Unit focusing, the lens stays where it is and the sensor's distance from it changes.
struct Optics {
  double focal_length_mm = 60.0;
  double pupil_mm = 6.0;     ///< entrance-pupil diameter
  double pitch_mm = 0.0136;  ///< of a picture pixel
  double v_ref_mm = 136.0;   ///< image distance of the scene's depth 0; scale 1
};

/// A hand that turns the ring one way, unevenly. Positions in px of blur at v_ref; they grow to
/// near.
struct Sweep {
  double from_px = 17.0;
  double to_px = -17.0;
  double smallest_step_px = 0.6;
  double largest_step_px = 2.2;
  std::optional<double> jump_at_px;  ///< the ring slips: one larger step over this position
  double jump_px = 0.0;              ///< its size
};

/// What the sensor makes of the light.
struct Sensor {
  double full_well_e = 15000.0;  ///< electrons at white; photon noise is the root of their number
  double read_noise_e = 5.0;
  int jpeg_quality = 90;
};

/// A frame whose flash fired weakly or not at all.
struct FlashEvent {
  int frame = 1;    ///< from 1
  double ev = 0.0;  ///< against the fully lit frames
};

struct Recipe {
  std::string name = "unnamed";
  std::uint64_t seed = 1;       ///< of the scene
  std::uint64_t hand_seed = 1;  ///< of steps, shifts, times and noise
  int width_px = 1280;
  int height_px = 960;
  double raster_per_px = 2.0;  ///< how much finer than the pictures the scene is sampled
  double depth_scale = 1.0;    ///< < 1 flattens the scene
  Optics optics;
  Sweep sweep;
  std::vector<double> v_mm;  ///< image distance of every frame; empty: as the sweep says
  double shift_sd_px = 0.4;
  double rotation_sd_deg = 0.0;
  double flicker_sd_ev = 0.03;
  Sensor sensor;
  std::vector<FlashEvent> flash;
  std::string prefix = "DSC0";  ///< of file names; four digits follow
  int first_number = 2101;
  std::string start_time = "2024:06:16 05:24:10.200";  ///< Exif date and time with milliseconds
  double interval_s = 0.1;
  double interval_sd_s = 0.004;
};

/// Reads a recipe; fields that are absent keep their defaults, unknown ones are an error.
[[nodiscard]] Result<Recipe> read_recipe(const std::filesystem::path& file);

/// One frame, before it is taken.
struct FramePlan {
  std::string file;
  std::string time;  ///< "YYYY:MM:DD HH:MM:SS.mmm"
  double v_mm = 0.0;
  double ref_q_px = 0.0;  ///< focal position at the scale of v_ref
  double shift_x_px = 0.0;
  double shift_y_px = 0.0;
  double rotation_deg = 0.0;
  double exposure_ev = 0.0;  ///< flash event and flicker
};

/// The frames of a recipe in the order they are taken.
/// @throws std::invalid_argument  impossible optics or sweep, a time that is none
[[nodiscard]] std::vector<FramePlan> plan_frames(const Recipe& recipe);

}  // namespace ringsweep::maker
