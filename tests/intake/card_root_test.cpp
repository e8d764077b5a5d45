#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <string>
#include <tuple>
#include <vector>

#include "ringsweep/intake.h"
#include "support.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;

TEST(CardRoot, IsTheFolderThatHoldsDcim) {
  const test::TempFolder folder;
  fs::create_directories(folder / "card/DCIM/100ABCDE");
  const fs::path card = folder / "card";
  EXPECT_EQ(card_root(card), card);
  EXPECT_EQ(card_root(card / "DCIM" / "100ABCDE"), card);
  EXPECT_EQ(card_root(card / "report"), card);
  EXPECT_EQ(card_root(card / "not" / "there" / "yet"), card);
  EXPECT_EQ(card_root(card / "x" / ".." / "report"), card);
}

TEST(CardRoot, TheCaseOfDcimDoesNotMatter) {
  const test::TempFolder folder;
  fs::create_directories(folder / "card/dcim");
  EXPECT_EQ(card_root(folder / "card/out"), folder / "card");
}

TEST(CardRoot, OtherFoldersHaveNone) {
  const test::TempFolder folder;
  fs::create_directories(folder / "pictures/beetle");
  test::write_bytes(folder / "pictures/DCIM", {1});  // a file is no card
  EXPECT_FALSE(card_root(folder / "pictures/beetle"));
  EXPECT_FALSE(card_root(folder / "pictures/beetle/report"));
}

TEST(CardRoot, ALinkIntoACardIsOnTheCard) {
  const test::TempFolder folder;
  fs::create_directories(folder / "card/DCIM/100ABCDE");
  fs::create_directory_symlink(folder / "card/DCIM", folder / "link");
  EXPECT_EQ(card_root(folder / "link/report"), folder / "card");
}

/// What the kernel would say in /sys of the disk that holds `path`, were it the second partition of
/// a disk of which `file` says `text`.
void describe_disk(const fs::path& sys, const fs::path& path, const fs::path& file,
                   const std::string& text) {
  struct stat status {};
  ASSERT_EQ(stat(path.c_str(), &status), 0);
  const fs::path disk = sys / "devices/host/block/disk";
  fs::create_directories(disk / "disk2");
  fs::create_directories(sys / "dev/block");
  fs::create_directory_symlink(disk / "disk2", sys / "dev/block" /
                                                   (std::to_string(major(status.st_dev)) + ':' +
                                                    std::to_string(minor(status.st_dev))));
  test::write_bytes(disk / file, {text.begin(), text.end()});
}

// /dev/shm: a disk that is not the system's own.
TEST(RemovableRoot, IsWhereADiskThatCanBeTakenOutIsMounted) {
  const fs::path disk = "/dev/shm";
  struct stat here {};
  struct stat system {};
  if (stat(disk.c_str(), &here) != 0 || stat("/", &system) != 0 || here.st_dev == system.st_dev)
    GTEST_SKIP() << "no second disk here";
  for (const auto& [file, text, removable] : {std::tuple{"removable", "1\n", true},
                                              {"removable", "0\n", false},
                                              {"device/type", "SD\n", true},
                                              {"device/type", "MMC\n", false}}) {
    const test::TempFolder sys;
    describe_disk(sys.path(), disk, file, text);
    const auto root = removable_root(disk / "not/there/yet", sys.path());
    EXPECT_EQ(root.has_value(), removable) << file << ": " << text;
    EXPECT_EQ(root.value_or(disk), disk);
  }
}

TEST(RemovableRoot, TheDiskTheSystemRunsFromIsNone) {
  const test::TempFolder sys;
  describe_disk(sys.path(), "/", "removable", "1\n");
  EXPECT_FALSE(removable_root("/", sys.path()));
}

// The lines are the example of proc_pid_mountinfo(5), made to fit.
TEST(MountedCards, AreDisksWithDcimAtTheirRoot) {
  const test::TempFolder folder;
  for (const char* place :
       {"b card/DCIM", "a/DCIM", "share/DCIM", "far/DCIM", "stick/pictures/DCIM", "again/DCIM"})
    fs::create_directories(folder / place);
  const std::string here = folder.path().string();
  const std::string list =
      "22 27 0:21 / /proc rw,nosuid - proc proc rw\n"
      "36 35 8:17 / " +
      here +
      "/b\\040card rw,noatime master:1 - vfat /dev/sdb1 rw\n"
      "37 35 8:33 / " +
      here +
      "/a rw,noatime shared:7 master:1 - exfat /dev/sdc1 rw,errors=continue\n"
      "38 35 8:33 / " +
      here +
      "/again rw,noatime - exfat /dev/sdc1 rw\n"
      "39 35 0:44 / " +
      here +
      "/share rw - nfs server:/share rw\n"
      "43 35 0:45 / " +
      here +
      "/far rw - fuse.far user@server:/pictures rw\n"
      "40 35 8:49 / " +
      here +
      "/stick rw - vfat /dev/sdd1 rw\n"
      "41 35 8:50 / " +
      here +
      "/gone rw - vfat /dev/sdd2 rw\n"
      "what is no line\n";
  test::write_bytes(folder / "mountinfo", {list.begin(), list.end()});
  EXPECT_EQ(mounted_cards(folder / "mountinfo"),
            (std::vector<fs::path>{folder / "a", folder / "b card"}));
  EXPECT_TRUE(mounted_cards(folder / "no such list").empty());
}

}  // namespace
}  // namespace ringsweep
