// `ringsweep stacklist` with stages made up: what is told, what is written where, and that nothing
// of the user's is touched.

#include "app/stacklist.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <exiv2/exiv2.hpp>
#include <optional>
#include <sstream>
#include <string>
#include <vector>

#include "app/command_line.h"
#include "app/scratch_folder.h"
#include "report/made_analysis.h"
#include "report/stack_text.h"
#include "ringsweep/report.h"
#include "ringsweep/stack_list.h"

namespace ringsweep::app {
namespace {

using ::testing::ElementsAre;
using ::testing::EndsWith;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;
using testing_app::CurrentFolder;
using testing_app::listing;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

struct WorkFolder {
  explicit WorkFolder(const fs::path& folder) { fs::create_directories(folder); }
};

/// A run of the tool on the pictures of ./meadow, which hold their own names.
class Stacklist : public ::testing::Test {
 protected:
  Stacklist() : here_(scratch_ / "work") {
    stages_.find_bursts = [this](std::span<const fs::path>, const IntakeOptions&) {
      return intake_;
    };
    stages_.decode = [](const FrameRef&, const DecodeOptions&) -> Result<LinearFrame> {
      LinearFrame picture;
      picture.full_size = {6000, 4000};
      return picture;
    };
    stages_.analyse = [this](const Burst&, const ReadFrame&, const AnalysisOptions&,
                             const Progress&) {
      ++analysed_;
      return std::vector{results_.at(std::min(analysed_, results_.size()) - 1)};
    };
    stages_.roots.card = [](const fs::path&) { return std::nullopt; };
    results_ = {timed(made::complete_burst(1207, 6))};
    intake_.bursts = {pictures_of(results_[0])};
  }

  static BurstAnalysis timed(BurstAnalysis burst) {
    burst.start_s = made::kEightMinutesToFive;
    return burst;
  }

  /// Puts a burst's pictures on the disk.
  Burst pictures_of(const BurstAnalysis& analysis, const fs::path& folder = "meadow") {
    Burst burst;
    burst.folder = folder.filename().string();
    for (const FrameAnalysis& frame : analysis.frames) {
      FrameRef ref;
      ref.file = frame.file;
      ref.path = scratch_.put("work" / folder / frame.file, "picture " + frame.file).string();
      if (analysis.start_s && frame.time_s) ref.time_s = *analysis.start_s + *frame.time_s;
      burst.frames.push_back(ref);
    }
    return burst;
  }

  /// A raw beside a picture of the burst.
  void add_raw(const FrameRef& frame) {
    const fs::path raw = fs::path(frame.path).replace_extension(".ARW");
    scratch_.put(fs::relative(raw, scratch_.path()), "raw of " + frame.file);
    intake_.twins[frame.path] = {raw.string()};
  }

  int run_tool(std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), {"ringsweep", "stacklist"});
    std::vector<const char*> argv;
    for (const std::string& argument : arguments) argv.push_back(argument.c_str());
    out_.str("");
    err_.str("");
    analysed_ = 0;
    return run(static_cast<int>(argv.size()), argv.data(), {.out = &out_, .err = &err_}, stages_);
  }

  [[nodiscard]] std::string out() const { return out_.str(); }
  [[nodiscard]] std::string err() const { return err_.str(); }

  ScratchFolder scratch_;
  WorkFolder made_{scratch_ / "work"};
  CurrentFolder here_;
  Stages stages_;
  Intake intake_;
  std::vector<BurstAnalysis> results_;
  std::size_t analysed_ = 0;
  std::ostringstream out_;
  std::ostringstream err_;
};

// Frames every 3 px from 0, blur limit 2.4 px, subject from 4 to 13 px, so that 1.6 to 15 px are
// wanted: the last frame is there. 1.8 px to either side are counted on.
TEST_F(Stacklist, NamesInOrderOfDepthWithTimesAndReasons) {
  EXPECT_EQ(run_tool({"meadow"}), 0);
  EXPECT_EQ(out(),
            "Complete, 1207 to 1212: 5 of 6 frames go into the stack, from where you began.\n"
            "  DSC01208.JPG  04:52:00.7\n"
            "  DSC01209.JPG  04:52:00.9\n"
            "  DSC01210.JPG  04:52:01.1\n"
            "  DSC01211.JPG  04:52:01.3\n"
            "  DSC01212.JPG  04:52:01.5\n"
            "Left out: 1 of 6 frames.\n"
            "  Not at the depths wanted: 1207.\n");
  EXPECT_EQ(err(), "");
}

TEST_F(Stacklist, NearComesFirstWhereItIsKnown) {
  results_[0].near_side = {.from = NearSideSource::user, .probability = 1.0};
  EXPECT_EQ(run_tool({"meadow", "--list", "-"}), 0);
  EXPECT_EQ(out(),
            "meadow/DSC01212.JPG\nmeadow/DSC01211.JPG\nmeadow/DSC01210.JPG\n"
            "meadow/DSC01209.JPG\nmeadow/DSC01208.JPG\n");
  EXPECT_THAT(err(), HasSubstr("go into the stack, the nearest first."));
}

TEST_F(Stacklist, AFallingSweepIsToldFromWhereItBegan) {
  for (std::size_t k = 0; k < 6; ++k)
    results_[0].frames[k].focus_px = 15.0 - *results_[0].frames[k].focus_px;
  results_[0].sweeps[0].rising = false;
  for (End& end : results_[0].coverage.ends) end.frame = 5 - end.frame;
  EXPECT_EQ(run_tool({"meadow", "--list", "-"}), 0);
  EXPECT_THAT(out(), StartsWith("meadow/DSC01207.JPG\n"));
}

TEST_F(Stacklist, FaultsAreNamed) {
  results_[0] = timed(made::complete_burst(1207, 12));
  BurstAnalysis& burst = results_[0];
  made::flag(burst, 4, FrameFlag::dark, false);
  made::flag(burst, 5, FrameFlag::unreadable, false);
  made::flag(burst, 6, FrameFlag::shaken, false);
  made::flag(burst, 8, FrameFlag::idle, true);
  burst.frames[8].focus_px = *burst.frames[7].focus_px + 0.1;
  intake_.bursts = {pictures_of(burst)};
  burst.coverage.gaps = {{.lower = 3, .upper = 7, .width_px = 12.0, .subject_share = 0.2}};
  burst.verdict = {.kind = VerdictKind::reshoot, .reasons = {made::reason(ReasonKind::gap, 3, 7)}};
  EXPECT_EQ(run_tool({"meadow"}), 1);
  EXPECT_THAT(out(), StartsWith("Not complete, 1207 to 1218: "));
  EXPECT_THAT(out(), HasSubstr("\nStays soft: between 1210 and 1214"));
  EXPECT_THAT(out(), HasSubstr("  Flash missed: 1211.\n"));
  EXPECT_THAT(out(), HasSubstr("  Camera shook: 1213.\n"));
  EXPECT_THAT(out(), HasSubstr("  Cannot be read: 1212.\n"));
}

TEST_F(Stacklist, AWideStepThatIsNoGapIsEmpty) {
  BurstAnalysis& burst = results_[0];
  made::flag(burst, 3, FrameFlag::dark, false);  // 6 to 12 px; 4.8 px are allowed
  EXPECT_EQ(run_tool({"meadow"}), 0);
  EXPECT_THAT(out(), StartsWith("Complete, "));
  burst.coverage.gaps = {{.lower = 2, .upper = 4, .width_px = 6.0, .subject_share = 0.2}};
  run_tool({"meadow"});
  EXPECT_THAT(out(), HasSubstr("Stays soft: between 1209 and 1211."));
}

TEST_F(Stacklist, AnOpenEndIsNamed) {
  BurstAnalysis& burst = results_[0];
  burst.coverage.subject_high_px = 20.0;
  burst.coverage.ends[1].open = true;
  burst.verdict.kind = VerdictKind::reshoot;
  EXPECT_EQ(run_tool({"meadow"}), 1);
  EXPECT_THAT(out(), HasSubstr("\nStays soft: where you stopped, past 1212.\n"));
  burst.near_side = {.from = NearSideSource::picture, .probability = 1.0};
  EXPECT_EQ(run_tool({"meadow"}), 1);
  EXPECT_THAT(out(), HasSubstr("\nStays soft: where you stopped (the near end), past 1212.\n"));
}

TEST_F(Stacklist, FewestFramesAndTheirOverlap) {
  results_[0].blur_limit_px = 4.0;  // 3 px to either side: 0 to 6 px apart
  results_[0].allowed_step_px = 8.0;
  EXPECT_EQ(run_tool({"meadow", "--fewest"}), 0);
  EXPECT_THAT(out(), HasSubstr(": 3 of 6 frames go into the stack"));
  EXPECT_THAT(out(), HasSubstr("  Not needed: "));
  EXPECT_EQ(run_tool({"meadow", "--fewest", "--overlap", "70"}), 0);
  EXPECT_THAT(out(), HasSubstr("\nOverlap below 70 %: "));
  EXPECT_THAT(out(), HasSubstr("the burst has no frame there, but it is sharp.\n"));
}

TEST_F(Stacklist, APartIsNamedByItsFrames) {
  EXPECT_EQ(run_tool({"meadow", "--from", "1208", "--to", "DSC01210.JPG"}), 0);
  EXPECT_THAT(out(), StartsWith("Complete, 1208 to 1210 of 1207 to 1212: 3 of 6 frames"));
  // The part may be whole although the burst is not.
  results_[0].verdict.kind = VerdictKind::reshoot;
  EXPECT_EQ(run_tool({"meadow", "--from", "1210", "--to", "1208"}), 0);
  EXPECT_EQ(run_tool({"meadow", "--from", "1208", "--to", "4711"}), 2);
  EXPECT_EQ(
      err(),
      "ringsweep: 1208 to 4711: no burst has both of these frames; name them by the last four "
      "digits, or by their whole names.\n");
  EXPECT_EQ(run_tool({"meadow", "--from", "1208"}), 2);
  results_[0].frames[1].focus_px.reset();
  EXPECT_EQ(run_tool({"meadow", "--from", "1208", "--to", "1210"}), 2);
}

TEST_F(Stacklist, MovedFramesAreLeftOutWhereTheOthersAreComplete) {
  made::flag(results_[0], 2, FrameFlag::moved, true);
  run_tool({"meadow"});
  EXPECT_THAT(out(), Not(HasSubstr("shifted")));
  results_[0].verdict.kind = VerdictKind::complete_without;
  EXPECT_EQ(run_tool({"meadow"}), 0);
  EXPECT_THAT(out(), HasSubstr("  A part shifted: 1209.\n"));
}

TEST_F(Stacklist, NoListWhereNothingCanBeTold) {
  results_[0].verdict = {.kind = VerdictKind::cannot_tell,
                         .reasons = {made::reason(ReasonKind::fit_not_trusted)}};
  results_[0].fit_status = FitStatus::not_trusted;
  results_[0].coverage = {};
  EXPECT_EQ(run_tool({"meadow"}), 1);
  EXPECT_EQ(out(),
            "No list, 1207 to 1212: the pictures do not say where each frame is sharp.\n"
            "Choose its frames by eye, or shoot it again.\n");
  results_[0].verdict.reasons = {made::reason(ReasonKind::no_sweep)};
  EXPECT_EQ(run_tool({"meadow", "--copy", "stack"}), 3);
  EXPECT_FALSE(fs::exists("stack"));
}

TEST_F(Stacklist, CopiesRawAndJpegTogether) {
  add_raw(intake_.bursts[0].frames[2]);
  const auto before = listing("meadow");
  EXPECT_EQ(run_tool({"meadow", "--copy", "stacks/beetle"}), 0);
  EXPECT_THAT(out(), EndsWith("\nCopied and compared byte for byte: 6 files, to stacks/beetle.\n"));
  EXPECT_EQ(read_file("stacks/beetle/DSC01209.JPG"), "picture DSC01209.JPG");
  EXPECT_EQ(read_file("stacks/beetle/DSC01209.ARW"), "raw of DSC01209.JPG");
  EXPECT_EQ(listing("stacks").size(), 7U);  // the folder, and no file half done
  EXPECT_EQ(listing("meadow"), before);
  EXPECT_EQ(fs::last_write_time("stacks/beetle/DSC01209.JPG"),
            fs::last_write_time("meadow/DSC01209.JPG"));

  // A second time nothing is overwritten.
  fs::remove("stacks/beetle/DSC01208.JPG");
  const auto there = listing("stacks");
  EXPECT_EQ(run_tool({"meadow", "--copy", "stacks/beetle"}), 4);
  EXPECT_EQ(err(),
            "ringsweep: stacks/beetle/DSC01209.JPG: is there already and is left as it is; choose "
            "another place, or move it away.\n");
  EXPECT_EQ(listing("stacks"), there);
}

TEST_F(Stacklist, SeveralBurstsGoIntoFoldersOfTheirOwn) {
  results_.push_back(timed(made::complete_burst(1307, 6)));
  results_[1].folder = "bank";
  intake_.bursts.push_back(pictures_of(results_[1], "bank"));
  EXPECT_EQ(run_tool({"meadow", "bank", "--copy", "stack", "--list", "list.txt"}), 0);
  EXPECT_THAT(out(), HasSubstr("In folder bank.\n  DSC01308.JPG"));
  EXPECT_TRUE(fs::exists("stack/burst-1/DSC01208.JPG"));
  EXPECT_TRUE(fs::exists("stack/burst-2/DSC01308.JPG"));
  EXPECT_THAT(read_file("list.txt"), HasSubstr("meadow/DSC01212.JPG\n\nbank/DSC01308.JPG\n"));
  EXPECT_EQ(run_tool({"meadow", "bank", "--from", "1308", "--to", "1309", "--copy", "part"}), 0);
  EXPECT_TRUE(fs::exists("part/DSC01308.JPG"));
  EXPECT_THAT(out(), Not(HasSubstr("1208")));
}

TEST_F(Stacklist, NothingGoesUnderTheInputOrOnACard) {
  const auto before = listing(".");
  for (const char* option : {"--copy", "--sidecars", "--list"}) {
    EXPECT_EQ(run_tool({"meadow", option, "meadow/stack"}), 4) << option;
    EXPECT_THAT(err(), HasSubstr("lies under the pictures to be read, where nothing is written; "
                                 "choose another place with " +
                                 std::string(option)));
    EXPECT_EQ(analysed_, 0U) << "said before the analysis";
  }
  EXPECT_EQ(run_tool({"meadow/DSC01207.JPG", "meadow/DSC01208.JPG", "--sidecars", "meadow"}), 4);
  EXPECT_EQ(run_tool({"meadow", "--copy", "meadow/DSC01207.JPG"}), 4);
  EXPECT_EQ(run_tool({"meadow", "--list", "nowhere/list.txt"}), 4);
  stages_.roots.card = [](const fs::path& path) -> std::optional<fs::path> {
    if (path.string().find("card") == std::string::npos) return std::nullopt;
    return fs::path("/card");
  };
  EXPECT_EQ(run_tool({"meadow", "--copy", "card/stack"}), 4);
  EXPECT_THAT(err(), HasSubstr("lies on a card"));
  EXPECT_EQ(listing("."), before);
}

TEST_F(Stacklist, TwoPicturesOfOneNameAreRefused) {
  results_[0].frames[2].file = results_[0].frames[1].file;
  FrameRef& twin = intake_.bursts[0].frames[2];
  twin.file = results_[0].frames[1].file;
  twin.path = scratch_.put("work/meadow-2/" + twin.file, "another").string();
  EXPECT_EQ(run_tool({"meadow", "--copy", "stack"}), 4);
  EXPECT_THAT(err(), HasSubstr("two of the pictures have this name"));
  EXPECT_FALSE(fs::exists("stack"));
}

// Read back by Exiv2: ISO 16684-1, 8.4, xmp:Rating is -1 or 0 to 5, xmp:Label a text (from memory).
TEST_F(Stacklist, SidecarsSayWhatIsInTheStackAndWhyNot) {
  made::flag(results_[0], 5, FrameFlag::dark, false);
  EXPECT_EQ(run_tool({"meadow", "--sidecars", "notes"}), 0);
  EXPECT_THAT(out(), EndsWith("\nSidecars: 6 files, in notes.\n"));
  const auto read = [](const std::string& name) {
    const auto image = Exiv2::ImageFactory::open("notes/" + name);
    image->readMetadata();
    Exiv2::XmpData& data = image->xmpData();
    return std::pair(data["Xmp.xmp.Rating"].toString(), data["Xmp.xmp.Label"].toString());
  };
  EXPECT_EQ(read("DSC01208.xmp"), std::pair(std::string("5"), std::string("in the stack")));
  EXPECT_EQ(read("DSC01207.xmp"),
            std::pair(std::string("2"), std::string("left out: not at the depths wanted")));
  EXPECT_EQ(read("DSC01212.xmp"),
            std::pair(std::string("1"), std::string("left out: flash missed")));
  EXPECT_THAT(read_file("notes/DSC01208.xmp"), HasSubstr("http://ns.adobe.com/xap/1.0/"));
  EXPECT_EQ(run_tool({"meadow", "--sidecars", "notes"}), 4);
}

TEST_F(Stacklist, AListIsNeverWrittenOver) {
  EXPECT_EQ(run_tool({"meadow", "--list", "list.txt"}), 0);
  EXPECT_EQ(read_file("list.txt"),
            "meadow/DSC01208.JPG\nmeadow/DSC01209.JPG\nmeadow/DSC01210.JPG\n"
            "meadow/DSC01211.JPG\nmeadow/DSC01212.JPG\n");
  EXPECT_THAT(out(), EndsWith("\nList: list.txt\n"));
  EXPECT_EQ(run_tool({"meadow", "--list", "list.txt"}), 4);
}

TEST_F(Stacklist, EachPoseHasAHeadingAndReasonsOfItsOwn) {
  const BurstAnalysis& burst = results_[0];
  std::vector<StackFrame> frames;
  for (const FrameAnalysis& frame : burst.frames)
    frames.push_back({.q_px = frame.focus_px, .pose = frames.size() / 3});
  const std::vector<StackList> lists =
      all_good_frames(frames, {.wanted = {.low_px = 4.0, .high_px = 13.0}}, {.blur_limit_px = 2.4});
  ASSERT_EQ(lists.size(), 2U);
  EXPECT_EQ(
      wording::stack_heading(burst, lists[1], 2, {}),
      "Not complete, 1207 to 1212, pose 2 of 2: 2 of 6 frames go into the stack, from where you "
      "began.\nStays soft: where you began, before 1210.\n");
  EXPECT_EQ(wording::stack_left_out(burst, lists[1]),
            "Left out: 4 of 6 frames.\n  Not at the depths wanted: 1212.\n"
            "  Of another pose: 1207 to 1209.\n");
}

TEST_F(Stacklist, FramesOfTwoPosesGetListsOfTheirOwn) {
  for (std::size_t k = 3; k < 6; ++k) results_[0].frames[k].pose = 1;
  results_[0].verdict = {.kind = VerdictKind::reshoot,
                         .reasons = {made::reason(ReasonKind::moved, 3, 3)}};
  EXPECT_EQ(run_tool({"meadow"}), 1);
  EXPECT_THAT(out(), HasSubstr("1207 to 1212, pose 1 of 2:"));
  EXPECT_THAT(out(), HasSubstr("  Of another pose: 1210 to 1212.\n"));
  EXPECT_THAT(out(), HasSubstr("1207 to 1212, pose 2 of 2:"));
  EXPECT_THAT(out(), HasSubstr("  Of another pose: 1207 to 1209.\n"));
}

TEST_F(Stacklist, WrongCommandLinesAreStatus2) {
  EXPECT_EQ(run_tool({}), 2);
  EXPECT_EQ(err(),
            "ringsweep: no card was found: put it in and open it in the file manager, or name its "
            "folder, "
            "for example `ringsweep stacklist /media/card`.\n");
  EXPECT_EQ(run_tool({"meadow", "--fewest", "--all-good"}), 2);
  EXPECT_EQ(run_tool({"meadow", "--overlap", "96"}), 2);
  EXPECT_EQ(run_tool({"meadow", "--copy", ""}), 2);
  EXPECT_EQ(run_tool({"meadow", "--pitch-um", "-1"}), 2);
  EXPECT_THAT(err(), HasSubstr("ringsweep stacklist --help"));
  EXPECT_EQ(run_tool({"--help"}), 0);
}

/// A report of the burst as it was in the field, and its pictures at home.
class AtHome : public Stacklist {
 protected:
  AtHome() {
    // Without the made-up analysis: there is nothing to analyse.
    stages_.analyse = [](const Burst&, const ReadFrame&, const AnalysisOptions&,
                         const Progress&) -> std::vector<BurstAnalysis> {
      ADD_FAILURE() << "nothing is to be analysed";
      return {};
    };
    write_report();
  }
  void write_report() { scratch_.put("work/report.json", report_json(results_).dump(2)); }
  void rename(std::size_t frame, const std::string& name) {
    FrameRef& ref = intake_.bursts[0].frames[frame];
    fs::rename(ref.path, fs::path(ref.path).replace_filename(name));
    ref.path = fs::path(ref.path).replace_filename(name).string();
    ref.file = name;
  }
};

TEST_F(AtHome, TheListIsTheOneOfTheField) {
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json"}), 0);
  EXPECT_EQ(out(),
            "Complete, 1207 to 1212: 5 of 6 frames go into the stack, from where you began.\n"
            "  DSC01208.JPG  04:52:00.7\n"
            "  DSC01209.JPG  04:52:00.9\n"
            "  DSC01210.JPG  04:52:01.1\n"
            "  DSC01211.JPG  04:52:01.3\n"
            "  DSC01212.JPG  04:52:01.5\n"
            "Left out: 1 of 6 frames.\n"
            "  Not at the depths wanted: 1207.\n");
}

TEST_F(AtHome, DevelopedAndRenamedPicturesAreKnownAgain) {
  rename(1, "dsc01208.tif");                   // developed: the name without the extension stays
  intake_.bursts[0].frames[1].time_s.reset();  // by a program that loses the time
  rename(2, "beetle-2.tif");                   // renamed: the time stays
  rename(3, "beetle-3.tif");
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json", "--copy", "stack"}), 0);
  EXPECT_THAT(out(), HasSubstr("  dsc01208.tif  04:52:00.7\n"
                               "  beetle-2.tif  04:52:00.9  was 1209\n"));
  EXPECT_THAT(out(), HasSubstr("Found by their time of capture, not by name: 2 pictures.\n"));
  EXPECT_EQ(read_file("stack/beetle-3.tif"), "picture DSC01210.JPG");
}

TEST_F(AtHome, WhatIsMissingIsSaid) {
  intake_.bursts[0].frames.erase(intake_.bursts[0].frames.begin() + 2);
  FrameRef stray;
  stray.file = "flower.jpg";
  stray.path = (scratch_ / "work/meadow/flower.jpg").string();
  intake_.bursts[0].frames.push_back(stray);
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json"}), 1);
  EXPECT_THAT(out(), HasSubstr("  DSC01209.JPG  04:52:00.9  not found\n"));
  EXPECT_THAT(out(), HasSubstr("Not found here: 1 of them"));
  EXPECT_THAT(out(), HasSubstr("Not in the report: 1 picture.\n"));
}

TEST_F(AtHome, ANumberThatCameAgainIsNotTheFrame) {
  for (FrameRef& frame : intake_.bursts[0].frames) *frame.time_s += 86400.0;
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json"}), 3);
  EXPECT_THAT(out(), HasSubstr("Of the same name, but shot at another time, and left alone: 6 "));
  EXPECT_THAT(err(), HasSubstr("no picture here belongs to the report"));
}

TEST_F(AtHome, SoftPlacesAreKnownFromTheReport) {
  results_ = {timed(made::gapped_burst())};
  // Positions as wide apart as the gap says.
  for (std::size_t k = 10; k < 24; ++k) *results_[0].frames[k].focus_px += 4.0;
  results_[0].coverage.subject_high_px += 4.0;
  intake_.bursts = {pictures_of(results_[0])};
  write_report();
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json"}), 1);
  EXPECT_THAT(out(), HasSubstr("Not complete, 1301 to 1324: "));
  EXPECT_THAT(out(), HasSubstr("\nStays soft: between 1310 and 1311.\n"));
}

TEST_F(AtHome, PosesAndWhatMovedAreKnownFromTheReport) {
  BurstAnalysis& burst = results_[0];
  burst.movement = {.looked = true,
                    .parts = {{.kind = MoveKind::drifts,
                               .frame = 3,
                               .box_px = {1, 2, 3, 4},
                               .shift_px = 5.0,
                               .conflict = true}}};
  for (std::size_t k = 3; k < 6; ++k) burst.frames[k].pose = 1;
  burst.verdict = {.kind = VerdictKind::reshoot,
                   .reasons = {made::reason(ReasonKind::moved, 3, 3)}};
  write_report();
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json"}), 1);
  EXPECT_THAT(out(), HasSubstr("1207 to 1212, pose 2 of 2:"));
}

TEST_F(AtHome, WhatIsNoReportIsRefused) {
  scratch_.put("work/other.json", "{\"format\": \"other\"}");
  EXPECT_EQ(run_tool({"meadow", "--report", "other.json"}), 3);
  EXPECT_THAT(err(), HasSubstr("other.json: is no report of ringsweep; name the report.json that "
                               "check wrote."));
  EXPECT_EQ(run_tool({"meadow", "--report", "nowhere.json"}), 3);
  EXPECT_EQ(run_tool({"meadow", "--report", "report.json", "--first", "near"}), 2);
  EXPECT_THAT(err(), HasSubstr("--first belongs to `check`, which makes the report"));
  EXPECT_EQ(run_tool({"meadow", "--report", "meadow"}), 3);
  // More lists in each other than a stack of 8 MB holds, at 8 bytes a level already.
  const std::string deep = std::string(1'000'000, '[') + std::string(1'000'000, ']');
  scratch_.put("work/deep.json", "{\"format\": " + deep + "}");
  EXPECT_EQ(run_tool({"meadow", "--report", "deep.json"}), 3);
  scratch_.put("work/deep.json", R"({"format": "ringsweep-report", "version": )" + deep + "}");
  EXPECT_EQ(run_tool({"meadow", "--report", "deep.json"}), 3);
  const nlohmann::json whole = report_json(results_);
  const auto refused = [&](const char* field, const nlohmann::json& value) {
    nlohmann::json wrong = whole;
    wrong["bursts"][0][nlohmann::json::json_pointer(field)] = value;
    scratch_.put("work/wrong.json", wrong.dump());
    return run_tool({"meadow", "--report", "wrong.json"}) == 3 &&
           err().find("wrong.json: is a damaged report") != std::string::npos;
  };
  EXPECT_TRUE(refused("/start_s", 1e300));
  EXPECT_TRUE(refused("/frames/0/time_s", -1e300));
  EXPECT_TRUE(refused("/blur_limit_px", 0.0001));  // 0 to the thousandth
  EXPECT_TRUE(refused("/frames/0/pose", 1e300));
  EXPECT_TRUE(refused("/frames/0/pose", 0));
  EXPECT_TRUE(refused("/sweeps/0/last", -1));
  // Whatever is torn out of it, it is refused or read, never a crash.
  for (const auto& [key, value] : whole["bursts"][0].items()) {
    nlohmann::json torn = whole;
    torn["bursts"][0].erase(key);
    scratch_.put("work/torn.json", torn.dump());
    run_tool({"meadow", "--report", "torn.json"});
    torn["bursts"][0][key] = "torn";
    scratch_.put("work/torn.json", torn.dump());
    run_tool({"meadow", "--report", "torn.json"});
  }
}

}  // namespace
}  // namespace ringsweep::app
