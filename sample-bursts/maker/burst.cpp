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
#include "maker/viewpoint.h"

namespace ringsweep::maker {
namespace {

bool write_bytes(const std::filesystem::path& file, const char* data, std::size_t size) {
  std::ofstream out(file, std::ios::binary | std::ios::trunc);
  out.write(data, static_cast<std::streamsize>(size));
  out.close();
  return static_cast<bool>(out);
}

/// What falls on the sensor in one frame, and by how much to multiply it.
struct Exposed {
  cv::Mat light;
  double gain = 1.0;
  std::uint64_t noise_seed = 0;
};

Exposed expose(const Scene& scene, const Recipe& recipe, const FramePlan& plan) {
  const double scale = plan.v_mm / recipe.optics.v_ref_mm;
  // The scene is sampled as it is seen from where the lens stands; the sensor does the rest.
  const Placement placement{sensor_scale(recipe.optics, plan.v_mm), plan.rotation_deg,
                            plan.shift_x_px, plan.shift_y_px};
  const Pupil pupil = pupil_of(recipe.optics, plan.pupil_factor);
  Exposed exposed;
  exposed.light =
      on_sensor(blurred(scene, plan.lens_q_px, pupil), scene.raster_per_px, placement,
                {recipe.width_px, recipe.height_px}, {plan.shake_x_px, plan.shake_y_px});
  // What another pupil takes or gives, the flash makes good; other light does not. None at all at
  // the value that stands for none.
  const double ambient = plan.ambient_ev > FramePlan{}.ambient_ev
                             ? std::exp2(plan.ambient_ev) * plan.pupil_factor * plan.pupil_factor
                             : 0.0;
  illuminate(exposed.light, {.lit_to = plan.lit_to,
                             .ambient = ambient / std::exp2(plan.exposure_ev),
                             .vignetting = recipe.optics.vignetting,
                             .haze = plan.haze});
  // The same pupil, farther from the sensor: light falls with the square of the image distance.
  exposed.gain = std::exp2(plan.exposure_ev) / (scale * scale);
  exposed.noise_seed = recipe.hand_seed;
  for (const char c : plan.file) {
    exposed.noise_seed = hash(exposed.noise_seed, static_cast<unsigned char>(c));
  }
  return exposed;
}

}  // namespace

cv::Mat sensor_light(const Scene& scene, const Recipe& recipe, const FramePlan& plan) {
  const Exposed exposed = expose(scene, recipe, plan);
  return exposed.light * exposed.gain;
}

cv::Mat take_frame(const Scene& scene, const Recipe& recipe, const FramePlan& plan) {
  const Exposed exposed = expose(scene, recipe, plan);
  return develop(exposed.light, exposed.gain, recipe.sensor, exposed.noise_seed);
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
  Stage stage(recipe);
  for (std::size_t k = 0; k < plans.size(); ++k) {
    if (!plans[k].written) {
      if (progress) progress(static_cast<int>(k) + 1, static_cast<int>(plans.size()));
      continue;
    }
    const std::filesystem::path file = folder / plans[k].file;
    std::vector<unsigned char> bytes;
    try {
      const Exposed exposed = expose(stage.scene(k), recipe, plans[k]);
      bytes =
          frame_file(exposed.light, exposed.gain, recipe.sensor, exposed.noise_seed, plans[k].time);
    } catch (const std::runtime_error& e) {
      return tl::unexpected(Error{file.string(), e.what(), "check the recipe's picture size"});
    }
    if (plans[k].cut_short) bytes.resize(bytes.size() * 6 / 10);
    if (!write_bytes(file, reinterpret_cast<const char*>(bytes.data()), bytes.size())) {
      return refused(file);
    }
    if (progress) progress(static_cast<int>(k) + 1, static_cast<int>(plans.size()));
  }
  nlohmann::json truth = truth_of(recipe, plans, stage.sight());
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
