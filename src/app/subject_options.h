#pragma once
/// The options that say what must be sharp, for every command that analyses.

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/result.h"

namespace ringsweep::app {

/// As typed.
struct SubjectWords {
  std::vector<double> box{};      ///< x, y, width, height
  std::vector<double> polygon{};  ///< x, y of each corner
  std::string mask{};             ///< a picture file
  std::string from_frame{};
  std::string to_frame{};
  std::string leave_in_front_of{};
};

/// @param words filled by app.parse(); must live as long
void add_subject_options(CLI::App& command, SubjectWords& words);

/// Opens the mask.
[[nodiscard]] Result<SubjectChoice> subject_choice(const SubjectWords& words);

}  // namespace ringsweep::app
