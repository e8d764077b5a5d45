// `ringsweep watch`: a folder is filled as transfers do it, and each burst is told once it is
// there.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <csignal>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include "app/folder_events.h"
#include "app/run_program.h"
#include "app/scratch_folder.h"

namespace ringsweep::app {
namespace {

using ::testing::Contains;
using ::testing::Each;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;
using ::testing::StartsWith;
using testing_app::Ran;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

std::vector<std::string> told(FolderEvents& events) {
  constexpr int kWaitMs = 100;
  std::vector<std::string> result;
  for (const FolderEvent& event : events.next(kWaitMs))
    result.push_back(
        std::vector{"written ", "closed ", "gone "}[static_cast<std::size_t>(event.kind)] +
        event.file.filename().string());
  return result;
}

TEST(FolderEvents, FilesAreToldAsTheyComeAndGo) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "in/there");
  auto events = FolderEvents::of(scratch / "in");
  ASSERT_TRUE(events);
  EXPECT_THAT(told(*events), IsEmpty());
  scratch.put("in/a.JPG", "text");
  EXPECT_THAT(told(*events), ::testing::AllOf(Contains("written a.JPG"), Contains("closed a.JPG")));
  scratch.put("in/there/.b.part", "text");  // as some transfers do it
  EXPECT_THAT(told(*events), IsEmpty());
  fs::rename(scratch / "in/there/.b.part", scratch / "in/there/b.JPG");
  EXPECT_THAT(told(*events), Contains("closed b.JPG"));
  fs::remove(scratch / "in/a.JPG");
  EXPECT_THAT(told(*events), ::testing::ElementsAre("gone a.JPG"));
  // A folder that comes with a file in it.
  scratch.put("new/c.JPG");
  fs::rename(scratch / "new", scratch / "in/new");
  EXPECT_THAT(told(*events), Contains("closed c.JPG"));
  scratch.put("in/new/d.JPG");
  EXPECT_THAT(told(*events), Contains("closed d.JPG"));
  fs::create_directory_symlink(scratch / "in", scratch / "in/round");
  EXPECT_THAT(told(*events), Each(Not(HasSubstr("JPG"))));
  EXPECT_FALSE(events->over());
  fs::remove_all(scratch / "in");
  static_cast<void>(told(*events));
  EXPECT_TRUE(events->over());
}

TEST(FolderEvents, AFileIsNoFolder) {
  const ScratchFolder scratch;
  const auto events = FolderEvents::of(scratch.put("file"));
  ASSERT_FALSE(events);
  EXPECT_THAT(one_line(events.error()), HasSubstr("is no folder"));
  EXPECT_FALSE(FolderEvents::of(scratch / "none"));
}

/// The program at work beside the test.
class Watch : public ::testing::Test {
 protected:
  Watch() { fs::create_directories(scratch_ / "in"); }

  void start(std::vector<std::string> more = {}, const fs::path& folder = "in") {
    std::vector<std::string> words{"watch",   (scratch_ / folder).string(),
                                   "--out",   (scratch_ / "report").string(),
                                   "--pause", "1.5"};
    words.insert(words.end(), more.begin(), more.end());
    child_ = testing_app::start(logs_, words);
    wait_for("Ctrl-C ends it");
  }
  /// It may be long on a busy machine.
  template <class Condition>
  void wait_until(const Condition& condition) const {
    using namespace std::chrono;
    constexpr seconds kLongest(300);
    const auto begin = steady_clock::now();
    while (!condition()) {
      ASSERT_LT(steady_clock::now() - begin, kLongest) << out() << read_file(logs_ / "err");
      std::this_thread::sleep_for(milliseconds(50));
    }
  }
  /// Until the program has printed this so many times.
  void wait_for(const std::string& text, int times = 1) const {
    wait_until([&] { return count(out(), text) >= times; });
  }
  /// The verdict is told before the report is written.
  void wait_for_report(const std::string& last_file) const {
    wait_until([&] { return count(read_file(scratch_ / "report/latest.html"), last_file) > 0; });
  }
  Ran stop() {
    kill(child_, SIGTERM);
    return testing_app::finish(logs_, child_);
  }
  [[nodiscard]] std::string out() const { return read_file(logs_ / "out"); }
  static int count(const std::string& text, const std::string& what) {
    int times = 0;
    for (std::size_t at = text.find(what); at != std::string::npos; at = text.find(what, at + 1))
      ++times;
    return times;
  }
  static std::vector<fs::path> sample(const std::string& name) {
    std::vector<fs::path> files;
    for (const auto& entry : fs::directory_iterator(fs::path(RINGSWEEP_SAMPLES) / name))
      if (entry.path().extension() == ".JPG") files.push_back(entry.path());
    std::ranges::sort(files);
    return files;
  }
  /// All there at once, under another name first.
  void bring(const fs::path& file, const fs::path& folder = "in") const {
    fs::copy_file(file, scratch_ / folder / ".on-its-way");
    fs::rename(scratch_ / folder / ".on-its-way", scratch_ / folder / file.filename());
  }
  [[nodiscard]] nlohmann::json bursts() const {
    return nlohmann::json::parse(read_file(scratch_ / "report/report.json"))["bursts"];
  }

  ScratchFolder scratch_;
  ScratchFolder logs_;
  pid_t child_ = -1;
};

TEST_F(Watch, TellsEachBurstAsCheckDoesHoweverItComes) {
  start({"--bell"});
  std::vector<fs::path> files = sample("meadow-complete");
  std::shuffle(files.begin(), files.end(), std::mt19937(1));
  for (const fs::path& file : files) bring(file);
  wait_for("Good, 2101 to 2129: you may leave.");
  for (const fs::path& file : sample("meadow-gap")) bring(file);
  wait_for("Not yet, 2201 to ");
  wait_for_report("Not yet, 2201 to ");
  const Ran ran = stop();
  EXPECT_EQ(ran.status, 128 + SIGTERM);
  EXPECT_EQ(count(ran.err, "\a"), 1 + 2);
  EXPECT_THAT(ran.err, HasSubstr("ringsweep: no longer watching.\n"));
  // The reports: those of `check`, picture by picture.
  ASSERT_EQ(bursts().size(), 2U);
  const Ran check = testing_app::ringsweep(
      {"check", (scratch_ / "in").string(), "--out", (scratch_ / "checked").string()});
  const auto checked = nlohmann::json::parse(read_file(scratch_ / "checked/report.json"))["bursts"];
  EXPECT_EQ(bursts(), checked);
  EXPECT_LE(fs::file_size(scratch_ / "report/latest.html"), 1'000'000U);
  EXPECT_THAT(read_file(scratch_ / "report/latest.html"), HasSubstr("Not yet, 2201 to "));
  EXPECT_THAT(read_file(scratch_ / "report/report.html"), HasSubstr("Good, 2101 to 2129"));
}

TEST_F(Watch, WaitsForWhatIsHalfThereAndChecksABurstAgainThatGrows) {
  const std::vector<fs::path> files = sample("meadow-gap");
  start();
  for (std::size_t i = 0; i + 2 < files.size(); ++i) bring(files[i]);
  // Half of the next one, closed; the other half later.
  const std::string whole = read_file(files[files.size() - 2]);
  const fs::path name = fs::path("in") / files[files.size() - 2].filename();
  scratch_.put(name, whole.substr(0, whole.size() / 2));
  std::this_thread::sleep_for(std::chrono::seconds(3));  // longer than the pause
  EXPECT_THAT(out(), Not(HasSubstr("Not yet")));
  scratch_.put(name, whole);
  wait_for("Not yet, ");
  bring(files.back());
  wait_for("Not yet, ", 2);
  wait_for_report(files.back().filename().string());
  const Ran ran = stop();
  EXPECT_THAT(ran.err, Not(HasSubstr("cannot be read")));
  ASSERT_EQ(bursts().size(), 1U) << "it has grown: the shorter one is no more";
  EXPECT_EQ(bursts()[0]["frames"].size(), files.size());
}

// The folder by another name than its own: what was there is known again.
TEST_F(Watch, ABurstThatWasThereIsNotToldWithOneThatComes) {
  for (const fs::path& file : sample("meadow-complete")) bring(file);
  fs::create_directory_symlink(scratch_ / "in", scratch_ / "link");
  start({}, "link");
  for (const fs::path& file : sample("meadow-gap")) bring(file);
  wait_for_report("Not yet, 2201 to ");
  const Ran ran = stop();
  EXPECT_THAT(ran.out, Not(HasSubstr("Good, 2101")));
  EXPECT_EQ(bursts().size(), 1U);
}

TEST_F(Watch, SaysWhenASceneIsCompleteWithTheBurstThatComes) {
  for (const char* folder : {"in/back", "in/there"}) fs::create_directories(scratch_ / folder);
  start({"--bell"});
  const std::vector<fs::path> files = sample("meadow-two-sweeps");
  const auto turn = files.begin() + 16;
  std::for_each(files.begin(), turn, [&](const fs::path& file) { bring(file, "in/there"); });
  wait_for_report("Not yet, 2401 to 2416");
  std::for_each(turn, files.end(), [&](const fs::path& file) { bring(file, "in/back"); });
  wait_for("The newest scene: Good, 2401 to 2432: you may leave.");
  const Ran ran = stop();
  EXPECT_EQ(count(ran.out, "The newest scene"), 1);
  EXPECT_EQ(count(ran.err, "\a"), 2 + 2 + 1);
  EXPECT_EQ(bursts().size(), 2U);
}

TEST_F(Watch, LeavesAloneWhatWasThereAndEndsWithTheFolder) {
  for (const fs::path& file : sample("meadow-gap")) bring(file);
  start();
  scratch_.put("in/notes.txt", "no picture");
  std::this_thread::sleep_for(std::chrono::seconds(3));
  fs::rename(scratch_ / "in", scratch_ / "away");
  const Ran ran = testing_app::finish(logs_, child_);
  EXPECT_EQ(ran.status, 3);
  EXPECT_THAT(ran.out, Not(HasSubstr("Not yet")));
  EXPECT_THAT(ran.err, HasSubstr("is gone; start again once it is back."));
  EXPECT_FALSE(fs::exists(scratch_ / "report"));
}

TEST(WatchCommand, RefusesWhatCannotBeWatchedOrWrittenTo) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "in");
  const std::string in = (scratch / "in").string();
  EXPECT_EQ(testing_app::ringsweep({"watch"}).status, 2);
  EXPECT_EQ(testing_app::ringsweep({"watch", in, "--last", "1"}).status, 2);
  const Ran inside = testing_app::ringsweep({"watch", in, "--out", in + "/report"});
  EXPECT_EQ(inside.status, 4);
  EXPECT_THAT(inside.err, HasSubstr("where nothing is written"));
  const Ran none =
      testing_app::ringsweep({"watch", (scratch / "none").string(), "--out", in + "-report"});
  EXPECT_EQ(none.status, 3);
  EXPECT_THAT(none.err, HasSubstr("is no folder"));
}

}  // namespace
}  // namespace ringsweep::app
