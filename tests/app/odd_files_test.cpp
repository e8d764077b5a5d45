// Damaged, hostile and unusual files mixed into a good burst, through the program as a shell starts
// it. The files lie in the folder odd-files under $RINGSWEEP_SHARED, or in the folder "shared"
// beside the sources; none of them is part of the project.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <sstream>
#include <string>
#include <vector>

#include "app/scratch_folder.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "shared_folder.h"

namespace ringsweep {
namespace {

using nlohmann::json;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

const fs::path kGoodBurst = fs::path(RINGSWEEP_SAMPLES) / "meadow-complete";
constexpr const char* kOneOfIt = "DSC02115.JPG";
// `check` opens no more than 50 pictures that belong to no burst.
constexpr std::size_t kMostAtOnce = 45;
constexpr unsigned kHangs_s = 300;  // a hundred times what a burst takes

std::optional<fs::path> odd_files() {
  const fs::path folder = shared_folder() / "odd-files";
  return fs::is_directory(folder) ? std::optional(folder) : std::nullopt;
}

#define SKIP_WITHOUT_ODD_FILES(folder) \
  const auto folder = odd_files();     \
  if (!folder) GTEST_SKIP() << "no folder odd-files under $RINGSWEEP_SHARED"

std::vector<fs::path> files_in(const fs::path& folder) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::recursive_directory_iterator(folder))
    if (entry.is_regular_file() && entry.path().extension() != ".tsv" &&
        entry.path().extension() != ".md")
      files.push_back(entry.path());
  std::ranges::sort(files);
  return files;
}

struct Ran {
  int status = -1;  ///< exit status; 128 + the signal that ended it
  std::vector<std::string> err{};
  json report{};
};

Ran check(const fs::path& what) {
  const ScratchFolder out;
  const std::string err = out / "err";
  const std::string report = out / "report.json";
  const std::string folder = out / "report";
  const pid_t child = fork();
  if (child == 0) {
    alarm(kHangs_s);
    const int err_file = open(err.c_str(), O_WRONLY | O_CREAT, 0600);
    const int no_file = open("/dev/null", O_WRONLY);
    if (dup2(err_file, STDERR_FILENO) < 0 || dup2(no_file, STDOUT_FILENO) < 0) _exit(126);
    execl(RINGSWEEP_EXECUTABLE, "ringsweep", "check", what.c_str(), "--out", folder.c_str(),
          "--json", report.c_str(), nullptr);
    _exit(127);
  }
  int status = 0;
  waitpid(child, &status, 0);
  Ran ran{.status = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status)};
  std::istringstream lines(read_file(err));
  for (std::string line; std::getline(lines, line);) ran.err.push_back(line);
  if (fs::exists(report)) ran.report = json::parse(read_file(report));
  return ran;
}

json burst_with(const json& report, const std::string& file) {
  for (const json& burst : report.value("bursts", json::array()))
    for (const json& frame : burst["frames"])
      if (frame["file"] == file) return burst;
  return {};
}

/// An odd file and the name it gets beside the burst.
struct Odd {
  fs::path file;
  std::string name;
};

fs::path put_beside_good_burst(const ScratchFolder& scratch, std::span<const Odd> odd) {
  const fs::path folder = scratch / "meadow";
  testing_app::copy_jpegs(kGoodBurst, folder);
  for (const Odd& one : odd) fs::copy_file(one.file, folder / one.name);
  return folder;
}

const json& good_burst_alone() {
  static const json burst = [] {
    const ScratchFolder scratch;
    return burst_with(check(put_beside_good_burst(scratch, {})).report, kOneOfIt);
  }();
  return burst;
}

/// What is wrong with the standard error: a line that is not ours, that names none of the files or
/// one of them again, or a file that was not named although it cannot be read.
std::string wrong_lines(const std::vector<std::string>& lines, const fs::path& folder) {
  std::map<std::string, int> expected;  // file -> lines
  const Intake intake = find_bursts(std::span(&folder, 1));
  for (const Burst& burst : intake.bursts)
    for (const FrameRef& frame : burst.frames)
      expected[frame.file] = decode(frame, {.reduction = 8}) ? 0 : 1;
  std::string wrong;
  for (const std::string& line : lines) {
    const auto file = std::ranges::find_if(expected, [&](const auto& entry) {
      return line.starts_with("ringsweep: " + entry.first + ": ") && line.ends_with('.');
    });
    if (file == expected.end())
      wrong += "said: " + line + "\n";
    else
      --file->second;
  }
  for (const auto& [file, left] : expected)
    if (left != 0) wrong += file + (left > 0 ? ": not named\n" : ": named for nothing\n");
  return wrong;
}

/// Does the burst come out as without the others? `exactly`: to the last digit, since none of the
/// others belongs to it; otherwise they stand behind its last frame, and the same frames have to
/// have a place, with the same flags and the same verdict.
std::string changes(const json& burst, bool exactly) {
  const json& alone = good_burst_alone();
  if (burst.is_null()) return "the burst is not in the report\n";
  if (exactly) return burst == alone ? "" : "changed: " + json::diff(alone, burst).dump() + "\n";
  std::string changed;
  if (burst["verdict"] != alone["verdict"])
    changed += "the verdict is " + burst["verdict"].dump() + "\n";
  if (burst["frames"].size() < alone["frames"].size()) return changed + "frames are missing\n";
  for (std::size_t k = 0; k < alone["frames"].size(); ++k) {
    const json& before = alone["frames"][k];
    const json& after = burst["frames"][k];
    if (before["file"] != after["file"] || before["flags"] != after["flags"] ||
        before["focus_px"].is_null() != after["focus_px"].is_null())
      changed += before.dump() + " became " + after.dump() + "\n";
  }
  return changed;
}

/// Runs the program on the burst with some odd files in its folder: what is wrong, nothing if all
/// is well.
std::string trouble(std::span<const Odd> odd, bool exactly) {
  const ScratchFolder scratch;
  const fs::path folder = put_beside_good_burst(scratch, odd);
  const Ran ran = check(folder);
  std::string wrong;
  bool complete = !ran.report.is_null();
  for (const json& burst : ran.report.value("bursts", json::array()))
    complete &= burst["verdict"] == "complete" || burst["verdict"] == "complete-without";
  if (ran.status != (complete ? 0 : 1))
    wrong += "the exit status is " + std::to_string(ran.status) + "\n";
  if (ran.report.is_null()) return wrong + "there is no report\n";
  return wrong + changes(burst_with(ran.report, kOneOfIt), exactly) + wrong_lines(ran.err, folder);
}

/// Names the files that make the trouble, by halves.
void expect_no_trouble(std::span<const Odd> odd, bool exactly) {
  const std::string wrong = trouble(odd, exactly);
  if (wrong.empty()) return;
  if (odd.size() == 1) {
    ADD_FAILURE() << odd[0].file << " as " << odd[0].name << ":\n" << wrong;
    return;
  }
  const std::size_t half = odd.size() / 2;
  const bool failed_before = testing::Test::HasFailure();
  expect_no_trouble(odd.first(half), exactly);
  expect_no_trouble(odd.subspan(half), exactly);
  if (failed_before || !testing::Test::HasFailure())
    ADD_FAILURE() << odd[0].file << " to " << odd.back().file << " together:\n" << wrong;
}

void expect_no_trouble(const std::vector<Odd>& odd, bool exactly) {
  for (std::size_t i = 0; i < odd.size(); i += kMostAtOnce)
    expect_no_trouble(std::span(odd).subspan(i, std::min(kMostAtOnce, odd.size() - i)), exactly);
}

TEST(OddFilesAmongAGoodBurst, LeaveItAsItIsAndAreNamedWhereTheyCannotBeRead) {
  SKIP_WITHOUT_ODD_FILES(folder);
  ASSERT_EQ(good_burst_alone().value("verdict", ""), "complete");
  std::vector<Odd> odd;
  for (const fs::path& file : files_in(*folder)) odd.push_back({file, file.filename()});
  expect_no_trouble(odd, true);
}

// What has no time of its own is then taken for a frame of the burst, behind its last one.
TEST(OddFilesAmongAGoodBurst, NumberedOnLikeItsFramesTheyChangeNoVerdict) {
  SKIP_WITHOUT_ODD_FILES(folder);
  ASSERT_EQ(good_burst_alone().value("verdict", ""), "complete");
  std::vector<Odd> odd;
  for (const fs::path& file : files_in(*folder)) {
    const Intake alone = find_bursts(std::span(&file, 1));
    if (alone.bursts.empty() || alone.bursts[0].frames[0].time_s) continue;
    odd.push_back({file, "DSC0" + std::to_string(2130 + odd.size()) + file.extension().string()});
  }
  expect_no_trouble(odd, false);
}

TEST(OddFilesAlone, AreNoSweepAndAtMostOneLineNamesThem) {
  SKIP_WITHOUT_ODD_FILES(folder);
  for (const fs::path& file : files_in(*folder)) {
    const Ran ran = check(file);
    EXPECT_EQ(ran.status, 3) << file;
    ASSERT_FALSE(ran.err.empty()) << file;
    EXPECT_TRUE(ran.err.back().starts_with("ringsweep: no burst of at least 5")) << ran.err.back();
    EXPECT_LE(ran.err.size(), 2U) << file;
    if (ran.err.size() > 1) {
      EXPECT_TRUE(ran.err[0].starts_with("ringsweep: " + file.filename().string() + ": "))
          << ran.err[0];
    }
  }
}

}  // namespace
}  // namespace ringsweep
