#include "app/lens_file.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <system_error>
#include <vector>

#include "app/json_field.h"
#include "app/output_place.h"
#include "app/user_folders.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

constexpr const char* kFormat = "ringsweep-lens";
constexpr int kVersion = 1;

bool is_name_char(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' ||
         c == '_' || c == '.';
}

json to_json(const LearntLens& lens) {
  json sides = json::array();
  for (const LearntSide& side : lens.sides)
    sides.push_back({{"life_size", side.at == LifeSize::below ? "below" : "beyond"},
                     {"moves", side.focus_by == FocusBy::body ? "body" : "lens"},
                     {"larger_picture", side.larger_picture == Side::near ? "near" : "far"}});
  return {{"format", kFormat},
          {"version", kVersion},
          {"degrees_per_mm", lens.degrees_per_mm},
          {"degrees_per_mm_sd", lens.degrees_per_mm_sd},
          {"sides", std::move(sides)}};
}

/// One of two words; nothing where it is neither.
template <class Value>
std::optional<Value> one_of(const json& object, const char* field, const char* word, Value value,
                            const char* other_word, Value other) {
  const auto found = object.find(field);
  if (found == object.end()) return std::nullopt;
  if (*found == word) return value;
  if (*found == other_word) return other;
  return std::nullopt;
}

std::optional<double> number(const json& object, const char* field) {
  const auto found = object.find(field);
  if (found == object.end() || !found->is_number()) return std::nullopt;
  const double value = found->get<double>();
  return std::isfinite(value) ? std::optional(value) : std::nullopt;
}

std::optional<LearntSide> side_from(const json& object) {
  if (!object.is_object()) return std::nullopt;
  const auto at = one_of(object, "life_size", "below", LifeSize::below, "beyond", LifeSize::beyond);
  const auto by = one_of(object, "moves", "lens", FocusBy::lens, "body", FocusBy::body);
  const auto larger = one_of(object, "larger_picture", "near", Side::near, "far", Side::far);
  if (!at || !by || !larger) return std::nullopt;
  return LearntSide{.at = *at, .focus_by = *by, .larger_picture = *larger};
}

/// Nothing where the file is none of ours, or was broken.
std::optional<LearntLens> lens_from(const json& object) {
  if (!has_field(object, "format", kFormat) || !has_field(object, "version", kVersion))
    return std::nullopt;
  const auto degrees = number(object, "degrees_per_mm");
  const auto sd = number(object, "degrees_per_mm_sd");
  const auto sides = object.find("sides");
  if (!degrees || !(*degrees > 0.0) || !sd || !(*sd >= 0.0) || sides == object.end() ||
      !sides->is_array())
    return std::nullopt;
  LearntLens lens{.degrees_per_mm = *degrees, .degrees_per_mm_sd = *sd};
  for (const json& entry : *sides) {
    const auto side = side_from(entry);
    if (!side) return std::nullopt;
    lens.sides.push_back(*side);
  }
  return lens;
}

/// "known are hill60 and tube35", to go on with.
std::string known_lenses(const fs::path& folder) {
  std::vector<std::string> names;
  std::error_code failed;
  for (auto it = fs::directory_iterator(folder, failed); !failed && it != fs::directory_iterator();
       it.increment(failed)) {
    const std::string name = it->path().stem().string();
    if (it->path().extension() == ".json" && why_no_lens_name(name).empty()) names.push_back(name);
  }
  if (names.empty()) return {};
  std::ranges::sort(names);
  std::string text = "; known: ";
  for (std::size_t i = 0; i < names.size(); ++i) text += (i > 0 ? ", " : "") + names[i];
  return text;
}

}  // namespace

std::string why_no_lens_name(const std::string& name) {
  constexpr std::size_t kLongest = 64;
  if (!name.empty() && name.size() <= kLongest && name.front() != '.' &&
      std::ranges::all_of(name, is_name_char))
    return {};
  return "a lens is named with letters, digits, '-', '_' and '.', 64 at most";
}

Result<fs::path> lens_file(const std::string& name) {
  const auto home = user_folder("XDG_CONFIG_HOME", ".config");
  if (!home)
    return tl::unexpected(Error{.file = name,
                                .problem = "no home folder is known to keep lenses in",
                                .remedy = "set XDG_CONFIG_HOME to a folder"});
  return *home / "ringsweep" / "lenses" / (name + ".json");
}

Result<std::optional<LearntLens>> find_lens(const std::string& name) {
  const auto file = lens_file(name);
  if (!file) return tl::unexpected(file.error());
  std::error_code failed;
  if (!fs::exists(*file, failed) && !failed) return std::nullopt;
  std::ifstream stream(*file, std::ios::binary);
  const auto lens =
      stream ? lens_from(json::parse(stream, nullptr, /*allow_exceptions=*/false)) : std::nullopt;
  if (lens) return lens;
  return tl::unexpected(Error{.file = file->string(),
                              .problem = "is broken, or no lens of ringsweep; it is left as it is",
                              .remedy = "move it away and learn the lens again"});
}

Result<LearntLens> read_lens(const std::string& name) {
  auto lens = find_lens(name);
  if (!lens) return tl::unexpected(lens.error());
  if (*lens) return **lens;
  const auto file = lens_file(name);
  return tl::unexpected(
      Error{.file = name,
            .problem = "no lens of that name was learnt" + known_lenses(file->parent_path()),
            .remedy = "learn it with `ringsweep check BURST --learn-lens " + name + "`"});
}

Result<void> write_lens(const std::string& name, const LearntLens& lens) {
  const auto file = lens_file(name);
  if (!file) return tl::unexpected(file.error());
  const auto failed = [&](std::string why) {
    return tl::unexpected(Error{.file = file->string(),
                                .problem = "cannot be written (" + std::move(why) + ")",
                                .remedy = "make room there, or set XDG_CONFIG_HOME to a folder"});
  };
  std::error_code no_folder;
  fs::create_directories(file->parent_path(), no_folder);
  if (no_folder) return failed(no_folder.message());
  if (const auto written = write_whole(*file, to_json(lens).dump(2) + "\n"); !written)
    return failed(written.error().problem);
  return {};
}

}  // namespace ringsweep::app
