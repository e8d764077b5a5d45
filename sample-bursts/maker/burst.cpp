#include "maker/burst.h"

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <system_error>

#include "maker/camera.h"
#include "maker/random.h"
#include "maker/sensor.h"
#include "maker/truth.h"

namespace ringsweep::maker {
namespace {

/// How far the frames of a recipe see past the edge of the picture at scale 1, as a share of it.
double margin_for(const Recipe& recipe, const std::vector<FramePlan>& plans) {
  double most = 0.0;
  for (const FramePlan& p : plans) {
    const double scale = p.v_mm / recipe.optics.v_ref_mm;
    const double shift = std::max(std::abs(p.shift_x_px), std::abs(p.shift_y_px)) + 2.0;
    const double turn = std::abs(p.rotation_deg) * 0.0175;
    most = std::max(most, (0.5 * (1.0 + turn) + shift / recipe.height_px) / scale - 0.5);
  }
  return most;
}

bool write_bytes(const std::filesystem::path& file, const char* data, std::size_t size) {
  std::ofstream out(file, std::ios::binary | std::ios::trunc);
  out.write(data, static_cast<std::streamsize>(size));
  out.close();
  return static_cast<bool>(out);
}

}  // namespace

Stage set_stage(const Recipe& recipe) {
  const Optics& o = recipe.optics;
  SceneFrame frame;
  frame.width_px = recipe.width_px;
  frame.height_px = recipe.height_px;
  frame.raster_per_px = recipe.raster_per_px;
  frame.margin = margin_for(recipe, plan_frames(recipe));
  // One px sideways is p / m in the scene, one px of depth the same; moving the point by du moves
  // its image by m^2 du, which is D m^2 du / (v p) px of blur: m D / v px per px of depth.
  const double magnification = o.v_ref_mm / o.focal_length_mm - 1.0;
  frame.q_per_px = recipe.depth_scale * magnification * o.pupil_mm / o.v_ref_mm;
  const Meadow meadow = beetle_on_seed_head(recipe.seed);
  Stage stage{empty_scene(frame), 0};
  add_objects(meadow.objects, frame, stage.scene);
  finish(frame, stage.scene);
  hang_veils(recipe.seed, frame, stage.scene);
  stage.visible_drops = meadow.drops;
  return stage;
}

cv::Mat take_frame(const Scene& scene, const Recipe& recipe, const FramePlan& plan) {
  const double scale = plan.v_mm / recipe.optics.v_ref_mm;
  const Placement placement{scale, plan.rotation_deg, plan.shift_x_px, plan.shift_y_px};
  const cv::Mat light = on_sensor(blurred(scene, plan.ref_q_px), scene.raster_per_px, placement,
                                  {recipe.width_px, recipe.height_px});
  // The same pupil, farther from the sensor: light falls with the square of the image distance.
  const double gain = std::exp2(plan.exposure_ev) / (scale * scale);
  std::uint64_t name = recipe.hand_seed;
  for (const char c : plan.file) name = hash(name, static_cast<unsigned char>(c));
  return develop(light, gain, recipe.sensor, name);
}

Result<nlohmann::json> write_burst(const Recipe& recipe, const std::filesystem::path& folder,
                                   const std::function<void(int, int)>& progress) {
  std::error_code failed;
  std::filesystem::create_directories(folder, failed);
  if (failed) {
    return tl::unexpected(
        Error{folder.string(), "the folder cannot be made", "choose another folder"});
  }
  const auto refused = [](const std::filesystem::path& file) {
    return tl::unexpected(Error{file.string(), "the file cannot be written",
                                "check the space and the rights of the folder"});
  };
  const std::vector<FramePlan> plans = plan_frames(recipe);
  const Stage stage = set_stage(recipe);
  for (std::size_t k = 0; k < plans.size(); ++k) {
    const std::filesystem::path file = folder / plans[k].file;
    std::vector<unsigned char> bytes;
    try {
      bytes =
          jpeg_with_exif(take_frame(stage.scene, recipe, plans[k]), recipe.sensor, plans[k].time);
    } catch (const std::runtime_error& e) {
      return tl::unexpected(Error{file.string(), e.what(), "check the recipe's picture size"});
    }
    if (!write_bytes(file, reinterpret_cast<const char*>(bytes.data()), bytes.size())) {
      return refused(file);
    }
    if (progress) progress(static_cast<int>(k) + 1, static_cast<int>(plans.size()));
  }
  nlohmann::json truth = truth_of(recipe, plans, stage.scene.subject_q_px);
  truth["drops"]["visible"] = stage.visible_drops;
  const std::string text = truth.dump(1) + "\n";
  if (!write_bytes(folder / "truth.json", text.data(), text.size())) {
    return refused(folder / "truth.json");
  }
  return truth;
}

Recipe twenty_megapixel_recipe() {
  Recipe recipe;
  recipe.name = "twenty-megapixel";
  recipe.seed = 20;
  recipe.hand_seed = 20;
  recipe.width_px = 5472;
  recipe.height_px = 3648;
  recipe.raster_per_px = 1.0;
  recipe.depth_scale = 0.25;
  recipe.optics.pitch_mm = 0.00318;
  recipe.sweeps[0].from_px = 19.0;
  recipe.sweeps[0].to_px = -18.5;
  recipe.sweeps[0].smallest_step_px = 1.0;
  recipe.sweeps[0].largest_step_px = 1.7;
  // Pixels this small hold few electrons; the files come out as large as a camera's.
  recipe.sensor = {.full_well_e = 5000.0, .read_noise_e = 3.0, .jpeg_quality = 96};
  recipe.first_number = 3001;
  return recipe;
}

}  // namespace ringsweep::maker
