// Where a report may go. Pictures cannot be made again: these tests are about never touching them.

#include "app/output_place.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "app/scratch_folder.h"

namespace ringsweep::app {
namespace {

using ::testing::HasSubstr;
using testing_app::CurrentFolder;
using testing_app::Environment;
using testing_app::listing;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

const Roots kNoCard;

RootOf everything_below(const fs::path& root) {
  return [root](const fs::path& path) -> std::optional<fs::path> {
    const std::string text = fs::weakly_canonical(fs::absolute(path)).string();
    if (text == root.string() || text.starts_with(root.string() + "/")) return root;
    return std::nullopt;
  };
}

/// A card whose root is `root`, as a mounted one would be found.
Roots card_at(const fs::path& root) {
  return {.card = everything_below(root), .removable = no_root};
}

TEST(WhyNotThere, NothingGoesUnderAnInput) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "burst/inner");
  fs::create_directories(scratch / "burst-2");
  const std::vector<fs::path> inputs{scratch / "burst"};
  EXPECT_TRUE(why_not_there(scratch / "burst", inputs, kNoCard));
  EXPECT_TRUE(why_not_there(scratch / "burst/", inputs, kNoCard));
  EXPECT_TRUE(why_not_there(scratch / "burst/inner/new/newer", inputs, kNoCard));
  EXPECT_TRUE(why_not_there(scratch / "burst-2/../burst/out", inputs, kNoCard));
  EXPECT_FALSE(why_not_there(scratch / "burst-2", inputs, kNoCard));  // only begins alike
  EXPECT_FALSE(why_not_there(scratch / "out", inputs, kNoCard));
  EXPECT_FALSE(why_not_there(scratch.path(), inputs, kNoCard));
}

TEST(WhyNotThere, ALinkIsFollowedBothWays) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "burst");
  fs::create_directory_symlink(scratch / "burst", scratch / "link");
  EXPECT_TRUE(why_not_there(scratch / "link/out", std::vector{scratch / "burst"}, kNoCard));
  EXPECT_TRUE(why_not_there(scratch / "burst/out", std::vector{scratch / "link"}, kNoCard));
}

TEST(WhyNotThere, NothingGoesOnACard) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "DCIM/100MEDIA");
  const auto why = why_not_there(scratch / "out", std::vector{scratch / "DCIM/100MEDIA"},
                                 card_at(scratch.path()));
  ASSERT_TRUE(why);
  EXPECT_THAT(why->problem, HasSubstr("card"));
  // Nor on one that is not among the inputs.
  EXPECT_TRUE(why_not_there(scratch / "out", {}, card_at(scratch.path())));
}

TEST(WhyNotThere, NothingGoesOnTheRemovableDiskThatIsRead) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "stick/burst");
  const Roots stick{.card = no_root, .removable = everything_below(scratch / "stick")};
  const auto why =
      why_not_there(scratch / "stick/out", std::vector{scratch / "stick/burst"}, stick);
  ASSERT_TRUE(why);
  EXPECT_EQ(why->problem, "lies on the disk the pictures are read from, where nothing is written");
  fs::create_directory_symlink(scratch / "stick", scratch / "link");
  EXPECT_TRUE(why_not_there(scratch / "link/out", std::vector{scratch / "stick/burst"}, stick));
  EXPECT_FALSE(why_not_there(scratch / "out", std::vector{scratch / "stick/burst"}, stick));
  // A stick may hold a stack whose pictures come from elsewhere.
  EXPECT_FALSE(why_not_there(scratch / "stick/out", std::vector{scratch / "burst"}, stick));
}

TEST(ChooseReportFolder, IsUsuallyInTheCurrentFolder) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "burst");
  fs::create_directories(scratch / "work");
  const CurrentFolder here(scratch / "work");
  const auto folder = choose_report_folder({}, std::vector{scratch / "burst"}, kNoCard);
  ASSERT_TRUE(folder);
  EXPECT_EQ(folder->path, scratch / "work/ringsweep-report");
  EXPECT_FALSE(folder->moved_off_card);
  EXPECT_FALSE(fs::exists(folder->path));
}

TEST(ChooseReportFolder, GoesToTheDataHomeFromAnInputOrACard) {
  const ScratchFolder scratch;
  const ScratchFolder home;
  fs::create_directories(scratch / "MY_CARD/DCIM/100MEDIA");
  const CurrentFolder here(scratch / "MY_CARD/DCIM/100MEDIA");
  const Environment data("XDG_DATA_HOME", home.path().c_str());
  auto folder = choose_report_folder({}, std::vector<fs::path>{"."}, kNoCard);
  ASSERT_TRUE(folder);
  EXPECT_EQ(folder->path, home / "ringsweep/100MEDIA");
  EXPECT_TRUE(folder->moved_off_card);

  folder = choose_report_folder({}, std::vector<fs::path>{".."}, card_at(scratch / "MY_CARD"));
  ASSERT_TRUE(folder);
  EXPECT_EQ(folder->path, home / "ringsweep/MY_CARD");
}

// XDG Base Directory Specification: relative paths in XDG_DATA_HOME are invalid and to be ignored,
// the default is $HOME/.local/share.
TEST(ChooseReportFolder, FollowsTheXdgSpecification) {
  const ScratchFolder scratch;
  const ScratchFolder home;
  fs::create_directories(scratch / "burst");
  const CurrentFolder here(scratch / "burst");
  const Environment at_home("HOME", home.path().c_str());
  const std::vector<fs::path> inputs{"."};
  for (const char* value : {static_cast<const char*>(nullptr), "", "relative/place"}) {
    const Environment data("XDG_DATA_HOME", value);
    const auto folder = choose_report_folder({}, inputs, kNoCard);
    ASSERT_TRUE(folder);
    EXPECT_EQ(folder->path, home / ".local/share/ringsweep/burst");
  }
}

TEST(ChooseReportFolder, RefusesAWishUnderAnInputAndAHomeUnderOne) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "burst");
  const std::vector<fs::path> inputs{scratch / "burst"};
  EXPECT_FALSE(choose_report_folder(scratch / "burst/out", inputs, kNoCard));
  EXPECT_TRUE(choose_report_folder(scratch / "out", inputs, kNoCard));

  const CurrentFolder here(scratch / "burst");
  const Environment data("XDG_DATA_HOME", (scratch / "burst").c_str());
  EXPECT_FALSE(choose_report_folder({}, inputs, kNoCard));
}

std::vector<std::pair<std::string, std::string>> report(int bursts) {
  std::string list;
  std::vector<std::pair<std::string, std::string>> files;
  for (int i = 1; i <= bursts; ++i) {
    list += i == 1 ? "{}" : ",{}";
    files.emplace_back("depth-" + std::to_string(i) + ".png", "picture");
  }
  files.emplace(files.begin(), "report.json",
                R"({"format": "ringsweep-report", "bursts": [)" + list + "]}");
  files.emplace_back("report.txt", "text");
  files.emplace_back("report.html", "page");
  files.emplace_back("frames.csv", "table");
  return files;
}

std::vector<std::string> names_in(const fs::path& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) {
    names.push_back(entry.path().filename().string());
  }
  return names;
}

// A stranger's report.json of more lists in each other than a stack of 8 MB holds.
TEST(ReportPlace, AFileOfAnyDepthIsNoReportOfOurs) {
  const ScratchFolder scratch;
  const std::string deep = std::string(1'000'000, '[') + std::string(1'000'000, ']');
  scratch.put("there/report.json", "{\"format\": " + deep + "}");
  EXPECT_FALSE(ReportPlace::prepare(scratch / "there"));
}

TEST(ReportPlace, WritesAllAndReplacesAnEarlierReport) {
  const ScratchFolder scratch;
  {
    auto place = ReportPlace::prepare(scratch / "a/b");
    ASSERT_TRUE(place) << one_line(place.error());
    ASSERT_TRUE(place->write(report(3)));
  }
  scratch.put("a/b/notes.txt", "mine");
  {
    auto place = ReportPlace::prepare(scratch / "a/b");
    ASSERT_TRUE(place) << one_line(place.error());
    ASSERT_TRUE(place->write(report(1)));
  }
  EXPECT_THAT(names_in(scratch / "a/b"),
              ::testing::UnorderedElementsAre("report.json", "report.txt", "report.html",
                                              "frames.csv", "depth-1.png", "notes.txt"));
  EXPECT_EQ(read_file(scratch / "a/b/notes.txt"), "mine");
}

TEST(ReportPlace, LeavesNothingBehindWhereNothingWasWritten) {
  const ScratchFolder scratch;
  {
    const auto place = ReportPlace::prepare(scratch / "a/b");
    ASSERT_TRUE(place);
    EXPECT_TRUE(fs::is_directory(scratch / "a/b"));
    EXPECT_THAT(names_in(scratch / "a/b"), ::testing::IsEmpty());
  }
  EXPECT_FALSE(fs::exists(scratch / "a"));
}

TEST(ReportPlace, NeverOverwritesWhatIsNotOurs) {
  for (const char* name :
       {"report.txt", "report.json", "report.html", "frames.csv", "depth-2.png"}) {
    const ScratchFolder scratch;
    scratch.put(name, "somebody's");
    const auto before = listing(scratch.path());
    const auto place = ReportPlace::prepare(scratch.path());
    ASSERT_FALSE(place) << name;
    EXPECT_THAT(one_line(place.error()), HasSubstr(name));
    EXPECT_EQ(listing(scratch.path()), before);
  }
}

TEST(ReportPlace, SaysBeforehandThatItCannotWrite) {
  const ScratchFolder scratch;
  scratch.put("file");
  EXPECT_FALSE(ReportPlace::prepare(scratch / "file"));
  EXPECT_FALSE(ReportPlace::prepare(scratch / "file/below"));
  EXPECT_FALSE(ReportPlace::prepare("/proc/ringsweep"));  // even root creates nothing there
}

TEST(ReportPlace, AFailureHalfWayLeavesTheOldReport) {
  const ScratchFolder scratch;
  auto place = ReportPlace::prepare(scratch.path());
  ASSERT_TRUE(place);
  ASSERT_TRUE(place->write(report(1)));
  const auto before = listing(scratch.path());
  auto files = report(2);
  files.emplace_back("no/such/folder.txt", "text");
  auto again = ReportPlace::prepare(scratch.path());
  ASSERT_TRUE(again);
  EXPECT_FALSE(again->write(files));
  const auto names = names_in(scratch.path());
  EXPECT_THAT(names, ::testing::UnorderedElementsAre("report.json", "report.txt", "report.html",
                                                     "frames.csv", "depth-1.png"));
  EXPECT_EQ(read_file(scratch / "report.json"), report(1)[0].second);
}

TEST(WhyNotThisFile, ProtectsPicturesAndStrangersFiles) {
  const ScratchFolder scratch;
  const fs::path picture = scratch.put("burst/DSC01207.JPG");
  const std::vector<fs::path> inputs{picture};
  EXPECT_TRUE(why_not_this_file(picture, inputs, kNoCard));
  EXPECT_TRUE(why_not_this_file(scratch.put("letter.json", "{}"), inputs, kNoCard));
  EXPECT_TRUE(why_not_this_file(scratch / "missing/out.json", inputs, kNoCard));
  EXPECT_TRUE(why_not_this_file(scratch.path(), inputs, kNoCard));
  EXPECT_TRUE(why_not_this_file("/proc/out.json", inputs, kNoCard));
  EXPECT_FALSE(why_not_this_file(scratch / "out.json", inputs, kNoCard));
  EXPECT_FALSE(why_not_this_file("/dev/null", inputs, kNoCard));
  const fs::path ours = scratch.put("ours.json", report(1)[0].second);
  EXPECT_FALSE(why_not_this_file(ours, inputs, kNoCard));
  ASSERT_TRUE(write_whole(ours, "new"));
  EXPECT_EQ(read_file(ours), "new");
}

TEST(IsFromReport, TellsOurPicturesFromTheCameras) {
  const ScratchFolder scratch;
  scratch.put("out/report.json", report(1)[0].second);
  EXPECT_TRUE(is_from_report(scratch / "out/depth-1.png"));
  EXPECT_FALSE(is_from_report(scratch / "out/DSC01207.JPG"));
  EXPECT_FALSE(is_from_report(scratch / "else/depth-1.png"));
}

}  // namespace
}  // namespace ringsweep::app
