// The program on a card: whatever it is told, nothing there is touched.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <string>
#include <vector>

#include "app/run_program.h"
#include "app/scratch_folder.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAreArray;
using ::testing::HasSubstr;
using testing_app::CurrentFolder;
using testing_app::Environment;
using testing_app::listing_with_contents;
using testing_app::Ran;
using testing_app::ringsweep;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

constexpr fs::perms kWrite =
    fs::perms::owner_write | fs::perms::group_write | fs::perms::others_write;

/// A card with one good burst on it, which nobody may write on, and a folder beside it.
class ReadOnlyCard : public ::testing::Test {
 protected:
  ReadOnlyCard() {
    fs::create_directories(scratch_ / "work");
    testing_app::copy_jpegs(RINGSWEEP_SAMPLES "/meadow-complete", folder_);
    fs::create_directory_symlink(card_, scratch_ / "work/link");
    let_write(fs::perm_options::remove);
    before_ = listing_with_contents(card_);
  }
  ~ReadOnlyCard() override { let_write(fs::perm_options::add); }

  void expect_untouched() const {
    EXPECT_THAT(listing_with_contents(card_), ElementsAreArray(before_));
  }

  ScratchFolder scratch_;
  fs::path card_ = scratch_ / "MY_CARD";
  fs::path folder_ = card_ / "DCIM/100ABCDE";

 private:
  void let_write(fs::perm_options how) const {
    fs::permissions(card_, kWrite, how);
    for (const auto& entry : fs::recursive_directory_iterator(card_))
      fs::permissions(entry.path(), kWrite, how);
  }
  std::vector<std::string> before_;
};

TEST_F(ReadOnlyCard, IsCheckedFromWithinAndNotTouched) {
  const CurrentFolder here(folder_);
  const Environment data("XDG_DATA_HOME", (scratch_ / "data").c_str());
  const Ran ran = ringsweep({"check", "."});
  EXPECT_EQ(ran.status, 0) << ran.out << ran.err;
  EXPECT_THAT(ran.out, HasSubstr("\nReport: " + (scratch_ / "data/ringsweep").string()));
  expect_untouched();
}

TEST_F(ReadOnlyCard, ItsStackIsCopiedOffItAndItIsNotTouched) {
  const CurrentFolder here(scratch_ / "work");
  const Ran ran = ringsweep({"stacklist", card_.string(), "--copy", "stack", "--sidecars", "notes",
                             "--list", "list.txt"});
  EXPECT_EQ(ran.status, 0) << ran.out << ran.err;
  EXPECT_FALSE(fs::is_empty("stack"));
  EXPECT_FALSE(fs::is_empty("notes"));
  EXPECT_TRUE(fs::exists("list.txt"));
  expect_untouched();
}

TEST_F(ReadOnlyCard, IsNoPlaceForAnythingThatIsWritten) {
  const CurrentFolder here(scratch_ / "work");
  const std::string card = card_.string();
  // The folder of the burst is the only input: the rest of the card is refused as the card's.
  for (const std::string& input : {card, folder_.string(), (folder_ / "DSC02115.JPG").string()}) {
    for (const std::string& place : {card + "/new", card + "/DCIM/new", std::string("link/new"),
                                     card + "/none/../DCIM/100ABCDE/new"}) {
      for (const std::vector<std::string>& command :
           {std::vector<std::string>{"check", input, "--out", place},
            {"check", input, "--json", place},
            {"stacklist", input, "--copy", place},
            {"stacklist", input, "--sidecars", place},
            {"stacklist", input, "--list", place}}) {
        const Ran ran = ringsweep(command);
        EXPECT_EQ(ran.status, 4) << ::testing::PrintToString(command) << ran.out << ran.err;
        EXPECT_EQ(ran.out, "");
      }
    }
  }
  expect_untouched();
}

TEST_F(ReadOnlyCard, IsNoHomeForReportsAndLenses) {
  const CurrentFolder here(card_);
  const Environment data("XDG_DATA_HOME", (card_ / "data").c_str());
  const Environment config("XDG_CONFIG_HOME", (card_ / "config").c_str());
  EXPECT_EQ(ringsweep({"check", "."}).status, 4);
  const CurrentFolder off_the_card(scratch_ / "work");
  const Ran ran =
      ringsweep({"check", card_.string(), "--learn-lens", "hill60", "--turned", "40", "--moves",
                 "lens", "--magnification", "0.5", "--working-f-number", "8", "--pitch-um", "4"});
  EXPECT_EQ(ran.status, 2) << ran.out << ran.err;
  EXPECT_THAT(ran.err, HasSubstr("set XDG_CONFIG_HOME to a folder elsewhere"));
  EXPECT_THAT(ran.out, ::testing::IsEmpty());
  expect_untouched();
}

}  // namespace
}  // namespace ringsweep
