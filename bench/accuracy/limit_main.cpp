/// ringsweep-limit: the focal positions of made bursts against what their noise and texture allow.

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <exception>
#include <map>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "check.h"
#include "maker/burst.h"
#include "maker/mosaic.h"
#include "score.h"
#include "suite_run.h"

namespace {

namespace accuracy = ringsweep::accuracy;
namespace maker = ringsweep::maker;

/// Smallest sd of a frame's focal position that any unbiased estimate can have which sees that
/// frame alone, px: Cramer and Rao (H. Cramer, Mathematical Methods of Statistics, 1946; from
/// memory). It is told the scene, all depths and all else about the camera, so it lies below what a
/// burst allows that has to tell these itself. The Fisher information of independent pixels is the
/// sum of (dI/dq)^2 / var(I) in electrons; what the variance itself tells of q is left out: at
/// thousands of electrons it is less by that factor. JPEG's own noise is left out too.
double limit_px(const maker::Scene& scene, const maker::Recipe& recipe,
                const maker::FramePlan& plan) {
  constexpr double kStepPx = 0.05;  // blur changes evenly over a tenth of a px
  maker::FramePlan nearer = plan, farther = plan;
  nearer.lens_q_px += kStepPx, farther.lens_q_px -= kStepPx;
  const cv::Mat above = maker::sensor_light(scene, recipe, nearer);
  const cv::Mat below = maker::sensor_light(scene, recipe, farther);
  const double well = recipe.sensor.full_well_e;
  const double read = recipe.sensor.read_noise_e * recipe.sensor.read_noise_e;
  double information = 0.0;
  for (int y = 0; y < above.rows; ++y)
    for (int x = 0; x < above.cols; ++x) {
      const cv::Vec3f a = above.at<cv::Vec3f>(y, x), b = below.at<cv::Vec3f>(y, x);
      for (int c = 0; c < 3; ++c) {
        if (recipe.sensor.mosaic && c != maker::colour_at(x, y)) continue;
        const double electrons =
            0.5 * (static_cast<double>(a[c]) + static_cast<double>(b[c])) * well;
        if (electrons >= well) continue;  // clipped
        const double slope =
            (static_cast<double>(a[c]) - static_cast<double>(b[c])) * well / (2.0 * kStepPx);
        information += slope * slope / (std::max(electrons, 0.0) + read);
      }
    }
  return 1.0 / std::sqrt(information);
}

void report(const std::string& file) {
  const auto recipe = maker::read_recipe(file);
  if (!recipe) throw std::runtime_error(file + ": " + recipe.error().problem);
  const accuracy::TemporaryFolder folder;
  const auto truth = maker::write_burst(*recipe, folder.path());
  if (!truth) throw std::runtime_error(file + ": " + truth.error().problem);
  const accuracy::BurstScore score =
      accuracy::score_burst(accuracy::check(folder.path()).said, *truth);
  std::map<std::string, double> limits;
  const std::vector<maker::FramePlan> plans = maker::plan_frames(*recipe);
  maker::Stage stage(*recipe);
  for (std::size_t k = 0; k < plans.size(); ++k)
    if (plans[k].written) limits[plans[k].file] = limit_px(stage.scene(k), *recipe, plans[k]);

  fmt::print("{}\n{:<16} {:>10} {:>10} {:>10} {:>8}\n", file, "frame", "limit px", "error px",
             "said sd", "times");
  double limit_square = 0.0, error_square = 0.0, sd_square = 0.0;
  for (const accuracy::FrameError& e : score.errors) {
    const double limit = limits.at(e.file);
    const double sd = e.in_sd && *e.in_sd != 0.0 ? std::abs(e.shape_px / *e.in_sd) : 0.0;
    fmt::print("{:<16} {:>10.4f} {:>10.4f} {:>10.4f} {:>8.1f}\n", e.file, limit, e.shape_px, sd,
               std::abs(e.shape_px) / limit);
    limit_square += limit * limit, error_square += e.shape_px * e.shape_px, sd_square += sd * sd;
  }
  if (score.errors.empty()) throw std::runtime_error(file + ": no frame has a position");
  const auto n = static_cast<double>(score.errors.size());
  fmt::print("{:<16} {:>10.4f} {:>10.4f} {:>10.4f} {:>8.1f}\n\n", "rms",
             std::sqrt(limit_square / n), std::sqrt(error_square / n), std::sqrt(sd_square / n),
             std::sqrt(error_square / limit_square));
}

}  // namespace

int main(int count, char** words) {
  if (count < 2) {
    fmt::print(stderr,
               "ringsweep-limit RECIPE...\n\nMakes each recipe's burst, checks it, and prints the "
               "error of every focal position\n(shift, sign and scale taken off) beside the least "
               "that noise and texture allow.\n");
    return 2;
  }
  try {
    for (int i = 1; i < count; ++i) report(words[i]);
  } catch (const std::exception& error) {
    fmt::print(stderr, "{}\n", error.what());
    return 1;
  }
  return 0;
}
