/// ringsweep-residuals: pictures of what the joint fit leaves, to be looked at.

#include <fmt/core.h>

#include <cstdio>
#include <exception>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <span>
#include <stdexcept>
#include <string>
#include <vector>

#include "check.h"
#include "maker/burst.h"
#include "measured_and_judged.h"
#include "residual_page.h"
#include "score.h"
#include "suite_run.h"

namespace {

namespace accuracy = ringsweep::accuracy;
namespace fs = std::filesystem;
namespace maker = ringsweep::maker;
using nlohmann::json;

constexpr const char* kHelp =
    R"(ringsweep-residuals [--out DIR] RECIPE_OR_FOLDER...

Fits the focal positions of each burst and plots the residuals, energy seen less energy predicted as
a share of the tile's peak: against the distance from focus in each band, against the frame, over
the picture, and the positions against truth where a truth.json is known. One PNG a burst, in DIR
(default: residuals); the medians against the distance are printed too.
)";

std::optional<json> truth_in(const fs::path& folder) {
  std::ifstream in(folder / "truth.json");
  if (!in) return std::nullopt;
  return json::parse(in);
}

void print_medians(std::span<const accuracy::Residual> residuals) {
  constexpr double kReachPx = 12.0;
  for (std::size_t j = 0; j < ringsweep::kNumBands; ++j) {
    fmt::print("band {}: px:median", j);
    for (const accuracy::Bin& bin : accuracy::by_distance(residuals, j, 2.0))
      if (bin.at > -kReachPx && bin.at < kReachPx) fmt::print(" {:g}:{:+.3f}", bin.at, bin.middle);
    fmt::print("\n");
  }
}

void report(const std::string& name, const fs::path& folder, const std::optional<json>& truth,
            const fs::path& out) {
  const std::vector<accuracy::MeasuredAndJudged> bursts = accuracy::measure_and_judge(folder);
  if (bursts.empty()) throw std::runtime_error(name + ": no burst with positions was found");
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const accuracy::MeasuredAndJudged& burst = bursts[i];
    const std::vector<accuracy::Residual> residuals =
        accuracy::residuals(burst.measured.profiles, burst.measured.focus);
    std::string title =
        fmt::format("{}: {} frames, {} tiles", name, burst.measured.profiles.num_frames,
                    burst.measured.profiles.tiles.size());
    if (!burst.measured.focus.reason.empty()) title += ", " + burst.measured.focus.reason;
    accuracy::BurstScore score;
    if (truth) {
      score = accuracy::score_burst(accuracy::said_of(std::span(&burst.judged, 1)), *truth);
      if (score.scale)
        title += fmt::format(", scale {:.3f} (sd {:.3f}), shape {:.3f} px rms", *score.scale,
                             burst.measured.focus.scale_sd, *score.shape_px);
    }
    const fs::path file =
        out / (bursts.size() == 1 ? name + ".png" : fmt::format("{}-{}.png", name, i + 1));
    const cv::Mat page = accuracy::residual_page({.title = title,
                                                  .profiles = burst.measured.profiles,
                                                  .residuals = residuals,
                                                  .errors = score.errors});
    if (!cv::imwrite(file.string(), page))
      throw std::runtime_error(file.string() + " cannot be written");
    fmt::print("{}\n", title);
    print_medians(residuals);
    fmt::print("-> {}\n\n", file.string());
  }
}

void run(const std::vector<std::string>& words) {
  fs::path out = "residuals";
  std::vector<fs::path> bursts;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (words[i] == "--out" && i + 1 < words.size())
      out = words[++i];
    else
      bursts.emplace_back(words[i]);
  }
  fs::create_directories(out);
  for (const fs::path& burst : bursts) {
    const std::string name = (burst / "").parent_path().stem().string();
    if (fs::is_directory(burst)) {
      report(name, burst, truth_in(burst), out);
      continue;
    }
    const auto recipe = maker::read_recipe(burst.string());
    if (!recipe) throw std::runtime_error(burst.string() + ": " + recipe.error().problem);
    const accuracy::TemporaryFolder folder;
    const auto truth = maker::write_burst(*recipe, folder.path());
    if (!truth) throw std::runtime_error(burst.string() + ": " + truth.error().problem);
    report(name, folder.path(), *truth, out);
  }
}

}  // namespace

int main(int count, char** words) {
  if (count < 2) {
    fmt::print(stderr, "{}", kHelp);
    return 2;
  }
  try {
    run(std::vector<std::string>(words + 1, words + count));
  } catch (const std::exception& error) {
    fmt::print(stderr, "{}\n", error.what());
    return 1;
  }
  return 0;
}
