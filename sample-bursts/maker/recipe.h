#pragma once
/// A recipe: everything a burst is made from. Same recipe, same pixels.

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/result.h"

namespace ringsweep::maker {

/// What moves when the ring is turned.
enum class Focusing {
  lens_fixed,  ///< unit focusing, the lens stays and the sensor moves: one viewpoint
  body_fixed,  ///< unit focusing, the sensor stays and the lens moves: the viewpoint with it
  internal     ///< glass inside the lens moves: the scale changes by a factor of its own
};

enum class PupilShape { round, hexagonal };

struct Optics {
  double focal_length_mm = 60.0;
  double pupil_mm = 6.0;     ///< entrance-pupil diameter
  double pitch_mm = 0.0136;  ///< of a picture pixel
  double v_ref_mm = 136.0;   ///< image distance of the scene's depth 0; scale 1
  Focusing focusing = Focusing::lens_fixed;
  double breathing = 1.0;  ///< internal focusing: log scale against that of unit focusing; 0: none
  PupilShape pupil = PupilShape::round;
  double vignetting = 0.0;         ///< share of the light that the corners lose
  double spherical = 0.0;          ///< a disc's rim is brighter than its mean by this share on the
                                   ///< far side of the focus, darker on the near side; -1..1
  bool diffraction = false;        ///< defocus and diffraction together, at N_w = v_ref / pupil
  std::vector<double> waves_um{};  ///< wavelengths for it, red to blue; empty: 0.60, 0.55, 0.47
};

/// Where the ring rests, turns back or sticks.
struct Hesitation {
  double at_px = 0.0;    ///< when this focal position is passed
  int frames = 0;        ///< stands for so many frames
  double back_px = 0.0;  ///< then goes back by as much before it goes on
  double play_px = 0.0;  ///< the ring's play: lost at each change of direction
};

/// One wide step: the ring slips, or stuck and comes free.
struct Jump {
  double at_px = 0.0;  ///< the middle of the step
  double width_px = 0.0;
};

/// A hand that turns the ring one way, unevenly. Positions in px of blur at v_ref; they grow to
/// near.
struct Sweep {
  double from_px = 17.0;
  double to_px = -17.0;
  double smallest_step_px = 0.6;
  double largest_step_px = 2.2;
  double sway = 0.0;  ///< 0: every step by itself; 1: the hand's speed changes slowly
  std::vector<Jump> jumps{};
  std::vector<Hesitation> hesitations{};
  std::optional<double> end_stop_px{};  ///< the ring goes no further; the hand goes on for 3 frames
  double pause_s = 0.0;                 ///< before the sweep
  // What else is different from here on, against the first sweep.
  double pupil_factor = 1.0;
  double bump_x_px = 0.0;
  double bump_y_px = 0.0;
  double light_turn_deg = 0.0;  ///< the flash stands elsewhere, around the line of sight
  double drop_growth = 1.0;     ///< radius of the drops
};

enum class FileFormat {
  jpeg,
  tiff16,  ///< demosaiced, sRGB
  dng      ///< the mosaic, linear
};

/// What the sensor makes of the light.
struct Sensor {
  double full_well_e = 15000.0;  ///< electrons at white; photon noise is the root of their number
  double read_noise_e = 5.0;
  int jpeg_quality = 90;
  bool mosaic = false;       ///< one colour a pixel (red upper left), interpolated
  double sharpening = 0.0;   ///< unsharp mask in camera: share of what a Gaussian takes away
  double sharpening_px = 1;  ///< sigma of that Gaussian
  double tone_curve = 0.0;   ///< 0: sRGB as it is; 1: a strong S around middle grey
  FileFormat format = FileFormat::jpeg;
  double preview = 0.0;  ///< of a DNG: width of the JPEG in it over that of the mosaic; 0: none
};

/// A frame whose flash fired weakly, not at all, or lit a part only.
struct FlashEvent {
  int frame = 1;        ///< from 1
  double ev = 0.0;      ///< against the fully lit frames
  double lit_to = 1.0;  ///< rows from the top to this share of the height are lit
};

/// Light that is there without the flash: adds to every frame, rising evenly.
struct Ambient {
  double first_ev = -20.0;  ///< against the flash, first frame
  double last_ev = -20.0;
};

/// Motion blur along a straight line of this length.
struct ShakeEvent {
  int frame = 1;
  double x_px = 0.0;
  double y_px = 0.0;
};

/// From a frame on, a share of the light is spread evenly over the picture.
struct Haze {
  int from_frame = 0;  ///< 0: never
  double share = 0.0;
  bool grows = false;  ///< evenly, from none just before that frame to the whole share in the last
};

/// A part of the animal that moves: it turns about its joint, and what is farther out moves more.
struct Move {
  enum class Kind {
    stays,       ///< elsewhere from a frame on
    drifts,      ///< evenly from this frame to the last
    to_and_fro,  ///< about its place, this frame on
  };
  std::string part;       ///< see scenes.h
  int frame = 1;          ///< first frame in which it is elsewhere
  double shift_px = 0.0;  ///< 90th percentile over what is seen of it
  double way_deg = 0.0;   ///< direction in the picture: 0 to the right, 90 down
  Kind kind = Kind::stays;
};

/// The whole subject, with its perch, in some frames.
struct Sway {
  int first = 1;
  int last = 1;
  double x_px = 0.0;
  double y_px = 0.0;
  double depth_px = 0.0;  ///< towards the camera, px of blur
};

struct DropEvent {
  enum class Kind { gone, rolls, merges, appears };
  Kind kind = Kind::gone;
  int drop = 1;           ///< from 1, in the order of truth.json's list of drops
  int frame = 1;          ///< first frame after it
  double shift_px = 0.0;  ///< rolls: how far, downwards
};

/// Which animal sits where.
enum class SceneKind {
  meadow,  ///< beetle.h: the scene of the sample bursts
  varied,  ///< scenes.h: all drawn from the seed
};
enum class Perch {
  seed_head,  ///< ends within the picture's depth
  stem,       ///< through the whole depth and out of the picture
  leaf,       ///< the same, a surface
};

/// The lights, as the drops show them.
enum class Lights { square, two, point, round };

struct Recipe {
  std::string name = "unnamed";
  std::uint64_t seed = 1;       ///< of the scene
  std::uint64_t hand_seed = 1;  ///< of steps, shifts, times and noise
  int width_px = 1280;
  int height_px = 960;
  double raster_per_px = 2.0;  ///< how much finer than the pictures the scene is sampled
  SceneKind scene = SceneKind::meadow;
  Perch perch = Perch::seed_head;
  Lights lights = Lights::square;  ///< the meadow's are always round
  bool blade = true;               ///< a blade of grass in front, to stay blurred
  double depth_scale = 1.0;        ///< < 1 flattens the scene
  Optics optics;
  std::vector<Sweep> sweeps{Sweep{}};
  std::vector<double> v_mm;  ///< image distance of every frame; empty: as the sweep says
  double shift_sd_px = 0.4;
  double rotation_sd_deg = 0.0;
  double flicker_sd_ev = 0.03;
  Sensor sensor;
  std::vector<FlashEvent> flash;
  Ambient ambient;
  std::vector<ShakeEvent> shakes;
  Haze haze;
  std::vector<Move> moves;
  std::vector<Sway> sways;
  std::vector<DropEvent> drops;
  std::vector<int> not_written;  ///< frames that are missing on the card
  std::vector<int> cut_short;    ///< frames whose file ends early
  std::string prefix = "DSC0";   ///< of file names; four digits follow
  int first_number = 2101;
  std::string start_time = "2024:06:16 05:24:10.200";  ///< Exif date and time with milliseconds
  double interval_s = 0.1;
  double interval_sd_s = 0.004;
  int buffer_frames = 0;          ///< after so many the buffer is full; 0: never
  double slow_interval_s = 0.35;  ///< from then on
};

/// Reads a recipe; fields that are absent keep their defaults, unknown ones are an error.
[[nodiscard]] Result<Recipe> read_recipe(const std::filesystem::path& file);

/// One frame, before it is taken.
struct FramePlan {
  std::string file;
  std::string time;  ///< "YYYY:MM:DD HH:MM:SS.mmm"
  double v_mm = 0.0;
  double ref_q_px = 0.0;   ///< focal position at the scale of v_ref, as seen from there
  double lens_q_px = 0.0;  ///< the same as the lens sees it from where it stands
  double shift_x_px = 0.0;
  double shift_y_px = 0.0;
  double rotation_deg = 0.0;
  double exposure_ev = 0.0;  ///< flash event and flicker
  double ambient_ev = -20.0;
  double lit_to = 1.0;  ///< share of the height that the flash lights, from the top
  double shake_x_px = 0.0;
  double shake_y_px = 0.0;
  double haze = 0.0;
  double scale = 1.0;         ///< picture scale against v_ref; of depth 0 where depths differ
  double pupil_factor = 1.0;  ///< against the recipe's
  std::size_t sweep = 0;      ///< which one, from 0
  bool written = true;
  bool cut_short = false;
};

/// The frames of a recipe in the order they are taken.
/// @throws std::invalid_argument  impossible optics or sweep, a time that is none
[[nodiscard]] std::vector<FramePlan> plan_frames(const Recipe& recipe);

/// Of a file name, without the dot.
[[nodiscard]] const char* extension(FileFormat format);

}  // namespace ringsweep::maker
