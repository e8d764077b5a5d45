#include <gtest/gtest.h>

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

}  // namespace
}  // namespace ringsweep
