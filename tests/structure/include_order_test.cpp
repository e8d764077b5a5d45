// The order of the data is the order of the headers: a header includes only what stands before it,
// a layer only the headers up to its own. Read from the sources, so that nobody has to promise it.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <map>
#include <optional>
#include <regex>
#include <string>
#include <vector>

namespace {

namespace fs = std::filesystem;
using Strings = std::vector<std::string>;

/// Public headers in the order of the data. A new header gets its place here.
const Strings& order() {
  static const Strings headers{"result.h",
                               "for_each.h",
                               "frame.h",
                               "thin_lens.h",
                               "ring_scale.h",
                               "plan.h",
                               "upright.h",
                               "frame_name.h",
                               "lens.h",
                               "intake.h",
                               "decode.h",
                               "exposure.h",
                               "registration.h",
                               "scenes.h",
                               "block_means.h",
                               "grid_picture.h",
                               "profiles.h",
                               "depth_look.h",
                               "depth_edges.h",
                               "background.h",
                               "spot_light.h",
                               "tile_shifts.h",
                               "part_shift.h",
                               "bands.h",
                               "focal_positions.h",
                               "near_side.h",
                               "haze.h",
                               "sweeps.h",
                               "sweep_differences.h",
                               "subject.h",
                               "coverage.h",
                               "lights.h",
                               "changed_place.h",
                               "movement.h",
                               "drops.h",
                               "whole_shift.h",
                               "verdict.h",
                               "poses.h",
                               "advice.h",
                               "stack_list.h",
                               "measured_burst.h",
                               "analyse.h",
                               "learn_lens.h",
                               "session.h",
                               "report.h",
                               "page.h"};
  return headers;
}

std::optional<std::size_t> place(const std::string& header) {
  const auto found = std::ranges::find(order(), header);
  if (found == order().end()) return std::nullopt;
  return static_cast<std::size_t>(found - order().begin());
}

/// What a folder of src/ may include: public headers up to `last`, none of `without`, and private
/// headers of the folders named.
struct Layer {
  std::string last;
  Strings without;
  Strings folders;
};

const std::map<std::string, Layer>& layers() {
  static const std::map<std::string, Layer> all{
      {"numerics", {"thin_lens.h", {}, {"numerics"}}},
      {"intake", {"decode.h", {}, {"intake", "numerics"}}},
      {"frame", {"bands.h", {"intake.h", "decode.h"}, {"frame", "numerics"}}},
      {"burst", {"stack_list.h", {"intake.h", "decode.h"}, {"burst", "numerics"}}},
      {"", {"session.h", {"intake.h", "decode.h"}, {"frame", "burst", "numerics"}}},
      {"report", {"page.h", {"decode.h"}, {"report"}}},
      {"app", {"page.h", {}, {"app", "report"}}}};
  return all;
}

struct Include {
  std::string file;  // relative to the source folder
  std::string name;
  bool quoted = false;
};

std::vector<Include> includes_of(const fs::path& file, const fs::path& root) {
  static const std::regex kInclude(R"(^\s*#\s*include\s*([<"])([^>"]+)[>"])");
  std::vector<Include> result;
  std::ifstream stream(file);
  for (std::string line; std::getline(stream, line);) {
    std::smatch match;
    if (!std::regex_search(line, match, kInclude)) continue;
    result.push_back({fs::relative(file, root).string(), match[2].str(), match[1].str() == "\""});
  }
  return result;
}

std::vector<fs::path> sources_under(const fs::path& folder) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    const std::string extension = entry.path().extension().string();
    if (entry.is_regular_file() && (extension == ".h" || extension == ".cpp")) {
      files.push_back(entry.path());
    }
  }
  std::ranges::sort(files);
  return files;
}

std::string public_name(const Include& include) {
  const std::string prefix = "ringsweep/";
  return include.name.starts_with(prefix) ? include.name.substr(prefix.size()) : std::string();
}

/// Everything in a tree laid out like ours that breaks the order, one line each.
Strings violations(const fs::path& root) {
  Strings found;
  const auto complain = [&](const Include& include, const std::string& why) {
    found.push_back(include.file + " includes " + include.name + ": " + why);
  };

  for (const fs::path& header : sources_under(root / "include" / "ringsweep")) {
    const std::string own = header.filename().string();
    if (!place(own)) {
      found.push_back(own + " has no place in the order of the data");
      continue;
    }
    for (const Include& include : includes_of(header, root)) {
      const std::string name = public_name(include);
      if (name.empty()) continue;
      if (!place(name)) {
        complain(include, "it has no place in the order of the data");
      } else if (*place(name) >= *place(own)) {
        complain(include, "it stands below");
      }
      const Strings assessments{"coverage.h", "movement.h", "drops.h"};
      if (std::ranges::count(assessments, own) > 0 && std::ranges::count(assessments, name) > 0) {
        complain(include, "coverage, movement and drops do not know one another");
      }
    }
  }

  for (const fs::path& file : sources_under(root / "src")) {
    const fs::path inside = fs::relative(file, root / "src");
    const std::string folder =
        std::distance(inside.begin(), inside.end()) > 1 ? inside.begin()->string() : "";
    const auto layer = layers().find(folder);
    if (layer == layers().end()) {
      found.push_back("src/" + folder + " is no layer of the order");
      continue;
    }
    for (const Include& include : includes_of(file, root)) {
      const std::string name = public_name(include);
      if (!name.empty()) {
        const bool allowed = place(name) && *place(name) <= *place(layer->second.last) &&
                             std::ranges::count(layer->second.without, name) == 0;
        if (!allowed) complain(include, "it belongs to a later layer");
        continue;
      }
      if (include.quoted && include.name.find('/') != std::string::npos) {
        const std::string other = include.name.substr(0, include.name.find('/'));
        if (std::ranges::count(layer->second.folders, other) == 0) {
          complain(include, "it is private to another layer");
        }
      }
      // What reads no file cannot be tempted to.
      const Strings closed{"numerics", "frame", "burst"};
      const Strings files{"fstream", "iostream", "filesystem",           "cstdio",
                          "stdio.h", "unistd.h", "opencv2/imgcodecs.hpp"};
      if (std::ranges::count(closed, folder) > 0 && std::ranges::count(files, include.name) > 0) {
        complain(include, "this layer reads and prints nothing");
      }
    }
  }
  return found;
}

TEST(IncludeOrder, FollowsTheData) {
  EXPECT_THAT(violations(RINGSWEEP_SOURCE_DIR), ::testing::IsEmpty());
}

// The test itself: a tree that breaks each rule once.
TEST(IncludeOrder, IsReallyRead) {
  const fs::path root = fs::path(::testing::TempDir()) / "include_order";
  fs::remove_all(root);
  const auto put = [&](const char* file, const char* text) {
    fs::create_directories((root / file).parent_path());
    std::ofstream(root / file) << text;
  };
  put("include/ringsweep/frame.h", "#include \"ringsweep/coverage.h\"\n");
  put("include/ringsweep/movement.h", "#include \"ringsweep/coverage.h\"\n");
  put("include/ringsweep/stray.h", "");
  put("src/burst/a.cpp", "#include <fstream>\n");
  put("src/frame/b.cpp", "  #  include \"ringsweep/coverage.h\"\n");
  put("src/numerics/c.cpp", "#include \"burst/sweeps.h\"\n");
  put("src/analyse.cpp", "#include \"ringsweep/decode.h\"\n");
  put("src/report/d.cpp", "#include \"ringsweep/report.h\"\n#include \"report/wording.h\"\n");
  EXPECT_THAT(
      violations(root),
      ::testing::UnorderedElementsAre(
          ::testing::HasSubstr("frame.h includes ringsweep/coverage.h: it stands below"),
          ::testing::HasSubstr("movement.h includes ringsweep/coverage.h: coverage, movement"),
          "stray.h has no place in the order of the data",
          ::testing::HasSubstr("a.cpp includes fstream"),
          ::testing::HasSubstr("b.cpp includes ringsweep/coverage.h: it belongs to a later layer"),
          ::testing::HasSubstr("c.cpp includes burst/sweeps.h: it is private"),
          ::testing::HasSubstr("src/analyse.cpp includes ringsweep/decode.h")));
  fs::remove_all(root);
}

}  // namespace
