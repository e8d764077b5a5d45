#pragma once
/// Makes whole bursts. Start reading here.
///
/// recipe.h -> stage.h (poses), scenes.h, beetle.h, cast.h, scene.h (what is there) -> camera.h,
/// disc.h (blur) -> sensor.h (pixels, file); truth.h beside it.

#include <filesystem>
#include <functional>
#include <nlohmann/json_fwd.hpp>
#include <opencv2/core.hpp>

#include "maker/recipe.h"
#include "maker/scene.h"
#include "maker/stage.h"

namespace ringsweep::maker {

/// Light on the sensor in one frame, before any noise: CV_32FC3 linear RGB, shares of the full
/// well.
[[nodiscard]] cv::Mat sensor_light(const Scene& scene, const Recipe& recipe, const FramePlan& plan);

/// Takes one frame: 8-bit BGR.
[[nodiscard]] cv::Mat take_frame(const Scene& scene, const Recipe& recipe, const FramePlan& plan);

/// Makes the frames and truth.json of a recipe in a folder, which is created where it is missing.
/// Files of the same names are replaced.
/// @param progress  called after every frame with frames done and frames in all
/// @return the truth
[[nodiscard]] Result<nlohmann::json> write_burst(
    const Recipe& recipe, const std::filesystem::path& folder,
    const std::function<void(int, int)>& progress = {});

/// The burst for speed measurements: 28 frames of 5472 x 3648 px, the sweep covers the subject. The
/// scene is flattened to a quarter, so that 28 frames suffice at this resolution.
[[nodiscard]] Recipe twenty_megapixel_recipe();

}  // namespace ringsweep::maker
