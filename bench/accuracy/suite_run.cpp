#include "suite_run.h"

#include <stdlib.h>  // mkdtemp

#include <algorithm>
#include <chrono>
#include <exception>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <stdexcept>
#include <system_error>
#include <vector>

#include "baseline.h"
#include "check.h"
#include "maker/burst.h"

namespace ringsweep::accuracy {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

constexpr int kTilePx = 8;  // as the analysis takes on pictures of the suite's size

BurstScore naive_score(const fs::path& folder, const json& truth) {
  std::vector<std::string> files;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (entry.path().extension() != ".json") files.push_back(entry.path().filename().string());
  }
  std::ranges::sort(files);  // the maker numbers them in capture order
  const json said = naive_report(
      files,
      [&](std::size_t k) { return cv::imread((folder / files[k]).string(), cv::IMREAD_GRAYSCALE); },
      kTilePx);
  BurstScore score = score_burst(with_best_step(said, truth), truth);
  // Taken from the truth, and no width at all: no answers of its own.
  score.scale.reset();
  score.gap_width_errors.clear();
  score.gap_widths_in_sd.clear();
  return score;
}

double seconds_since(std::chrono::steady_clock::time_point start) {
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
}

}  // namespace

Case run_case(const std::string& name, const std::string& group, const maker::Recipe& recipe,
              const fs::path& folder) {
  Case result{.name = name, .group = group};
  try {
    const auto truth = maker::write_burst(recipe, folder);
    if (!truth) {
      result.failed = truth.error().file + ": " + truth.error().problem;
      return result;
    }
    result.verdict_true = truth->at("verdict").get<std::string>();
    const Answer answer = check(folder);
    result.seconds = answer.seconds;
    if (answer.said.is_null()) {
      result.failed = "no burst was found";
    } else {
      result.ours = score_burst(answer.said, *truth);
    }
    if (const maker::Optics& optics = recipe.optics; optics.diffraction) {
      LensOptions lens;
      lens.working_f_number = optics.v_ref_mm / optics.pupil_mm;
      lens.pitch_um = 1000.0 * optics.pitch_mm;
      const Answer with_lens = check(folder, lens);
      if (!with_lens.said.is_null()) result.lens_given = score_burst(with_lens.said, *truth);
    }
    const auto start = std::chrono::steady_clock::now();
    result.naive = naive_score(folder, *truth);
    result.naive_seconds = seconds_since(start);
  } catch (const std::exception& error) {
    result.failed = error.what();
  }
  return result;
}

TemporaryFolder::TemporaryFolder() {
  std::string name = (fs::temp_directory_path() / "ringsweep-suite-XXXXXX").string();
  if (mkdtemp(name.data()) == nullptr) throw std::runtime_error(name + " cannot be made");
  path_ = name;
}

TemporaryFolder::~TemporaryFolder() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

}  // namespace ringsweep::accuracy
