/// burst-maker: makes a burst and its truth from a recipe. All printing and exit statuses are here.

#include <fmt/core.h>

#include <exception>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "maker/burst.h"

namespace {

constexpr std::string_view kHelp =
    R"(burst-maker RECIPE.json FOLDER    make the recipe's burst and truth.json in FOLDER
burst-maker --big FOLDER          the same with 28 frames of 20 megapixels, for speed measurements

The committed sample bursts are made again, from the top folder, by
  for r in sample-bursts/recipes/*.json; do
    build/sample-bursts/maker/burst-maker $r sample-bursts/$(basename $r .json)
  done
)";

int make(const ringsweep::maker::Recipe& recipe, const std::string& folder) {
  const auto truth = ringsweep::maker::write_burst(recipe, folder, [](int done, int all) {
    fmt::print(stderr, "\r{} of {} frames", done, all);
    if (done == all) fmt::print(stderr, "\n");
  });
  if (!truth) {
    fmt::print(stderr, "{}: {}; {}.\n", truth.error().file, truth.error().problem,
               truth.error().remedy);
    return 3;
  }
  fmt::print("{}: {} frames, {}, subject {} px, gaps {}\n", folder, (*truth)["frames"].size(),
             (*truth)["verdict"].get<std::string>(), (*truth)["subject_px"].dump(),
             (*truth)["gaps"].dump());
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (words.size() == 1 && (words[0] == "--help" || words[0] == "-h")) {
    fmt::print("{}", kHelp);
    return 0;
  }
  if (words.size() != 2) {
    fmt::print(stderr, "{}", kHelp);
    return 2;
  }
  try {
    if (words[0] == "--big") return make(ringsweep::maker::twenty_megapixel_recipe(), words[1]);
    const auto recipe = ringsweep::maker::read_recipe(words[0]);
    if (!recipe) {
      fmt::print(stderr, "{}: {}; {}.\n", recipe.error().file, recipe.error().problem,
                 recipe.error().remedy);
      return 3;
    }
    return make(*recipe, words[1]);
  } catch (const std::exception& e) {
    fmt::print(stderr, "The burst cannot be made: {}.\n", e.what());
    return 3;
  }
}
