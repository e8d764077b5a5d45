// Copies are whole or not there at all.

#include "app/new_files.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/resource.h>

#include <string>
#include <vector>

#include "app/scratch_folder.h"

namespace ringsweep::app {
namespace {

using ::testing::HasSubstr;
using testing_app::listing;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

bool go_on() { return false; }

TEST(NewFiles, WritesAndCopiesIntoNewFolders) {
  const ScratchFolder scratch;
  const std::string picture(3'000'001, 'p');  // more than a chunk, and no multiple of one
  const fs::path original = scratch.put("card/a.jpg", picture);
  const std::vector<NewFile> files{{.place = scratch / "to/x/a.jpg", .original = original},
                                   {.place = scratch / "to/list.txt", .bytes = "a.jpg\n"}};
  const auto written = put_new_files(files, go_on);
  ASSERT_TRUE(written);
  EXPECT_EQ(*written, picture.size() + 6);
  EXPECT_EQ(read_file(scratch / "to/x/a.jpg"), picture);
  EXPECT_EQ(read_file(scratch / "to/list.txt"), "a.jpg\n");
  EXPECT_EQ(listing(scratch / "to").size(), 3U);
}

TEST(NewFiles, OneThatExistsStopsAll) {
  const ScratchFolder scratch;
  const std::vector<NewFile> files{{.place = scratch / "to/a", .bytes = "a"},
                                   {.place = scratch.put("to/b", "old"), .bytes = "b"}};
  const auto before = listing(scratch.path());
  ASSERT_FALSE(put_new_files(files, go_on));
  EXPECT_EQ(listing(scratch.path()), before);
  // A link that leads nowhere is somebody's too.
  fs::create_symlink("nowhere", scratch / "to/c");
  EXPECT_FALSE(
      put_new_files(std::vector<NewFile>{{.place = scratch / "to/c", .bytes = "c"}}, go_on));
  EXPECT_FALSE(fs::exists(scratch / "to/nowhere"));
}

TEST(NewFiles, AnOriginalThatCannotBeReadLeavesNothing) {
  const ScratchFolder scratch;
  const std::vector<NewFile> files{
      {.place = scratch / "to/a", .bytes = "a"},
      {.place = scratch / "to/b", .original = scratch / "nowhere.jpg"}};
  const auto written = put_new_files(files, go_on);
  ASSERT_FALSE(written);
  EXPECT_THAT(one_line(written.error()), HasSubstr("nowhere.jpg: cannot be read (No such file"));
  EXPECT_FALSE(fs::exists(scratch / "to"));
}

// A limit on the size of files stands for a disk that is full: write(2) fails in the middle.
TEST(NewFiles, AFullDiskLeavesNothing) {
  const ScratchFolder scratch;
  const fs::path original = scratch.put("card/a.jpg", std::string(3'000'000, 'p'));
  scratch.put("to/old", "old");
  const auto before = listing(scratch / "to");
  struct rlimit limit {};
  getrlimit(RLIMIT_FSIZE, &limit);
  struct rlimit small = limit;
  small.rlim_cur = 2'500'000;
  const auto handler = signal(SIGXFSZ, SIG_IGN);
  setrlimit(RLIMIT_FSIZE, &small);
  const auto written =
      put_new_files(std::vector<NewFile>{{.place = scratch / "to/first", .bytes = "1"},
                                         {.place = scratch / "to/new/a.jpg", .original = original}},
                    go_on);
  setrlimit(RLIMIT_FSIZE, &limit);
  signal(SIGXFSZ, handler);
  ASSERT_FALSE(written);
  EXPECT_THAT(one_line(written.error()), HasSubstr("cannot be written to (File too large)"));
  EXPECT_EQ(read_file(scratch / "to/old"), "old");
  EXPECT_FALSE(fs::exists(scratch / "to/new"));
  EXPECT_EQ(listing(scratch / "to").size(), before.size());
}

TEST(NewFiles, StoppedLeavesNothing) {
  const ScratchFolder scratch;
  const fs::path original = scratch.put("card/a.jpg", std::string(3'000'000, 'p'));
  int asked = 0;
  const auto written =
      put_new_files(std::vector<NewFile>{{.place = scratch / "to/a.jpg", .original = original}},
                    [&] { return ++asked == 3; });
  EXPECT_FALSE(written);
  EXPECT_FALSE(fs::exists(scratch / "to"));
}

TEST(NewFiles, TooLittleRoomIsSaidBefore) {
  const ScratchFolder scratch;
  const fs::path huge = scratch.put("huge.jpg");
  const auto room = fs::space(scratch.path()).available;
  std::error_code failed;
  fs::resize_file(huge, room + 1'000'000'000, failed);  // a file with a hole takes no room itself
  if (failed) GTEST_SKIP() << "no files with holes here: " << failed.message();
  const auto why =
      why_not_new(std::vector<NewFile>{{.place = scratch / "to/huge.jpg", .original = huge}});
  ASSERT_TRUE(why);
  EXPECT_THAT(one_line(*why), HasSubstr("has too little room: "));
}

TEST(CompareFiles, OneByteIsADifference) {
  const ScratchFolder scratch;
  std::string picture(2'500'000, 'p');
  const fs::path a = scratch.put("a", picture);
  EXPECT_TRUE(compare_files(a, scratch.put("b", picture)));
  EXPECT_FALSE(compare_files(a, scratch.put("c", picture + "p")));
  EXPECT_FALSE(compare_files(a, scratch.put("d", picture.substr(1))));
  picture[2'400'000] = 'q';
  const auto other = compare_files(a, scratch.put("e", picture));
  ASSERT_FALSE(other);
  EXPECT_THAT(one_line(other.error()), HasSubstr("came out other than"));
}

}  // namespace
}  // namespace ringsweep::app
