// The cache: what was measured is taken from it to the bit, and nothing else ever is.

#include "app/cache.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <fstream>
#include <memory>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "app/analysis.h"
#include "app/command_line.h"
#include "app/exit_status.h"
#include "app/measured_archive.h"
#include "app/scratch_folder.h"
#include "ringsweep/report.h"

namespace ringsweep::app {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::SizeIs;
using testing_app::copy_jpegs;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

/// A sample burst, copied, with a count of the frames that were opened.
class CacheOfBursts : public ::testing::Test {
 protected:
  CacheOfBursts() { copy_jpegs(fs::path(RINGSWEEP_SAMPLES) / "meadow-gap", scratch_ / "burst"); }

  [[nodiscard]] Burst burst(const fs::path& below = {}) const {
    const Intake intake = find_bursts(std::vector<fs::path>{scratch_ / below / "burst"});
    EXPECT_THAT(intake.bursts, SizeIs(1));
    return intake.bursts.at(0);
  }
  nlohmann::json report(const Burst& of, const AnalysisOptions& options = {}) {
    opened_ = 0;
    return report_json(analyse_or_find(cache_, of, read_, options, {}), {});
  }

  ScratchFolder scratch_;
  Cache cache_{scratch_ / "kept"};
  std::atomic<int> opened_ = 0;
  const ReadFrame read_ = [this](const FrameRef& frame, int reduction) {
    ++opened_;
    return decode(frame, {.reduction = reduction});
  };
};

TEST_F(CacheOfBursts, SecondCheckOpensNoPictureAndSaysTheSame) {
  const Burst first = burst();
  const nlohmann::json measured = report(first);
  EXPECT_GT(opened_, 0);
  EXPECT_EQ(report(first), measured);
  EXPECT_EQ(opened_, 0);
  // Elsewhere they are the same pictures: a card is not always mounted at the same place.
  fs::create_directory(scratch_ / "elsewhere");
  fs::rename(scratch_ / "burst", scratch_ / "elsewhere/burst");
  EXPECT_EQ(report(burst("elsewhere")), measured);
  EXPECT_EQ(opened_, 0);
}

TEST_F(CacheOfBursts, WhatTheUserWantsIsJudgedAnewWithoutPictures) {
  const Burst burst = this->burst();
  report(burst);
  AnalysisOptions coarse{.blur_limit_px = 6.0};
  AnalysisOptions box{.first_end = Side::near};
  box.subject.outline = {{100, 100}, {500, 100}, {500, 400}, {100, 400}};
  for (const AnalysisOptions& options : {coarse, box}) {
    const nlohmann::json judged = report(burst, options);
    EXPECT_EQ(opened_, 0);
    EXPECT_EQ(judged, report_json(analyse(burst, read_, options), {}));
    EXPECT_NE(judged, report(burst));
  }
  // A limit below 2 px takes more than what was measured for the usual one.
  report(burst, {.blur_limit_px = 1.5});
  EXPECT_GT(opened_, 0);
}

TEST_F(CacheOfBursts, ChangedPicturesAreMeasuredAnew) {
  const Burst burst = this->burst();
  report(burst);
  const fs::path file = burst.frames.at(3).path;
  const auto time = fs::last_write_time(file);
  // One byte near the end, size and time as they were.
  {
    std::fstream stream(file, std::ios::binary | std::ios::in | std::ios::out);
    stream.seekp(-100, std::ios::end);
    stream.put('x');
  }
  fs::last_write_time(file, time);
  report(burst);
  EXPECT_GT(opened_, 0);
  fs::last_write_time(file, time + std::chrono::seconds(2));
  report(burst);
  EXPECT_GT(opened_, 0);
  fs::remove(file);
  report(this->burst());
  EXPECT_GT(opened_, 0);
}

// What is said of the files, and what there was no memory for, is not in them.
TEST_F(CacheOfBursts, AnotherFullSizeOrMemoryIsMeasuredAnew) {
  const Burst burst = this->burst();
  report(burst);
  Burst copies = burst;
  for (FrameRef& frame : copies.frames)
    ASSERT_TRUE(take_full_size(frame, {2560, 1920}, FullSizeFrom::user));
  EXPECT_EQ(report(copies)["bursts"][0]["full_size"], nlohmann::json::array({2560, 1920}));
  EXPECT_GT(opened_, 0);
  report(copies);
  EXPECT_EQ(opened_, 0);
  report(burst, {.memory_bytes = kLeastMemoryBytes});
  EXPECT_GT(opened_, 0);
}

TEST_F(CacheOfBursts, WhatCouldNotBeReadIsTriedAgain) {
  const Burst burst = this->burst();
  const ReadFrame broken = [&](const FrameRef& frame, int reduction) -> Result<LinearFrame> {
    if (frame.file == burst.frames.at(2).file)
      return tl::unexpected(Error{frame.file, "cannot be read", "try again"});
    return read_(frame, reduction);
  };
  EXPECT_THAT(analyse_or_find(cache_, burst, broken, {}, {}), SizeIs(1));
  report(burst);
  EXPECT_GT(opened_, 0);
}

/// All that the archive holds, to the bit: also a burst whose sweeps were measured apart.
TEST_F(CacheOfBursts, ArchiveIsTheSameToTheBit) {
  const Burst burst = this->burst();
  std::vector<MeasuredBurst> parts = measure(burst, read_);
  ASSERT_THAT(parts, SizeIs(1));
  parts.front().apart.push_back({.first = 0, .burst = parts.front()});
  const std::string bytes = archived(parts, burst);
  const auto again = from_archive(bytes, burst);
  ASSERT_TRUE(again);
  EXPECT_EQ(archived(*again, burst), bytes);
  EXPECT_EQ(again->front().refs.back().path, burst.frames.back().path);
  EXPECT_EQ(again->front().apart.front().burst.refs.front().path, burst.frames.front().path);
  EXPECT_EQ(report_json(std::vector{judge(again->front().apart.front().burst)}, {}),
            report_json(std::vector{judge(parts.front().apart.front().burst)}, {}));
  EXPECT_FALSE(from_archive(bytes.substr(0, bytes.size() / 2), burst));
  EXPECT_FALSE(from_archive("", burst));
  Burst shorter = burst;
  shorter.frames.pop_back();
  EXPECT_FALSE(from_archive(bytes, shorter));
}

/// The whole command, with a count of the pictures that were decoded.
class CheckWithCache : public ::testing::Test {
 protected:
  CheckWithCache() : stages_(real_stages()) {
    copy_jpegs(fs::path(RINGSWEEP_SAMPLES) / "meadow-gap", scratch_ / "burst");
    stages_.cache = std::make_shared<const Cache>(scratch_ / "kept");
    stages_.decode = [this](const FrameRef& frame, const DecodeOptions& options) {
      ++decoded_;
      return decode(frame, options);
    };
    stages_.decode_along = {};
    stages_.view = [this](const FrameRef& frame, const DecodeOptions& options) {
      ++decoded_;
      return decode_view(frame, options);
    };
  }
  /// report.html, report.json and what was printed.
  std::vector<std::string> check(const std::vector<std::string>& more = {}) {
    std::vector<std::string> words{"ringsweep", "check", (scratch_ / "burst").string(), "--out",
                                   (scratch_ / "report").string()};
    words.insert(words.end(), more.begin(), more.end());
    std::vector<const char*> argv;
    for (const std::string& word : words) argv.push_back(word.c_str());
    std::ostringstream out, err;
    decoded_ = 0;
    EXPECT_EQ(run(static_cast<int>(argv.size()), argv.data(), {.out = &out, .err = &err}, stages_),
              kNotComplete)
        << err.str();
    said_ = err.str();
    return {testing_app::read_file(scratch_ / "report/report.html"),
            testing_app::read_file(scratch_ / "report/report.json"), out.str()};
  }

  ScratchFolder scratch_;
  Stages stages_;
  std::atomic<int> decoded_ = 0;
  std::string said_;  ///< on `err`
};

TEST_F(CheckWithCache, TheSecondMakesTheSameReportAndOpensNoPicture) {
  const auto first = check();
  EXPECT_GT(decoded_, 0);
  EXPECT_EQ(check(), first);
  EXPECT_EQ(decoded_, 0);
  EXPECT_EQ(check({"--no-cache"}), first);
  EXPECT_GT(decoded_, 0);
}

TEST_F(CheckWithCache, OfAnotherBlurLimitOnlyNewProofsAreDecoded) {
  check();
  const auto coarse = check({"--blur-limit", "2.5"});
  // A frame before and one after for each finding at most.
  EXPECT_LE(decoded_, 4);
  EXPECT_EQ(check({"--blur-limit", "2.5", "--no-cache"}), coarse);
}

TEST_F(CheckWithCache, NothingIsKeptUnderTheInputAndThatIsSaid) {
  stages_.cache = std::make_shared<const Cache>(scratch_ / "burst/kept");
  const auto before = testing_app::listing(scratch_ / "burst");
  check();
  EXPECT_EQ(testing_app::listing(scratch_ / "burst"), before);
  EXPECT_THAT(said_, HasSubstr((scratch_ / "burst/kept").string() +
                               ": lies under the pictures to be read, where nothing is written; "
                               "measured without a cache"));
  check({"--no-cache"});
  EXPECT_THAT(said_, Not(HasSubstr("cache")));
}

class CacheEntries : public ::testing::Test {
 protected:
  ScratchFolder scratch_;
};

TEST_F(CacheEntries, AreWholeOrNotThere) {
  const Cache cache(scratch_ / "kept");
  EXPECT_FALSE(cache.find("a"));
  cache.keep("a", std::string("\0two\0", 5));
  EXPECT_EQ(cache.find("a"), std::string("\0two\0", 5));
  EXPECT_EQ(fs::status(scratch_ / "kept").permissions(), fs::perms::owner_all);
  const fs::path file = fs::directory_iterator(scratch_ / "kept")->path();
  const std::string whole = testing_app::read_file(file);
  for (std::size_t size = 0; size < whole.size(); ++size) {
    scratch_.put(file, whole.substr(0, size));
    EXPECT_FALSE(cache.find("a")) << size;
  }
  for (std::size_t i = 0; i < whole.size(); ++i) {
    std::string flipped = whole;
    flipped[i] = static_cast<char>(flipped[i] ^ 0x10);
    scratch_.put(file, flipped);
    EXPECT_FALSE(cache.find("a")) << i;
  }
}

TEST_F(CacheEntries, ThoseNotUsedForLongestGoFirst) {
  using std::chrono::minutes;
  const Cache cache(scratch_ / "kept", 3 * 1100);
  const std::string bytes(1000, 'x');
  const auto aged = [&](const char* name, int by) {
    cache.keep(name, bytes);
    const fs::path file = scratch_ / "kept" / (std::string(name) + ".kept");
    fs::last_write_time(file, fs::file_time_type::clock::now() - minutes(by));
  };
  aged("oldest", 30);
  aged("middle", 20);
  aged("young", 10);
  EXPECT_TRUE(cache.find("oldest"));  // and is the youngest now
  cache.keep("new", bytes);
  EXPECT_FALSE(cache.find("middle"));
  for (const char* name : {"oldest", "young", "new"}) EXPECT_TRUE(cache.find(name)) << name;
  cache.keep("larger than all", std::string(5000, 'x'));
  EXPECT_FALSE(cache.find("larger than all"));
  EXPECT_TRUE(cache.find("young"));
}

TEST_F(CacheEntries, WhatAKilledRunLeftIsTakenAwayLater) {
  using std::chrono::hours;
  const Cache cache(scratch_ / "kept");
  const fs::path left = scratch_.put("kept/.a.kept.123.part", "half");
  const fs::path being_written = scratch_.put("kept/.b.kept.124.part", "half");
  const fs::path other = scratch_.put("kept/not ours", "x");
  for (const fs::path& file : {left, other})
    fs::last_write_time(file, fs::file_time_type::clock::now() - hours(2));
  cache.keep("c", "c");
  EXPECT_FALSE(fs::exists(left));
  EXPECT_TRUE(fs::exists(being_written));
  EXPECT_TRUE(fs::exists(other));
}

TEST_F(CacheEntries, TwoRunsAtOnceSeeWholeEntriesOnly) {
  constexpr int kRounds = 200;
  const std::string one(20000, '1'), two(30000, '2');
  const auto run = [&](const std::string& own) {
    const Cache cache(scratch_ / "kept", 40000);
    bool whole = true;
    for (int i = 0; i < kRounds; ++i) {
      const auto found = cache.find("same");
      whole = whole && (!found || *found == one || *found == two);
      cache.keep("same", own);
    }
    return whole;
  };
  const pid_t child = fork();
  if (child == 0) _exit(run(two) ? 0 : 1);
  EXPECT_TRUE(run(one));
  int status = -1;
  waitpid(child, &status, 0);
  EXPECT_EQ(status, 0);
  EXPECT_TRUE(Cache(scratch_ / "kept").find("same"));
}

TEST_F(CacheEntries, WithoutAPlaceThereIsNone) {
  const Cache cache("/dev/null/kept");
  cache.keep("a", "a");
  EXPECT_FALSE(cache.find("a"));
}

}  // namespace
}  // namespace ringsweep::app
