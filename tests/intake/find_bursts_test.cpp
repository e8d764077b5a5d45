#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "support.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using test::morning;
using test::names;
using test::TempFolder;
using test::write_bytes;
using test::write_shot;
using ::testing::ElementsAre;
using ::testing::HasSubstr;

Intake find(std::vector<fs::path> paths, const IntakeOptions& options = {}) {
  return find_bursts(paths, options);
}

TEST(FindBursts, ACardAFolderAndFilesGiveTheSame) {
  const TempFolder card;
  const fs::path folder = card / "DCIM/100ABCDE";
  for (int i = 1; i <= 3; ++i)
    write_shot(folder / ("DSC0120" + std::to_string(i) + ".JPG"), morning(0), std::to_string(i));
  for (const auto& paths : {std::vector<fs::path>{card.path()}, std::vector<fs::path>{folder},
                            std::vector<fs::path>{folder / "DSC01202.JPG", folder / "DSC01201.JPG",
                                                  folder / "DSC01203.JPG"}}) {
    const Intake intake = find(paths);
    ASSERT_EQ(intake.bursts.size(), 1U);
    EXPECT_EQ(intake.bursts[0].folder, "100ABCDE");
    EXPECT_THAT(names(intake.bursts[0]),
                ElementsAre("DSC01201.JPG", "DSC01202.JPG", "DSC01203.JPG"));
    EXPECT_EQ(intake.bursts[0].frames[0].number, 1201);
    EXPECT_TRUE(intake.problems.empty());
  }
}

TEST(FindBursts, WhatIsNamedTwiceCountsOnce) {
  const TempFolder folder;
  write_shot(folder / "a/DSC00001.JPG", morning(0));
  const Intake intake =
      find({folder.path(), folder / "a", folder / "a/DSC00001.JPG", folder / "a/../a"});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_EQ(intake.bursts[0].frames.size(), 1U);
}

TEST(FindBursts, PausesSeparateBursts) {
  const TempFolder folder;
  for (int i = 0; i < 5; ++i)
    write_shot(folder / ("a000" + std::to_string(i) + ".jpg"), morning(i));
  for (int i = 5; i < 9; ++i)
    write_shot(folder / ("a000" + std::to_string(i) + ".jpg"), morning(60 + i));
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 2U);
  EXPECT_EQ(intake.bursts[0].frames.size(), 5U);
  EXPECT_EQ(intake.bursts[1].frames.size(), 4U);
}

// Design rule for camera file systems: after 9999 comes 0001, usually in the folder of the next
// number.
TEST(FindBursts, ABurstRunsOnInTheNextFolderOfTheCard) {
  const TempFolder card;
  write_shot(card / "DCIM/100ABCDE/DSC09998.JPG", morning(0));
  write_shot(card / "DCIM/100ABCDE/DSC09999.JPG", morning(0));
  write_shot(card / "DCIM/101ABCDE/DSC00001.JPG", morning(0));
  write_shot(card / "DCIM/101ABCDE/DSC00002.JPG", morning(1));
  const Intake intake = find({card.path()});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_EQ(intake.bursts[0].folder, "100ABCDE");
  EXPECT_THAT(names(intake.bursts[0]),
              ElementsAre("DSC09998.JPG", "DSC09999.JPG", "DSC00001.JPG", "DSC00002.JPG"));
}

TEST(FindBursts, OtherFoldersAreApart) {
  const TempFolder folder;
  write_shot(folder / "one/a1.jpg", morning(0));
  write_shot(folder / "two/a2.jpg", morning(0));
  EXPECT_EQ(find({folder.path()}).bursts.size(), 2U);
}

TEST(FindBursts, TwoCamerasInOneFolderAreApart) {
  const TempFolder folder;
  for (int i = 0; i < 4; ++i)
    write_shot(folder / ("A000" + std::to_string(i) + ".jpg"), morning(0), std::to_string(i),
               {{"Exif.Image.Model", i % 2 == 0 ? "one" : "other"}});
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 2U);
  EXPECT_THAT(names(intake.bursts[0]), ElementsAre("A0000.jpg", "A0002.jpg"));
}

TEST(FindBursts, WithoutTimesAFolderIsOneBurstByNumber) {
  const TempFolder folder;
  for (const char* name : {"frame_10.png", "frame_9.png", "frame_11.png"})
    test::write_picture(folder / name, test::noise_picture({8, 8}));
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_THAT(names(intake.bursts[0]), ElementsAre("frame_9.png", "frame_10.png", "frame_11.png"));
}

TEST(FindBursts, ARawAndAJpegOfOneNameAreOneFrame) {
  const TempFolder folder;
  write_shot(folder / "DSC00001.JPG", morning(0));
  write_bytes(folder / "DSC00001.ARW", {'I', 'I', '*', 0, 8, 0, 0, 0, 0, 0});
  write_bytes(folder / "DSC00002.ARW", {'I', 'I', '*', 0, 8, 0, 0, 0, 0, 0});
  const Intake jpeg = find({folder.path()});
  ASSERT_EQ(jpeg.bursts.size(), 1U);
  EXPECT_THAT(names(jpeg.bursts[0]), ElementsAre("DSC00001.JPG", "DSC00002.ARW"));
  EXPECT_FALSE(jpeg.bursts[0].frames[0].is_raw);
  // The other file of a frame is remembered; a raw alone has none.
  ASSERT_EQ(jpeg.twins.size(), 1U);
  EXPECT_EQ(jpeg.twins.begin()->first, jpeg.bursts[0].frames[0].path);
  const Intake raw = find({folder.path()}, {.prefer_raw = true});
  ASSERT_EQ(raw.bursts.size(), 1U);
  EXPECT_THAT(names(raw.bursts[0]), ElementsAre("DSC00001.ARW", "DSC00002.ARW"));
  EXPECT_TRUE(raw.bursts[0].frames[0].is_raw);
  EXPECT_THAT(jpeg.twins.begin()->second, ElementsAre(raw.bursts[0].frames[0].path));
  EXPECT_THAT(raw.twins.at(raw.bursts[0].frames[0].path),
              ElementsAre(jpeg.bursts[0].frames[0].path));
}

TEST(FindBursts, ARawThatIsAJpegInsideIsNoRaw) {
  const TempFolder folder;
  test::write_picture(folder / "x.jpg", test::noise_picture({8, 8}));
  fs::rename(folder / "x.jpg", folder / "DSC00001.NEF");
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_FALSE(intake.bursts[0].frames[0].is_raw);
  EXPECT_TRUE(decode(intake.bursts[0].frames[0]));
}

TEST(FindBursts, HiddenFilesOtherFilesAndLinksToFoldersAreLeftAlone) {
  const TempFolder folder;
  write_shot(folder / "a/DSC00001.JPG", morning(0));
  write_shot(folder / "a/._DSC00001.JPG", morning(0));
  write_shot(folder / "a/.trash/DSC00002.JPG", morning(0));
  write_bytes(folder / "a/notes.txt", {'x'});
  fs::create_directory_symlink(folder / "a", folder / "b");
  fs::create_directory_symlink(folder.path(), folder / "a/loop");
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_THAT(names(intake.bursts[0]), ElementsAre("DSC00001.JPG"));
  EXPECT_EQ(intake.other_files, 1U);
  EXPECT_TRUE(intake.problems.empty());
}

TEST(FindBursts, AFileThatIsNoPictureStaysInItsBurst) {
  const TempFolder folder;
  write_shot(folder / "DSC00001.JPG", morning(0));
  write_bytes(folder / "DSC00002.JPG", {});
  write_shot(folder / "DSC00003.JPG", morning(1));
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 1U);
  ASSERT_THAT(names(intake.bursts[0]), ElementsAre("DSC00001.JPG", "DSC00002.JPG", "DSC00003.JPG"));
  const auto picture = decode(intake.bursts[0].frames[1]);
  ASSERT_FALSE(picture);
  EXPECT_EQ(one_line(picture.error()),
            "DSC00002.JPG: the file is empty; copy it again from the card, or leave it out.");
}

TEST(FindBursts, PathsThatLeadNowhereAreNamed) {
  const TempFolder folder;
  write_bytes(folder / "notes.txt", {'x'});
  const Intake intake = find({folder / "absent", folder / "notes.txt"});
  EXPECT_TRUE(intake.bursts.empty());
  ASSERT_EQ(intake.problems.size(), 2U);
  EXPECT_THAT(one_line(intake.problems[0]), HasSubstr("absent: there is no such file or folder"));
  EXPECT_THAT(one_line(intake.problems[1]), HasSubstr("notes.txt: it is no picture"));
}

TEST(FindBursts, AFolderThatCannotBeReadIsNamedAndTheRestIsFound) {
  if (geteuid() == 0) GTEST_SKIP() << "the administrator can read every folder";
  const TempFolder folder;
  write_shot(folder / "a/DSC00001.JPG", morning(0));
  fs::create_directories(folder / "b");
  fs::permissions(folder / "b", fs::perms::none);
  const Intake intake = find({folder.path()});
  fs::permissions(folder / "b", fs::perms::owner_all);
  EXPECT_EQ(intake.bursts.size(), 1U);
  ASSERT_EQ(intake.problems.size(), 1U);
  EXPECT_THAT(one_line(intake.problems[0]), HasSubstr("b: the folder cannot be read"));
}

TEST(FindBursts, LinksThatLeadInACircleEndAtOnce) {
  const test::TempFolder folder;
  test::write_shot(folder / "burst/IMG_0001.JPG", test::morning(0));
  fs::create_symlink("IMG_0002.JPG", folder / "burst/IMG_0002.JPG");
  fs::create_symlink("IMG_0004.JPG", folder / "burst/IMG_0003.JPG");
  fs::create_symlink("IMG_0003.JPG", folder / "burst/IMG_0004.JPG");
  fs::create_directory_symlink(folder / "burst", folder / "burst/again");
  const Intake intake = find_bursts(std::vector{folder / "burst", folder / "burst/IMG_0002.JPG"});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_THAT(test::names(intake.bursts[0]), ::testing::ElementsAre("IMG_0001.JPG"));
  ASSERT_EQ(intake.problems.size(), 1U);
  EXPECT_THAT(intake.problems[0].file, ::testing::HasSubstr("IMG_0002.JPG"));
}

// A night's card: 40 sweeps of 25, single pictures, films, and a counter that begins again.
TEST(FindBursts, ACardOf3000FilesGivesItsFortyBurstsAndNoOther) {
  constexpr int kBursts = 40, kFrames = 25, kSingles = 1520, kFilms = 500;
  const test::TempFolder folder;
  test::write_shot(folder / "shot.JPG", test::morning(0), "00");
  const std::vector<unsigned char> shot = test::read_bytes(folder / "shot.JPG");
  const auto at = std::ranges::search(shot, std::string("2024:06:01 05:00:00")).begin();
  int number = 9000;  // DSC09000, and from DSC09999 on to DSC00001 in the next folder
  int number_of_folder = 100;
  std::map<std::string, std::string> burst_of;  // file -> its burst
  const auto put = [&](int s, const std::string& burst) {
    std::vector<unsigned char> file = shot;
    std::ranges::copy(test::morning(s), file.begin() + (at - shot.begin()));
    std::array<char, 32> name{};
    std::snprintf(name.data(), name.size(), "%dABCDE/DSC0%04d.JPG", number_of_folder, number);
    test::write_bytes(folder / (std::string("card/DCIM/") + name.data()), file);
    if (!burst.empty()) burst_of[fs::path(name.data()).filename().string()] = burst;
    if (++number == 10000) number = 1, ++number_of_folder;
  };
  int s = 0;
  for (int b = 0; b < kBursts; ++b) {
    for (int k = 0; k < kFrames; ++k) put(s + k / 8, std::to_string(b));  // eight a second
    s += kFrames / 8 + 60;
    for (int i = 0; i < kSingles / kBursts; ++i, s += 15) put(s, "");
    s += 60;
  }
  for (int i = 0; i < kFilms; ++i)
    test::write_bytes(folder / ("card/DCIM/101ABCDE/C" + std::to_string(1000 + i) + ".MP4"), {0});
  const Intake intake = find_bursts(std::vector{folder / "card"});
  int found = 0;
  for (const Burst& burst : intake.bursts) {
    if (burst.frames.size() < 5) continue;
    EXPECT_EQ(burst.frames.size(), static_cast<std::size_t>(kFrames));
    for (const FrameRef& frame : burst.frames)
      EXPECT_EQ(burst_of[frame.file], std::to_string(found)) << frame.file;
    ++found;
  }
  EXPECT_EQ(found, kBursts);
  EXPECT_EQ(intake.other_files, static_cast<std::size_t>(kFilms));
  EXPECT_TRUE(intake.problems.empty());
}

TEST(FindBursts, NothingIsWritten) {
  const TempFolder card;
  write_shot(card / "DCIM/100ABCDE/DSC00001.JPG", morning(0), "1",
             {{"Exif.Image.Orientation", "6"}});
  write_bytes(card / "DCIM/100ABCDE/DSC00002.ARW", {1, 2, 3});
  test::write_picture(card / "DCIM/100ABCDE/DSC00003.TIF", test::noise_picture({8, 8}));
  const auto listing = [&] {
    std::map<std::string, std::pair<fs::file_time_type, std::vector<unsigned char>>> files;
    for (const auto& entry : fs::recursive_directory_iterator(card.path()))
      files[entry.path().string()] = {entry.last_write_time(), entry.is_regular_file()
                                                                   ? test::read_bytes(entry.path())
                                                                   : std::vector<unsigned char>{}};
    return files;
  };
  const auto before = listing();
  for (const Burst& burst : find({card.path()}).bursts)
    for (const FrameRef& frame : burst.frames) static_cast<void>(decode(frame));
  EXPECT_EQ(listing(), before);
}

class AmongForeignPictures : public testing::TestWithParam<test::Exif> {};

TEST_P(AmongForeignPictures, ABurstStaysWhole) {
  const TempFolder folder;
  std::vector<std::string> burst;
  for (int i = 1; i <= 8; ++i) {
    burst.push_back("DSC0120" + std::to_string(i) + ".JPG");
    write_shot(folder / burst.back(), morning(i), "", GetParam());
  }
  // Of two cameras, before and behind by name and by time.
  write_shot(folder / "A1.jpg", morning(600), "", {{"Exif.Image.Model", "one"}});
  write_shot(folder / "Z1.jpg", morning(900), "", {{"Exif.Image.Model", "other"}});
  // A shrunk copy that kept its Exif, but not all of it.
  test::write_picture(folder / "DSC01204_web.jpg", test::noise_picture({8, 8}),
                      {{"Exif.Photo.DateTimeOriginal", morning(4)}});
  // Pictures that say nothing of themselves, of which there are enough for a burst.
  const std::vector<std::string> silent = {"map.png", "leaf.png", "moss.png", "fern.png",
                                           "bark.png"};
  for (const std::string& name : silent)
    test::write_picture(folder / name, test::noise_picture({16, 16}));
  write_bytes(folder / "E1.jpg", {'n', 'o'});
  const Intake intake = find({folder.path()});
  std::size_t frames = 0;
  std::vector<std::vector<std::string>> together;
  for (const Burst& b : intake.bursts) {
    frames += b.frames.size();
    if (b.frames.size() > 1) together.push_back(names(b));
  }
  EXPECT_THAT(together, ElementsAre(burst));
  EXPECT_EQ(frames, burst.size() + 4 + silent.size());  // nothing vanishes
}

INSTANTIATE_TEST_SUITE_P(FindBursts, AmongForeignPictures,
                         testing::Values(test::Exif{},
                                         test::Exif{{"Exif.Image.Model", "its own"}}));

TEST(FindBursts, ALinkToAFileIsAFileWhereItLies) {
  const TempFolder folder;
  for (int i = 1; i <= 3; ++i) {
    const std::string name = "DSC0120" + std::to_string(i) + ".JPG";
    write_shot(folder / "kept" / std::to_string(i) / "blob.jpg", morning(i));
    fs::create_directories(folder / "burst");
    fs::create_symlink(folder / "kept" / std::to_string(i) / "blob.jpg", folder / "burst" / name);
  }
  fs::create_symlink("DSC01201.JPG", folder / "burst/again.jpg");  // the same once more
  fs::create_symlink("nowhere.jpg", folder / "burst/DSC01204.JPG");
  const Intake intake = find({folder / "burst"});
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_EQ(intake.bursts[0].folder, "burst");
  EXPECT_THAT(names(intake.bursts[0]), ElementsAre("DSC01201.JPG", "DSC01202.JPG", "DSC01203.JPG"));
  EXPECT_TRUE(decode(intake.bursts[0].frames[0]));
  // Where the files themselves are named too, they count, whichever is met first.
  for (const auto& paths : {std::vector<fs::path>{folder / "burst", folder / "kept"},
                            std::vector<fs::path>{folder / "kept", folder / "burst"}}) {
    std::vector<std::string> files;
    for (const Burst& b : find(paths).bursts)
      for (const FrameRef& f : b.frames) files.push_back(f.file);
    EXPECT_THAT(files, ElementsAre("blob.jpg", "blob.jpg", "blob.jpg"));
  }
}

TEST(FindBursts, BurstsComeInTheOrderTheyWereShot) {
  const TempFolder folder;
  write_shot(folder / "z/a1.jpg", morning(0));
  write_shot(folder / "b/a2.jpg", morning(100));
  test::write_picture(folder / "a/a3.png", test::noise_picture({8, 8}));
  const Intake intake = find({folder.path()});
  ASSERT_EQ(intake.bursts.size(), 3U);
  EXPECT_EQ(intake.bursts[0].folder, "z");
  EXPECT_EQ(intake.bursts[1].folder, "b");
  EXPECT_EQ(intake.bursts[2].folder, "a");  // without a time: last
}

}  // namespace
}  // namespace ringsweep
