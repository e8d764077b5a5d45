/// ringsweep-accuracy: what the report says, against bursts whose truth is known, one line a burst.
/// All reading of folders and all printing of this program are here.

#include <fmt/core.h>

#include <algorithm>
#include <charconv>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

#include "check.h"
#include "score.h"

namespace {

namespace fs = std::filesystem;
using nlohmann::json;
namespace accuracy = ringsweep::accuracy;
using accuracy::Answer;
using accuracy::check;

constexpr std::string_view kHelp =
    R"(ringsweep-accuracy [FOLDER...]

Analyses every folder below FOLDER that holds a truth.json and compares the report with the truth;
then the folders that hold a manifest.tsv with a numeric focus column and no truth. Without FOLDER:
the sample bursts, and the rendered-bursts and real-bursts of the folder that RINGSWEEP_SHARED names
or of `shared` beside the project.

used   frames with a position / frames due (on the subject, not dark)
rms    rms error of their positions, px, free shift and sign removed
shape  the same after removing the scale error too
scale  slope of said against true positions; 1 is right
cover  share of positions whose 95 % interval holds once shift and scale are removed
gaps, ends, dark, moved, drops   found/true+false; - is not checked
when   drops told within a frame of when they went
turn   said over true turn factor
s      seconds from the paths to the answer

Real stacks: frames whose position has an sd of at most 1 px / all; Kendall's tau of position against
focus setting; px of blur a step; rms deviation from a straight line as a share of a step.
Exit status 0: every verdict is right. 1: not every one. 2: nothing to compare.
)";

constexpr std::size_t kNameWidth = 28;

/// Folders below the given ones that hold a file of this name, each once, in order.
std::set<fs::path> folders_with(const std::vector<fs::path>& tops, const char* name) {
  std::set<fs::path> found;
  for (const fs::path& top : tops) {
    std::error_code failed;
    for (fs::recursive_directory_iterator it(top, failed), end; !failed && it != end;
         it.increment(failed)) {
      if (it->path().filename() == name) found.insert(it->path().parent_path());
    }
  }
  return found;
}

std::vector<std::string> split_at_tabs(std::string line) {
  if (!line.empty() && line.back() == '\r') line.pop_back();
  std::vector<std::string> fields;
  std::istringstream in(line);
  for (std::string field; std::getline(in, field, '\t');) fields.push_back(field);
  return fields;
}

/// Focus setting by file name; nothing where the column is missing, holds words or hardly varies.
std::optional<std::map<std::string, double>> focus_settings(const fs::path& manifest) {
  std::ifstream in(manifest);
  std::string line;
  std::getline(in, line);
  const std::vector<std::string> names = split_at_tabs(line);
  const auto column = [&](const char* name) {
    return static_cast<std::size_t>(std::ranges::find(names, name) - names.begin());
  };
  const std::size_t frame = column("frame"), focus = column("focus");
  std::map<std::string, double> settings;
  std::set<double> different;
  while (std::getline(in, line)) {
    const std::vector<std::string> fields = split_at_tabs(line);
    if (fields.empty()) continue;
    if (frame >= fields.size() || focus >= fields.size()) return std::nullopt;
    const std::string& text = fields[focus];
    double value = 0.0;
    const auto [end, problem] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (problem != std::errc() || end != text.data() + text.size()) return std::nullopt;
    settings[fields[frame]] = value;
    different.insert(value);
  }
  constexpr std::size_t kFewestSettings = 4;
  if (different.size() < kFewestSettings) return std::nullopt;
  return settings;
}

std::string last_part(const std::string& name) {
  return name.size() > kNameWidth ? name.substr(name.size() - kNameWidth) : name;
}

std::string counts(const accuracy::Count& count) {
  return fmt::format("{}/{}", count.found, count.due) +
         (count.wrong > 0 ? fmt::format("+{}", count.wrong) : "");
}

std::string counts(const std::optional<accuracy::Count>& count) {
  return count ? counts(*count) : "-";
}

std::string figure(const std::optional<double>& value) {
  return value ? fmt::format("{:.2f}", *value) : "-";
}

void print_failed(const std::string& name, const std::string& why) {
  fmt::print("{:28} FAILED: {}\n", name, why);
}

/// @return whether the verdict is right
bool compare_with_truth(const fs::path& folder) {
  const std::string name =
      last_part(folder.parent_path().filename().string() + "/" + folder.filename().string());
  try {
    std::ifstream file(folder / "truth.json");
    const json truth = json::parse(file);
    const Answer answer = check(folder);
    if (answer.said.is_null()) {
      print_failed(name, "no burst was found");
      return false;
    }
    const accuracy::BurstScore s = accuracy::score_burst(answer.said, truth);
    const std::string verdict = s.verdict_said + (s.verdict_right ? "" : " ! " + s.verdict_true);
    fmt::print(
        "{:28} {:22} {:>6} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>7} {:>7} {:>7} {:>5} {:>5} "
        "{:6.1f}\n",
        name, verdict, counts(s.used), figure(s.rms_px), figure(s.shape_px), figure(s.scale),
        figure(s.cover), counts(s.gaps), counts(s.ends), counts(s.lit), counts(s.moved),
        counts(s.drops), counts(s.when), figure(s.turn), answer.seconds);
    return s.verdict_right;
  } catch (const std::exception& error) {
    print_failed(name, error.what());
    return false;
  }
}

/// @return whether there is an answer
bool compare_with_settings(const fs::path& folder, const std::map<std::string, double>& settings) {
  const std::string name = last_part(folder.filename().string());
  try {
    const Answer answer = check(folder);
    if (answer.said.is_null()) {
      print_failed(name, "no burst was found");
      return false;
    }
    const accuracy::StackScore s = accuracy::score_stack(answer.said, settings);
    if (!s.tau) {
      print_failed(name, "fewer than 4 frames with a sure position");
      return true;
    }
    fmt::print("{:28} {:>4}/{:<3} {:6.3f} {:8.2f} {:9.3f} {:5}  {}\n", name, s.frames_sure,
               s.frames, *s.tau, s.px_per_step, s.rms_steps, s.gaps, s.verdict);
    return true;
  } catch (const std::exception& error) {
    print_failed(name, error.what());
    return false;
  }
}

std::vector<fs::path> default_folders() {
  std::vector<fs::path> folders{RINGSWEEP_SAMPLE_BURSTS};
  const char* set = std::getenv("RINGSWEEP_SHARED");
  const fs::path shared = set != nullptr ? set : RINGSWEEP_SHARED_DEFAULT;
  for (const char* name : {"rendered-bursts", "real-bursts"}) {
    if (fs::is_directory(shared / name)) folders.push_back(shared / name);
  }
  return folders;
}

int run(const std::vector<fs::path>& folders) {
  std::setvbuf(stdout, nullptr, _IOLBF, BUFSIZ);  // a line is shown when its burst is done
  fmt::print(
      "{:28} {:22} {:>6} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>7} {:>7} {:>7} {:>5} {:>5} "
      "{:>6}\n",
      "burst", "verdict", "used", "rms", "shape", "scale", "cover", "gaps", "ends", "dark", "moved",
      "drops", "when", "turn", "s");
  std::size_t bursts = 0, right = 0;
  for (const fs::path& folder : folders_with(folders, "truth.json")) {
    ++bursts;
    right += compare_with_truth(folder) ? 1U : 0U;
  }
  if (bursts > 0) fmt::print("verdicts right: {} of {}\n", right, bursts);
  bool all_answered = true, any_stack = false;
  for (const fs::path& folder : folders_with(folders, "manifest.tsv")) {
    if (fs::exists(folder / "truth.json")) continue;
    const auto settings = focus_settings(folder / "manifest.tsv");
    if (!settings) continue;
    if (!any_stack) {
      fmt::print("\n{:28} {:>8} {:>6} {:>8} {:>9} {:>5}  verdict\n", "real stack, known focus",
                 "frames", "tau", "px/step", "rms/step", "gaps");
    }
    any_stack = true;
    all_answered &= compare_with_settings(folder, *settings);
  }
  if (bursts == 0 && !any_stack) {
    fmt::print(stderr, "No truth.json and no manifest.tsv with a focus column was found.\n");
    return 2;
  }
  return right == bursts && all_answered ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (!words.empty() && (words[0] == "--help" || words[0] == "-h")) {
    fmt::print("{}", kHelp);
    return 0;
  }
  try {
    return run(words.empty() ? default_folders()
                             : std::vector<fs::path>(words.begin(), words.end()));
  } catch (const std::exception& error) {
    fmt::print(stderr, "The comparison cannot go on: {}.\n", error.what());
    return 2;
  }
}
