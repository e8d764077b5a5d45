// The program as a shell starts it, on real files.

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/resource.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <regex>
#include <set>
#include <string>
#include <thread>
#include <vector>

#include "app/run_program.h"
#include "app/scratch_folder.h"

namespace ringsweep {
namespace {

using ::testing::EndsWith;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;
using testing_app::CurrentFolder;
using testing_app::Environment;
using testing_app::finish;
using testing_app::listing;
using testing_app::Ran;
using testing_app::read_file;
using testing_app::ringsweep;
using testing_app::ScratchFolder;
using testing_app::start;
namespace fs = std::filesystem;

/// Five pictures of plain grey: readable, and nothing in them.
void put_grey_burst(const fs::path& folder) {
  fs::create_directories(folder);
  for (int k = 1; k <= 5; ++k) {
    cv::imwrite((folder / ("IMG_000" + std::to_string(k) + ".png")).string(),
                cv::Mat(120, 160, CV_8UC3, cv::Scalar::all(128)));
  }
}

TEST(Executable, NothingToSeeIsStatus1AndCannotTell) {
  const ScratchFolder scratch;
  put_grey_burst(scratch / "grey burst");  // the space belongs to the test
  const auto before = listing(scratch / "grey burst");
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", "grey burst"});
  EXPECT_EQ(ran.status, 1) << ran.out << ran.err;
  EXPECT_THAT(ran.out, StartsWith("Cannot tell, 0001"));
  EXPECT_TRUE(fs::exists("ringsweep-report/report.json"));
  EXPECT_EQ(listing(scratch / "grey burst"), before);
}

TEST(Executable, DamagedFilesAreNamedOneLineEach) {
  const ScratchFolder scratch;
  put_grey_burst(scratch / "burst");
  scratch.put("burst/IMG_0006.png", "this is no picture");
  scratch.put("burst/IMG_0007.jpg", "");
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", "burst", "--json", "-"});
  EXPECT_EQ(ran.status, 1) << ran.err;
  EXPECT_THAT(ran.err, HasSubstr("ringsweep: IMG_0006.png: "));
  EXPECT_THAT(ran.err, HasSubstr("ringsweep: IMG_0007.jpg: "));
  const auto frames = nlohmann::json::parse(ran.out)["bursts"][0]["frames"];
  EXPECT_EQ(frames[5]["flags"], nlohmann::json::array({"unreadable"}));
}

TEST(Executable, NothingReadableIsStatus3) {
  const ScratchFolder scratch;
  for (int k = 1; k <= 6; ++k) scratch.put("burst/IMG_000" + std::to_string(k) + ".jpg", "no");
  const CurrentFolder here(scratch.path());
  EXPECT_EQ(ringsweep({"check", "burst"}).status, 3);
  EXPECT_EQ(ringsweep({"check", "nowhere"}).status, 3);
  EXPECT_EQ(ringsweep({"check", "burst/IMG_0001.jpg"}).status, 3);
  EXPECT_FALSE(fs::exists("ringsweep-report"));
}

TEST(Executable, FromWithinTheInputTheReportGoesToTheDataHome) {
  const ScratchFolder scratch;
  put_grey_burst(scratch / "burst");
  const CurrentFolder here(scratch / "burst");
  const Environment data("XDG_DATA_HOME", (scratch / "data").c_str());
  const auto before = listing(".");
  const Ran ran = ringsweep({"check", "."});
  EXPECT_THAT(ran.out, HasSubstr("Report: " + (scratch / "data/ringsweep/burst").string() + "\n"));
  EXPECT_EQ(listing("."), before);
  EXPECT_EQ(ringsweep({"check", ".", "--out", "here"}).status, 4);
  EXPECT_EQ(listing("."), before);
}

// File systems of cards and of this one take any byte but 0 and '/' in a name.
TEST(Executable, HostileNamesAreNamesAndNothingElse) {
  const ScratchFolder scratch;
  const std::string folder = (scratch / "bu\xffrst\n<b>").string();
  put_grey_burst(folder);
  const std::string script = "<script>alert(1)<";  // no '/' in a name
  fs::rename(fs::path(folder) / "IMG_0001.png", folder + "/" + script + "0001.png");
  fs::rename(fs::path(folder) / "IMG_0002.png", folder + "/\xff\xfe\x1b[2J0002.png");
  fs::rename(fs::path(folder) / "IMG_0003.png", folder + "/$(touch owned);`touch owned`0003.png");
  fs::rename(fs::path(folder) / "IMG_0004.png", folder + "/ 'a' \"b\"0004.png");
  scratch.put(fs::path(folder) / "-\xff\n0006.png", "no picture");
  const CurrentFolder here(scratch.path());
  const auto before = listing(folder);
  const Ran ran = ringsweep({"check", folder, "--json", "out.json"});
  EXPECT_EQ(ran.status, 1) << ran.out << ran.err;
  EXPECT_THAT(ran.out + ran.err, Not(HasSubstr("\x1b")));
  EXPECT_THAT(ran.out + ran.err, Not(HasSubstr("\xff")));
  const auto report = nlohmann::json::parse(read_file("out.json"));  // throws where it is no UTF-8
  EXPECT_GE(report["bursts"][0]["frames"].size(), 5U);
  EXPECT_THAT(read_file("ringsweep-report/report.html"), Not(HasSubstr("<script>alert")));
  EXPECT_FALSE(fs::exists("owned"));
  EXPECT_EQ(listing(folder), before);
}

TEST(Executable, APictureOfOnePixelIsNoSweep) {
  const ScratchFolder scratch;
  fs::create_directories(scratch / "burst");
  for (int k = 1; k <= 5; ++k)
    cv::imwrite((scratch / ("burst/IMG_000" + std::to_string(k) + ".png")).string(),
                cv::Mat(1, 1, CV_8UC3, cv::Scalar::all(128)));
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", "burst"});
  EXPECT_EQ(ran.status, 3) << ran.out << ran.err;
  EXPECT_THAT(
      ran.err,
      HasSubstr(
          "IMG_0001.png: the picture is only 1 by 1 dots, an icon; use the full-size file.\n"));
  EXPECT_FALSE(fs::exists("ringsweep-report"));
}

/// Of the programs that were started, at its highest.
double most_memory_gb() {
  rusage usage{};
  getrusage(RUSAGE_CHILDREN, &usage);
  return 1024.0 * static_cast<double>(usage.ru_maxrss) / 1e9;  // KiB on Linux: getrusage(2)
}

// Real sizes, and no more memory than a laptop has: of a large JPEG only what a smaller scale needs
// is decoded, a large PNG (900 MB of colours) is not held twice.
TEST(Executable, PicturesOf300MegapixelsAmongABurstDoNoHarm) {
  const ScratchFolder scratch;
  testing_app::copy_jpegs(RINGSWEEP_SAMPLES "/meadow-complete", scratch / "burst");
  const cv::Mat huge(15'000, 20'000, CV_8UC1, cv::Scalar(90));
  cv::imwrite((scratch / "burst/DSC02110_B.JPG").string(), huge);
  cv::imwrite(
      (scratch / "burst/DSC02111_B.PNG").string(), huge,
      {cv::IMWRITE_PNG_COMPRESSION, 1, cv::IMWRITE_PNG_STRATEGY, cv::IMWRITE_PNG_STRATEGY_RLE});
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", "burst"});
  EXPECT_EQ(ran.status, 0) << ran.out << ran.err;
  EXPECT_THAT(ran.out, StartsWith("Good, 2101 to 2129"));
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
  EXPECT_LT(most_memory_gb(), 1.6);  // 1.5 GiB: what is asked for of a whole card
#endif
}

TEST(Executable, AReportGivesTheStackListOfThePictures) {
  const ScratchFolder scratch;
  const CurrentFolder here(scratch.path());
  const std::string burst = std::string(RINGSWEEP_SAMPLES) + "/meadow-flash";
  EXPECT_EQ(ringsweep({"check", burst}).status, 1);
  for (const char* kind : {"--all-good", "--fewest"}) {
    const Ran seen = ringsweep({"stacklist", burst, kind});
    const Ran told = ringsweep(
        {"stacklist", burst, kind, "--report", "ringsweep-report/report.json", "--copy", kind + 2});
    EXPECT_EQ(seen.status, 1);
    EXPECT_EQ(told.status, 1);
    EXPECT_THAT(seen.out, HasSubstr("Stays soft: between 2311 and 2315.\n"));
    EXPECT_THAT(told.out, StartsWith(seen.out));
    EXPECT_TRUE(fs::exists(fs::path(kind + 2) / "DSC02311.JPG"));
    EXPECT_FALSE(fs::exists(fs::path(kind + 2) / "DSC02312.JPG"));
  }
}

// POSIX: a process that is ended by a signal is told so to its parent, a shell shows 128 + 2.
/// The second half of the burst's files goes into a folder of its own.
TEST(Executable, TwoBurstsOfASceneThatAreCompleteTogetherAreSaidToBe) {
  const ScratchFolder scratch;
  const CurrentFolder here(scratch.path());
  for (const auto& entry :
       fs::directory_iterator(std::string(RINGSWEEP_SAMPLES) + "/meadow-two-sweeps")) {
    const std::string name = entry.path().filename().string();
    if (entry.path().extension() != ".JPG") continue;
    const fs::path folder = name <= "DSC02416.JPG" ? "there" : "back";
    fs::create_directories(folder);
    fs::copy_file(entry.path(), folder / name);
  }
  const Ran ran = ringsweep({"check", "there", "back", "--out", "report"});
  EXPECT_EQ(ran.status, 0) << ran.out << ran.err;
  EXPECT_THAT(ran.out, HasSubstr("none is complete alone"));
  const auto scenes = nlohmann::json::parse(read_file("report/report.json"))["scenes"];
  ASSERT_EQ(scenes.size(), 1U);
  EXPECT_EQ(scenes[0]["verdict"], "complete");
  EXPECT_EQ(scenes[0]["together"], nlohmann::json::array({1, 2}));
  EXPECT_EQ(scenes[0]["whole"]["verdict"], "complete");
  EXPECT_EQ(scenes[0]["whole"]["frames"].size(), 32U);
  EXPECT_THAT(ran.out, EndsWith("\nThe newest scene: Good, 2401 to 2432: you may leave.\n"));
  const Ran list = ringsweep({"stacklist", "--as-one", "there", "back"});
  EXPECT_EQ(list.status, 0) << list.out << list.err;
  EXPECT_THAT(list.out, HasSubstr("DSC02404.JPG"));
  EXPECT_THAT(list.out, HasSubstr("DSC02428.JPG"));
}

TEST(Executable, AnInterruptLeavesNoReport) {
  const ScratchFolder scratch;
  const ScratchFolder logs;
  fs::create_directories(scratch / "burst");
  cv::Mat noise(1500, 2000, CV_8UC3);
  cv::randu(noise, 0, 255);
  for (int k = 10; k < 60; ++k) {
    cv::imwrite((scratch / ("burst/IMG_00" + std::to_string(k) + ".jpg")).string(), noise);
  }
  const CurrentFolder here(scratch.path());
  const pid_t child = start(logs, {"check", "burst"});
  // The report folder is made before the first picture is read: from then on it works.
  for (int i = 0; i < 1000 && !fs::exists("ringsweep-report"); ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }
  std::this_thread::sleep_for(std::chrono::milliseconds(20));
  kill(child, SIGINT);
  const Ran ran = finish(logs, child);
  EXPECT_EQ(ran.status, 128 + SIGINT) << ran.out << ran.err;
  EXPECT_THAT(ran.err, HasSubstr("stopped; no report was written"));
  EXPECT_EQ(ran.out, "");
  EXPECT_FALSE(fs::exists("ringsweep-report"));
}

// Manual and completions know every option that --help names, and no other.
TEST(Executable, ManualAndCompletionsKnowItsOptions) {
  const std::regex option("--[a-z][a-z-]*[a-z]");
  const auto options_in = [&](const std::string& text) {
    std::set<std::string> found;
    for (std::sregex_iterator at(text.begin(), text.end(), option), end; at != end; ++at)
      found.insert(at->str());
    return found;
  };
  const std::string folder = RINGSWEEP_INSTALLED "/";
  const std::string manual =
      std::regex_replace(read_file(folder + "ringsweep.1"), std::regex(R"(\\-)"), "-");
  const std::string fish =
      std::regex_replace(read_file(folder + "ringsweep.fish"), std::regex(" -l "), " --");
  std::set<std::string> all{"--help", "--version"};
  for (const char* command : {"check", "watch", "stacklist", "plan"})
    all.merge(options_in(ringsweep({command, "--help"}).out));
  EXPECT_THAT(options_in(manual), ::testing::ContainerEq(all));
  for (const std::string& text :
       {read_file(folder + "ringsweep.bash"), read_file(folder + "_ringsweep"), fish})
    EXPECT_THAT(options_in(text), ::testing::ContainerEq(all));
}

// The sample bursts: what they are is written in their truth.json by the program that made them.
TEST(Executable, TheCompleteSampleIsComplete) {
  const ScratchFolder scratch;
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", RINGSWEEP_SAMPLES "/meadow-complete"});
  EXPECT_EQ(ran.status, 0) << ran.out << ran.err;
  EXPECT_THAT(ran.out, StartsWith("Good, "));
  EXPECT_FALSE(cv::imread("ringsweep-report/depth-1.png").empty());
  const std::string page = read_file("ringsweep-report/report.html");
  EXPECT_LE(page.size(), 5'000'000U);  // of a burst of 30
  EXPECT_THAT(page, HasSubstr("Good, 2101 to 2129"));
  EXPECT_THAT(page, HasSubstr("data:image/jpeg;base64,"));
  EXPECT_EQ(std::ranges::count(read_file("ringsweep-report/frames.csv"), '\n'), 1 + 29);
}

TEST(Executable, TheGapOfTheOtherSampleIsFoundWhereItIs) {
  const ScratchFolder scratch;
  const CurrentFolder here(scratch.path());
  const Ran ran = ringsweep({"check", RINGSWEEP_SAMPLES "/meadow-gap", "--json", "out.json"});
  EXPECT_EQ(ran.status, 1) << ran.out << ran.err;
  const auto truth = nlohmann::json::parse(read_file(RINGSWEEP_SAMPLES "/meadow-gap/truth.json"));
  const auto said = nlohmann::json::parse(read_file("out.json"))["bursts"][0];
  EXPECT_EQ(said["verdict"], truth["verdict"]);
  ASSERT_EQ(said["gaps"].size(), truth["gaps"].size());
  for (std::size_t i = 0; i < truth["gaps"].size(); ++i) {
    EXPECT_EQ(said["gaps"][i]["after"], truth["gaps"][i]["after"]);
    EXPECT_EQ(said["gaps"][i]["before"], truth["gaps"][i]["before"]);
  }
}

}  // namespace
}  // namespace ringsweep
