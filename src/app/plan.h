#pragma once
/// `ringsweep plan`: before shooting, how many frames, how far apart, how fast.

#include <CLI/CLI.hpp>
#include <optional>
#include <string>

#include "app/console.h"
#include "app/output_place.h"
#include "ringsweep/lens.h"
#include "ringsweep/plan.h"

namespace ringsweep::app {

struct PlanOptions {
  std::optional<double> magnification, extension_mm, focal_length_mm;
  std::optional<double> working_f_number, f_number, pupil_ratio;
  FNumberIs f_number_is = FNumberIs::not_said;
  FocusBy focus_by = FocusBy::not_said;
  std::optional<double> pitch_um, sensor_width_mm;
  std::string frame_px;  ///< "6000x4000"
  std::optional<double> blur_limit_px;
  bool blur_limit_handbook = false;
  std::optional<double> subject_mm, overlap_percent, frames_per_s, flash_wait_s, degrees_per_mm;
  std::optional<int> flashes;
  std::optional<std::string> lens_name;
  std::string json;  ///< file to write the plan to as well, "-" for standard output, "" for none
};

/// The command and its options.
CLI::App* add_plan(CLI::App& app, PlanOptions& options);

/// @return the exit status, exit_status.h.
int run_plan(const PlanOptions& options, const Console& console, const Roots& roots);

}  // namespace ringsweep::app
