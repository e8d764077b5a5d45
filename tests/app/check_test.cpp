// `ringsweep check` with stages made up: exit statuses, what is printed where, what is written
// where.

#include "app/check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <mutex>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <regex>
#include <sstream>
#include <stdexcept>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include "app/command_line.h"
#include "app/scratch_folder.h"
#include "report/made_analysis.h"

namespace ringsweep::app {
namespace {

using ::testing::ElementsAre;
using ::testing::EndsWith;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;
using testing_app::copy_jpegs;
using testing_app::CurrentFolder;
using testing_app::Environment;
using testing_app::listing;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

Burst burst_of(std::size_t frames, const std::string& folder = "meadow") {
  Burst burst;
  burst.folder = folder;
  for (std::size_t k = 0; k < frames; ++k) {
    FrameRef frame;
    frame.file = "DSC0" + std::to_string(1207 + k) + ".JPG";
    frame.path = folder + "/" + frame.file;
    burst.frames.push_back(frame);
  }
  return burst;
}

std::ptrdiff_t line_count(const std::string& text) { return std::ranges::count(text, '\n'); }

BurstAnalysis unreadable_burst() {
  BurstAnalysis burst = made::with_reasons(made::complete_burst(1207, 5), VerdictKind::cannot_tell,
                                           {made::reason(ReasonKind::too_few_frames)});
  for (std::size_t k = 0; k < 5; ++k) {
    made::flag(burst, k, FrameFlag::unreadable, false);
    burst.frames[k].problem = burst.frames[k].file + ": holds no picture; copy it again.";
  }
  return burst;
}

/// A run of the tool in folders of its own.
class Tool : public ::testing::Test {
 protected:
  Tool() : here_(scratch_ / "work"), data_("XDG_DATA_HOME", (scratch_ / "data").c_str()) {
    stages_.find_bursts = [this](std::span<const fs::path>, const IntakeOptions&) {
      return intake_;
    };
    stages_.decode = [](const FrameRef& frame, const DecodeOptions&) -> Result<LinearFrame> {
      if (frame.file.starts_with("broken")) {
        return tl::unexpected(Error{frame.file, "holds no picture", "copy it again"});
      }
      LinearFrame picture;
      picture.full_size = {6000, 4000};
      return picture;
    };
    stages_.view = [](const FrameRef&, const DecodeOptions&) -> Result<ViewFrame> {
      return ViewFrame{.bgr = cv::Mat(400, 600, CV_8UC3, cv::Scalar(40, 90, 60)),
                       .full_size = {6000, 4000},
                       .full_px_per_px = 10.0};
    };
    stages_.analyse = [this](const Burst&, const ReadFrame&, const AnalysisOptions& options,
                             const Progress&) {
      analysed_with_.push_back(options);
      // The newest burst comes first, the last of the results.
      return std::vector{
          results_.at(results_.size() - std::min(analysed_with_.size(), results_.size()))};
    };
    stages_.roots.card = [](const fs::path&) { return std::nullopt; };
    intake_.bursts = {burst_of(25)};
    results_ = {made::complete_burst()};
  }

  int run_tool(std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), "ringsweep");
    std::vector<const char*> argv;
    for (const std::string& argument : arguments) argv.push_back(argument.c_str());
    out_.str("");
    err_.str("");
    Console console{.out = &out_, .err = &err_};
    console.colour_out = colour_;
    return run(static_cast<int>(argv.size()), argv.data(), console, stages_);
  }

  [[nodiscard]] std::string out() const { return out_.str(); }
  [[nodiscard]] std::string err() const { return err_.str(); }

  struct WorkFolder {
    explicit WorkFolder(const fs::path& folder) { fs::create_directories(folder); }
  };

  ScratchFolder scratch_;
  WorkFolder made_{scratch_ / "work"};
  CurrentFolder here_;
  Environment data_;
  Stages stages_;
  Intake intake_;
  std::vector<BurstAnalysis> results_;
  std::vector<AnalysisOptions> analysed_with_;
  std::ostringstream out_;
  std::ostringstream err_;
  bool colour_ = false;
};

TEST_F(Tool, Status0WhenComplete) {
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_THAT(out(), StartsWith("Good, 1207 to 1231: you may leave.\n"));
  EXPECT_THAT(out(), EndsWith("\nReport: " + (scratch_ / "work/ringsweep-report").string() + "\n"));
  EXPECT_EQ(err(), "");
  EXPECT_THAT(read_file("ringsweep-report/report.txt"), HasSubstr("sd px"));
  EXPECT_EQ(nlohmann::json::parse(read_file("ringsweep-report/report.json"))["format"],
            "ringsweep-report");
}

TEST_F(Tool, ThePageHasThePicturesAndTheCommand) {
  EXPECT_EQ(run_tool({"check", "my card"}), 0);
  const std::string page = read_file("ringsweep-report/report.html");
  // One a frame, and the quick look.
  const std::regex picture("data:image/jpeg;base64,");
  EXPECT_EQ(std::distance(std::sregex_iterator(page.begin(), page.end(), picture), {}), 26);
  EXPECT_THAT(page, HasSubstr(R"("paths":"'my card' --all")"));
  EXPECT_EQ(line_count(read_file("ringsweep-report/frames.csv")), 1 + 25);
}

TEST_F(Tool, AFrameThatCannotBeReadAgainHasNoPictureInThePage) {
  stages_.view = [](const FrameRef& frame, const DecodeOptions&) -> Result<ViewFrame> {
    return tl::unexpected(Error{frame.file, "is not there any more", "put the card in"});
  };
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_THAT(read_file("ringsweep-report/report.html"), Not(HasSubstr("data:image/jpeg")));
}

TEST_F(Tool, TheFullSizeThatIsSaidIsThatOfTheFrames) {
  for (FrameRef& frame : intake_.bursts[0].frames) frame.file_size = {600, 400};
  std::vector<FrameRef> frames;
  stages_.analyse = [&](const Burst& burst, const ReadFrame&, const AnalysisOptions&,
                        const Progress&) {
    frames = burst.frames;
    return results_;
  };
  EXPECT_EQ(run_tool({"check", "card", "--full-size", "6000x4000"}), 0);
  ASSERT_EQ(frames.size(), 25U);
  EXPECT_EQ(frames[24].full_size, cv::Size(6000, 4000));
  EXPECT_EQ(frames[24].full_size_from, FullSizeFrom::user);
  EXPECT_EQ(err(), "");
  EXPECT_EQ(run_tool({"check", "card", "--full-size", "6000x6000"}), 0);
  EXPECT_THAT(err(), HasSubstr("600 x 400 is larger than --full-size, or of another shape"));
  EXPECT_EQ(frames[24].full_size_from, FullSizeFrom::file);
}

TEST_F(Tool, MemoryAndThePictureOfARawAreHandedOn) {
  std::vector<RawPicture> pictures;
  stages_.decode = [&](const FrameRef& frame, const DecodeOptions&) -> Result<LinearFrame> {
    pictures.push_back(frame.raw_picture);
    return LinearFrame{};
  };
  stages_.analyse = [&](const Burst& burst, const ReadFrame& read, const AnalysisOptions& options,
                        const Progress&) {
    analysed_with_.push_back(options);
    static_cast<void>(read(burst.frames[0], 1));
    return results_;
  };
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_EQ(run_tool({"check", "card", "--memory", "1500", "--raw-picture", "sensor"}), 0);
  EXPECT_EQ(run_tool({"check", "card", "--raw-picture", "preview"}), 0);
  EXPECT_EQ(analysed_with_.at(0).memory_bytes, kUsualMemoryBytes);
  EXPECT_EQ(analysed_with_.at(1).memory_bytes, 1'500'000'000U);
  EXPECT_THAT(pictures,
              ::testing::ElementsAre(RawPicture::by_size, RawPicture::sensor, RawPicture::preview));
}

TEST_F(Tool, Status1WhenOneOfSeveralIsNotComplete) {
  intake_.bursts = {burst_of(25), burst_of(24)};
  results_ = {made::complete_burst(), made::gapped_burst()};
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  // The newest comes first, since it is analysed first, and is the last word, too.
  EXPECT_THAT(out(), StartsWith("Not yet, 1301 to 1324:"));
  EXPECT_THAT(out(), HasSubstr("\n\nGood, 1207 to 1231: you may leave.\n"));
  EXPECT_THAT(out(), EndsWith("\nThe newest: Not yet, 1301 to 1324: nothing sharp between 1310 and "
                              "1311.\n"));
  EXPECT_THAT(out(), Not(HasSubstr("In folder")));
}

/// The first answer is there while the next burst is looked at.
TEST_F(Tool, EachBurstIsToldAsSoonAsItIsAnalysed) {
  intake_.bursts = {burst_of(25), burst_of(24)};
  results_ = {made::complete_burst(), made::gapped_burst()};
  std::vector<std::string> told_before;
  const auto analyse = stages_.analyse;
  stages_.analyse = [&](const Burst& burst, const ReadFrame& read, const AnalysisOptions& options,
                        const Progress& progress) {
    told_before.push_back(out());
    return analyse(burst, read, options, progress);
  };
  run_tool({"check", "card"});
  ASSERT_EQ(told_before.size(), 2U);
  EXPECT_EQ(told_before[0], "");
  EXPECT_THAT(told_before[1], StartsWith("Not yet, 1301 to 1324:"));
}

TEST_F(Tool, SaysWhenTheCardIsNoLongerNeeded) {
  run_tool({"check", "card"});
  EXPECT_EQ(err(), "");
  bool opened_after = false;
  stages_.roots.card = [](const fs::path& path) {
    return path == "card" ? std::optional(path) : std::nullopt;
  };
  const auto view = stages_.view;
  stages_.view = [&](const FrameRef& frame, const DecodeOptions& options) {
    opened_after = opened_after || !err().empty();
    return view(frame, options);
  };
  run_tool({"check", "card"});
  EXPECT_EQ(err(), "ringsweep: the card is no longer needed.\n");
  EXPECT_FALSE(opened_after);
  run_tool({"check", "card", "--quiet"});
  EXPECT_EQ(err(), "");
}

TEST_F(Tool, NamesTheFolderWhereThereAreSeveral) {
  intake_.bursts = {burst_of(25, "meadow"), burst_of(24, "bank")};
  results_ = {made::complete_burst(), made::gapped_burst()};
  results_[1].folder = "bank";
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  EXPECT_THAT(out(), HasSubstr("Good, 1207 to 1231: you may leave.\nIn folder meadow.\n"));
  EXPECT_THAT(out(), HasSubstr("1311.\nIn folder bank.\n"));
}

TEST_F(Tool, Status2AndOneLineWhenTheCommandLineIsWrong) {
  for (const auto& arguments : std::vector<std::vector<std::string>>{
           {},
           {"check"},
           {"plan"},
           {"check", "card", "--speed"},
           {"check", "card", "--blur-limit", "0"},
           {"check", "card", "--blur-limit", "soft"},
           {"check", "card", "--blur-limit", "3", "--blur-limit-handbook"},
           {"check", "card", "--threads", "-1"},
           {"check", "card", "--full-size", "6000"},
           {"check", "card", "--full-size", "6000x"},
           {"check", "card", "--full-size", "0x4000"},
           {"check", "card", "--full-size", "6000x4000x"},
           {"check", "card", "--raw-picture", "large"},
           {"check", "card", "--memory", "299"},
           {"check", "card", "--out", ""},
           {"check", "card", "--json"},
           {"check", "card", "--working-f-number", "0"},
           {"check", "card", "--working-f-number", "nan"},
           {"check", "card", "--pitch-um", "4000"},
           {"check", "card", "--f-number", "8"},
           {"check", "card", "--f-number-is", "true"},
           {"check", "card", "--f-number-is", "marked"},
           {"check", "card", "--pupil-ratio", "1"},
           {"check", "card", "--learn-lens", "hill60"},
           {"check", "card", "--turned", "40"},
           {"check", "card", "--learn-lens", "hill60", "--turned", "0"},
           {"check", "card", "--learn-lens", "a/b", "--turned", "40"},
           {"check", "card", "--lens", "unheard-of"},
           {"check", "card", "--lens", "a", "--learn-lens", "a", "--turned", "40"},
           {"check", "card", "--working-f-number", "8", "--f-number-is", "working"}}) {
    EXPECT_EQ(run_tool(arguments), 2) << ::testing::PrintToString(arguments);
    EXPECT_EQ(out(), "");
    EXPECT_THAT(err(), StartsWith("ringsweep: "));
    EXPECT_EQ(line_count(err()), 1) << err();
  }
  EXPECT_TRUE(analysed_with_.empty());
  EXPECT_TRUE(fs::is_empty("."));
}

TEST_F(Tool, Status3WhenNothingIsFound) {
  intake_.bursts.clear();
  intake_.problems = {{"card", "does not exist", "check the name"}};
  EXPECT_EQ(run_tool({"check", "card"}), 3);
  EXPECT_THAT(err(), StartsWith("ringsweep: card: does not exist; check the name.\n"));
  EXPECT_TRUE(fs::is_empty("."));  // no empty report folder
}

TEST_F(Tool, Status3WhenNothingCanBeRead) {
  results_ = {unreadable_burst()};
  EXPECT_EQ(run_tool({"check", "card"}), 3);
  EXPECT_THAT(err(), HasSubstr("ringsweep: DSC01207.JPG: holds no picture; copy it again.\n"));
  EXPECT_THAT(err(), HasSubstr("none of the pictures can be read"));
  EXPECT_TRUE(fs::is_empty("."));
}

TEST_F(Tool, OneReadablePictureIsABurstThatCannotBeTold) {
  results_ = {unreadable_burst()};
  results_[0].frames[2].flags.clear();
  EXPECT_EQ(run_tool({"check", "card"}), 1);
}

TEST_F(Tool, WhereNobodyTurnedTheRingThereIsNoSweep) {
  const BurstAnalysis still =
      made::with_reasons(made::complete_burst(1207, 5), VerdictKind::cannot_tell,
                         {made::reason(ReasonKind::no_sweep)});
  results_ = {still};
  EXPECT_EQ(run_tool({"check", "card"}), 3);
  EXPECT_THAT(out(), HasSubstr("all frames focus in the same place"));

  // Beside a sweep it is one more burst that says nothing.
  analysed_with_.clear();
  intake_.bursts = {burst_of(5), burst_of(5)};
  results_ = {still, made::complete_burst(1301, 5)};
  EXPECT_EQ(run_tool({"check", "card"}), 1);
}

TEST_F(Tool, SingleFramesAreCountedAndBrokenOnesNamed) {
  intake_.bursts = {burst_of(25), burst_of(1), burst_of(1)};
  intake_.bursts[2].frames[0].file = "broken.jpg";
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_THAT(out(), HasSubstr("\nLeft out: 2 single frames.\n"));
  EXPECT_EQ(err(), "ringsweep: broken.jpg: holds no picture; copy it again.\n");

  intake_.bursts = {burst_of(4), burst_of(1)};
  EXPECT_EQ(run_tool({"check", "card"}), 3);
  EXPECT_EQ(out(), "Left out: 5 frames, fewer than 5 at a time.\n");
}

Burst at(Burst burst, double begin_s) {
  for (FrameRef& frame : burst.frames) frame.time_s = begin_s++;
  return burst;
}

TEST_F(Tool, OfACardTheNewestHourIsLookedAtAndTheOthersAreCounted) {
  intake_.bursts = {at(burst_of(25), 0.0), at(burst_of(24), 10'000.0), at(burst_of(25), 12'000.0)};
  results_ = {made::complete_burst()};
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_EQ(analysed_with_.size(), 3U) << "a folder is looked at whole";
  const auto looked_at = [&](std::vector<std::string> arguments) {
    analysed_with_.clear();
    arguments.insert(arguments.begin(), "check");
    EXPECT_EQ(run_tool(arguments), 0);
    return analysed_with_.size();
  };
  stages_.roots.card = [](const fs::path& path) -> std::optional<fs::path> {
    return path.string().starts_with("meadow") ? std::optional(path) : std::nullopt;
  };
  EXPECT_EQ(looked_at({"card"}), 2U);
  EXPECT_THAT(out(), HasSubstr("\nLeft out: 1 older burst; --all takes all.\n"));
  EXPECT_EQ(looked_at({"card", "--last", "1"}), 1U);
  EXPECT_THAT(out(), HasSubstr("\nLeft out: 2 older bursts; --all takes all.\n"));
  EXPECT_THAT(read_file("ringsweep-report/report.html"), HasSubstr(R"("paths":"card --all")"));
  EXPECT_EQ(looked_at({"card", "--since", "03:00"}), 1U);
  EXPECT_EQ(looked_at({"card", "--all"}), 3U);
  EXPECT_THAT(read_file("ringsweep-report/report.html"), HasSubstr(R"("paths":"card --all")"));
  EXPECT_THAT(out(), Not(HasSubstr("older")));
  analysed_with_.clear();
  for (const char* command : {"check", "stacklist"}) {
    EXPECT_EQ(run_tool({command, "card", "--since", "1970-01-02"}), 3);
    EXPECT_EQ(err(),
              "ringsweep: all bursts were left out: 3 are older (add --all to look at all).\n");
  }
  EXPECT_EQ(run_tool({"check", "card", "--as-one"}), 0);
  EXPECT_THAT(out(), Not(HasSubstr("older"))) << "all pictures are one burst";
  for (const std::vector<std::string>& wrong : {std::vector<std::string>{"--last", "0"},
                                                {"--since", "soon"},
                                                {"--all", "--last", "1"},
                                                {"--last", "1", "--since", "03:00"}}) {
    std::vector<std::string> arguments{"check", "card"};
    arguments.insert(arguments.end(), wrong.begin(), wrong.end());
    EXPECT_EQ(run_tool(arguments), 2) << ::testing::PrintToString(wrong);
    EXPECT_EQ(line_count(err()), 1) << err();
  }
}

TEST_F(Tool, PicturesOfACardThatAreNamedAreAllLookedAt) {
  stages_.roots.card = [](const fs::path& path) -> std::optional<fs::path> {
    return path.string().find("meadow") != std::string::npos ? std::optional("card") : std::nullopt;
  };
  intake_.bursts = {at(burst_of(25), 0.0), at(burst_of(24), 10'000.0)};
  intake_.bursts[0].frames[0].path = scratch_.put("work/meadow/named.JPG").string();
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_EQ(analysed_with_.size(), 1U);
  EXPECT_EQ(run_tool({"check", "meadow/named.JPG", "card"}), 0);
  EXPECT_EQ(analysed_with_.size(), 3U);
}

TEST_F(Tool, WithoutAPathTheCardThatIsInIsTaken) {
  std::vector<fs::path> asked;
  stages_.find_bursts = [&](std::span<const fs::path> paths, const IntakeOptions&) {
    asked.assign(paths.begin(), paths.end());
    return intake_;
  };
  stages_.mounted_cards = [] { return std::vector<fs::path>{"/mnt/a"}; };
  EXPECT_EQ(run_tool({"check"}), 0);
  EXPECT_THAT(asked, ElementsAre("/mnt/a"));
  EXPECT_EQ(err(), "ringsweep: the card is /mnt/a.\n");
  EXPECT_EQ(run_tool({"check", "--card", "2"}), 2);

  asked.clear();
  stages_.mounted_cards = [] { return std::vector<fs::path>{"/mnt/a", "/mnt/b"}; };
  EXPECT_EQ(run_tool({"check"}), 2);
  EXPECT_EQ(err(),
            "ringsweep: 2 cards are in; choose by number, for example `ringsweep check --card 1`:\n"
            "  1  /mnt/a\n"
            "  2  /mnt/b\n");
  EXPECT_TRUE(asked.empty());
  EXPECT_EQ(run_tool({"check", "--card", "2"}), 0);
  EXPECT_THAT(asked, ElementsAre("/mnt/b"));
  EXPECT_EQ(run_tool({"check", "card", "--card", "2"}), 2);
}

/// A picture of something of its own, as small as cameras put them into their files.
LinearFrame small_picture(int seed) {
  LinearFrame small;
  small.luminance = cv::Mat1f(120, 160);
  cv::RNG(static_cast<std::uint64_t>(seed)).fill(small.luminance, cv::RNG::UNIFORM, 0.05, 0.9);
  cv::blur(small.luminance, small.luminance, {9, 9});
  return small;
}

TEST_F(Tool, ASeriesOfOtherThingsIsLeftOutByItsSmallPictures) {
  intake_.bursts = {burst_of(25), burst_of(6, "walk")};
  int picture = 0;
  int decoded = 0;
  stages_.thumbnail = [&](const FrameRef& frame) -> std::optional<LinearFrame> {
    return small_picture(frame.path.starts_with("walk") ? ++picture : 0);
  };
  stages_.decode = [&](const FrameRef&, const DecodeOptions&) -> Result<LinearFrame> {
    ++decoded;
    return LinearFrame{};
  };
  EXPECT_EQ(run_tool({"check", "card"}), 0);
  EXPECT_EQ(analysed_with_.size(), 1U);
  EXPECT_EQ(decoded, 0);
  EXPECT_THAT(out(),
              HasSubstr("\nLeft out: 1207 to 1212: most pictures show something else. Name those "
                        "pictures to have them checked.\n"));
  EXPECT_EQ(run_tool({"check", "card", "--as-one"}), 0);
  EXPECT_EQ(analysed_with_.size(), 2U) << "as the user says";

  intake_.bursts = {burst_of(6, "walk")};
  EXPECT_EQ(run_tool({"check", "walk"}), 3);
  EXPECT_EQ(
      err(),
      "ringsweep: all bursts were left out: most pictures of 1 burst show something else (name the "
      "pictures to have them checked).\n");
  EXPECT_EQ(run_tool({"stacklist", "walk"}), 3);
  EXPECT_THAT(err(),
              StartsWith("ringsweep: all bursts were left out: most pictures of 1 burst show"));

  intake_.bursts[0].frames[3].path = scratch_.put("work/walk/named.JPG").string();
  EXPECT_EQ(run_tool({"check", "walk/named.JPG"}), 0);
}

// What a frame shows that the flash did not light, nobody knows: no evidence of other things.
TEST_F(Tool, ASweepWhoseFlashMissesIsNoSeriesOfOtherThings) {
  int frame_no = 0;
  const auto every_second = [&](const cv::Mat1f& unlit) {
    stages_.thumbnail = [&frame_no, unlit](const FrameRef&) -> std::optional<LinearFrame> {
      LinearFrame picture = small_picture(1);
      if (frame_no++ % 2 == 1) picture.luminance = unlit;
      return picture;
    };
    frame_no = 0;
    return run_tool({"check", "card"});
  };
  const cv::Mat1f other = small_picture(2).luminance;
  EXPECT_EQ(every_second(cv::Mat1f(120, 160, 0.0F)), 0);
  EXPECT_EQ(every_second(cv::Mat(other / 16.0)), 0) << "lit by the sky alone";
  EXPECT_EQ(every_second(cv::Mat1f(120, 160, 0.5F)), 0) << "a hand before the lens";
  EXPECT_EQ(every_second(other), 3) << "lit, and something else";
}

// The small pictures of real sweeps: however blurred, the animal is the same.
TEST_F(Tool, NoSampleIsTakenForASeriesOfOtherThings) {
  stages_.find_bursts = find_bursts;
  stages_.thumbnail = [](const FrameRef& frame) -> std::optional<LinearFrame> {
    auto picture = decode(frame, {.reduction = 8});
    if (!picture) return std::nullopt;
    cv::resize(picture->luminance, picture->luminance, {160, 120}, 0, 0, cv::INTER_AREA);
    return *picture;
  };
  for (const char* sample : {"meadow-complete", "meadow-drops", "meadow-flash", "meadow-gap",
                             "meadow-moved", "meadow-two-sweeps"}) {
    analysed_with_.clear();
    EXPECT_EQ(run_tool({"check", std::string(RINGSWEEP_SAMPLES "/") + sample}), 0) << err();
    EXPECT_EQ(analysed_with_.size(), 1U) << sample;
  }
}

TEST_F(Tool, Status4BeforeTheAnalysisWhenTheReportHasNoPlace) {
  fs::create_directories("card/inner");
  scratch_.put("work/file");
  scratch_.put("work/strange/report.txt", "somebody's");
  const auto before = listing(".");
  for (const char* place :
       {"card", "card/inner/out", "file", "file/below", "/proc/out", "strange"}) {
    EXPECT_EQ(run_tool({"check", "card", "--out", place}), 4) << place;
    EXPECT_EQ(line_count(err()), 1) << err();
    EXPECT_EQ(run_tool({"check", "card", "--json", place}), 4) << place;
  }
  EXPECT_TRUE(analysed_with_.empty());
  EXPECT_EQ(listing("."), before);
}

TEST_F(Tool, FromACardTheReportGoesToTheDataHome) {
  fs::create_directories("MY_CARD/DCIM");
  const fs::path root = fs::canonical("MY_CARD");
  stages_.roots.card = [root](const fs::path& path) -> std::optional<fs::path> {
    return fs::weakly_canonical(path).string().starts_with(root.string()) ? std::optional(root)
                                                                          : std::nullopt;
  };
  const CurrentFolder on_card(root);
  const auto before = listing(root);
  EXPECT_EQ(run_tool({"check", "DCIM"}), 0);
  EXPECT_THAT(out(),
              EndsWith("\nReport: " + (scratch_ / "data/ringsweep/MY_CARD").string() + "\n"));
  EXPECT_TRUE(fs::exists(scratch_ / "data/ringsweep/MY_CARD/report.json"));
  EXPECT_EQ(run_tool({"check", "DCIM", "--out", "out"}), 4);
  EXPECT_EQ(listing(root), before);
}

TEST_F(Tool, JsonOnStandardOutputIsNothingButJson) {
  EXPECT_EQ(run_tool({"check", "card", "--json", "-"}), 0);
  const auto report = nlohmann::json::parse(out());
  EXPECT_EQ(report["bursts"][0]["verdict"], "complete");
  EXPECT_THAT(err(), StartsWith("Good, 1207 to 1231"));
}

TEST_F(Tool, JsonIntoAFileIsTheReport) {
  EXPECT_EQ(run_tool({"check", "card", "--json", "out.json"}), 0);
  EXPECT_EQ(read_file("out.json"), read_file("ringsweep-report/report.json"));
  EXPECT_EQ(run_tool({"check", "card", "--json", "out.json"}), 0);  // its own, so it may
}

TEST_F(Tool, DetailsComeOnlyWhenAsked) {
  run_tool({"check", "card"});
  EXPECT_THAT(out(), Not(HasSubstr(" px")));
  run_tool({"check", "card", "--details"});
  EXPECT_THAT(out(), HasSubstr("sd px"));
}

TEST_F(Tool, QuietPrintsTheVerdictsOnly) {
  intake_.bursts = {burst_of(25), burst_of(24)};
  results_ = {made::complete_burst(), made::gapped_burst()};
  EXPECT_EQ(run_tool({"check", "card", "--quiet", "--details", "--summary"}), 1);
  EXPECT_EQ(out(),
            "Not yet, 1301 to 1324: nothing sharp between 1310 and 1311.\n"
            "Good, 1207 to 1231: you may leave.\n");
  EXPECT_TRUE(fs::exists("ringsweep-report/report.html"));
}

TEST_F(Tool, TheSummaryFitsInto80Columns) {
  intake_.bursts = {burst_of(25), burst_of(24), burst_of(24)};
  results_ = {made::complete_burst(), made::gapped_burst(), made::gapped_burst()};
  made::flag(results_[1], 3, FrameFlag::shaken, false);
  results_[2].verdict.reasons[0].kind = ReasonKind::gap_from_dark;
  run_tool({"check", "card", "--summary"});
  const std::string text = out().substr(0, out().find("\nReport: "));
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) EXPECT_LE(line.size(), 80U) << line;
}

TEST_F(Tool, TheDepthIsDrawnBelowTheVerdict) {
  run_tool({"check", "card"});
  EXPECT_THAT(out(), StartsWith("Good, 1207 to 1231: you may leave.\n  began [==="));
}

TEST_F(Tool, ColourMarksTheVerdictAlone) {
  colour_ = true;
  run_tool({"check", "card"});
  EXPECT_THAT(out(), StartsWith("\033[1;32mGood\033[0m, 1207 to 1231: you may leave.\n"));
  colour_ = false;
  run_tool({"check", "card"});
  EXPECT_THAT(out(), Not(HasSubstr("\033")));
}

// The old handbook limit, diagonal / 1500: 7211.10 px / 1500 = 4.8074 px for 6000 x 4000.
TEST_F(Tool, OptionsReachTheAnalysis) {
  run_tool({"check", "card"});
  run_tool({"check", "card", "--blur-limit", "3.5", "--threads", "2"});
  run_tool({"check", "card", "--blur-limit-handbook"});
  ASSERT_EQ(analysed_with_.size(), 3U);
  EXPECT_FALSE(analysed_with_[0].blur_limit_px);
  EXPECT_EQ(analysed_with_[1].blur_limit_px, 3.5);
  EXPECT_EQ(analysed_with_[1].threads, 2);
  EXPECT_NEAR(analysed_with_[2].blur_limit_px.value(), 4.8074, 5e-5);  // the digits above
}

TEST_F(Tool, WhatIsKnownOfTheLensReachesTheAnalysis) {
  run_tool({"check", "card", "--working-f-number", "16", "--pitch-um", "4.4"});
  run_tool({"check", "card", "--f-number", "8", "--f-number-is", "marked", "--magnification", "1.5",
            "--pupil-ratio", "0.8"});
  ASSERT_EQ(analysed_with_.size(), 2U);
  EXPECT_EQ(analysed_with_[0].lens.working_f_number, 16.0);
  EXPECT_EQ(analysed_with_[0].lens.pitch_um, 4.4);
  EXPECT_EQ(analysed_with_[1].lens.f_number, 8.0);
  EXPECT_EQ(analysed_with_[1].lens.f_number_is, FNumberIs::marked);
  EXPECT_EQ(analysed_with_[1].lens.magnification, 1.5);
  EXPECT_EQ(analysed_with_[1].lens.pupil_ratio, 0.8);
}

TEST_F(Tool, AMarkedFNumberWithoutMagnificationIsToldWhatItLacks) {
  EXPECT_EQ(run_tool({"check", "card", "--f-number-is", "marked"}), 2);
  EXPECT_THAT(err(), HasSubstr("needs --magnification too"));
}

TEST_F(Tool, WhatMustBeSharpReachesTheAnalysis) {
  EXPECT_EQ(run_tool({"check", "card", "--subject-box", "10,20,300,200"}), 0);
  EXPECT_THAT(analysed_with_.back().subject.outline,
              ElementsAre(cv::Point2d(10, 20), cv::Point2d(310, 20), cv::Point2d(310, 220),
                          cv::Point2d(10, 220)));
  EXPECT_EQ(run_tool({"check", "card", "--subject-polygon", "0,0,9,0,9,9", "--from", "1209", "--to",
                      "1221", "--leave-front", "1211"}),
            0);
  const SubjectChoice& said = analysed_with_.back().subject;
  EXPECT_EQ(said.outline.size(), 3U);
  EXPECT_EQ(said.from_frame, "1209");
  EXPECT_EQ(said.to_frame, "1221");
  EXPECT_EQ(said.leave_in_front_of, "1211");
  cv::imwrite("mask.png", cv::Mat(30, 40, CV_8UC1, cv::Scalar(255)));
  EXPECT_EQ(run_tool({"check", "card", "--subject-mask", "mask.png"}), 0);
  EXPECT_EQ(analysed_with_.back().subject.mask.size(), cv::Size(40, 30));
}

TEST_F(Tool, WhatMustBeSharpIsToldWhereItMakesNoSense) {
  for (const std::vector<std::string>& wrong :
       {std::vector<std::string>{"--subject-box", "10,20,0,200"},
        {"--subject-polygon", "0,0,9,0,9,9,4"},
        {"--subject-mask", "nowhere.png"},
        {"--from", "1209"}}) {
    std::vector<std::string> arguments{"check", "card"};
    arguments.insert(arguments.end(), wrong.begin(), wrong.end());
    EXPECT_EQ(run_tool(arguments), 2) << wrong[0];
    EXPECT_EQ(line_count(err()), 1) << err();
  }
  EXPECT_TRUE(analysed_with_.empty());
}

TEST_F(Tool, OneSceneWithACompleteBurstIsComplete) {
  intake_.bursts = {burst_of(24), burst_of(25)};
  cv::Mat1f picture(96, 128);
  cv::RNG(7).fill(picture, cv::RNG::UNIFORM, 0.05, 0.9);
  cv::blur(picture, picture, {9, 9});
  results_ = {made::gapped_burst(), made::complete_burst()};
  for (BurstAnalysis& burst : results_) burst.look = make_thumbnail(picture);
  EXPECT_EQ(run_tool({"check", "card", "--summary"}), 0);
  EXPECT_THAT(out(), HasSubstr("show the same: the best so far is 1207 to 1231"));
  EXPECT_THAT(out(), HasSubstr("1 of 1 scene, 1 of 2 bursts"));
  EXPECT_THAT(out(), EndsWith("\nThe newest scene: Good, 1207 to 1231: you may leave.\n"));
}

TEST_F(Tool, TheFirstSweepsEndReachesTheAnalysis) {
  run_tool({"check", "card"});
  run_tool({"check", "card", "--first", "near"});
  run_tool({"check", "card", "--first", "far"});
  ASSERT_EQ(analysed_with_.size(), 3U);
  EXPECT_FALSE(analysed_with_[0].first_end);
  EXPECT_EQ(analysed_with_[1].first_end, Side::near);
  EXPECT_EQ(analysed_with_[2].first_end, Side::far);
  EXPECT_EQ(run_tool({"check", "card", "--first", "left"}), 2);
  EXPECT_THAT(err(), HasSubstr("--first"));
}

TEST_F(Tool, OneBurstThatFailsDoesNotTakeTheOthersAlong) {
  intake_.bursts = {burst_of(25), burst_of(25, "bad")};
  int calls = 0;
  stages_.analyse = [&](const Burst&, const ReadFrame&, const AnalysisOptions&, const Progress&) {
    if (++calls == 1) throw std::runtime_error("broken");
    return std::vector{made::complete_burst()};
  };
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  EXPECT_THAT(out(), StartsWith("Good, 1207"));
  EXPECT_THAT(err(), HasSubstr("bad: could not be analysed (broken)"));
}

// POSIX: whoever is ended by a signal is told so to its parent.
TEST_F(Tool, AnInterruptStopsTheAnalysisAtItsNextStep) {
  stages_.analyse = [](const Burst&, const ReadFrame&, const AnalysisOptions&,
                       const Progress& progress) -> std::vector<BurstAnalysis> {
    if (!progress("looking", 1, 25)) std::_Exit(1);
    std::raise(SIGINT);
    if (progress("looking", 2, 25)) std::_Exit(2);
    return {};
  };
  EXPECT_EXIT(run_tool({"check", "card"}), ::testing::KilledBySignal(SIGINT), "");
}

// A step that does not ask: the end comes all the same, long before the step's.
TEST_F(Tool, AnInterruptEndsALongStepToo) {
  stages_.analyse = [](const Burst&, const ReadFrame&, const AnalysisOptions&,
                       const Progress&) -> std::vector<BurstAnalysis> {
    std::raise(SIGINT);
    std::this_thread::sleep_for(std::chrono::seconds(30));
    std::_Exit(1);
  };
  EXPECT_EXIT(run_tool({"check", "card"}), ::testing::KilledBySignal(SIGINT),
              "stopped; no report was written");
  EXPECT_TRUE(fs::is_empty("."));
}

/// A terminal at which Ctrl-C is pressed when the place of the report is printed.
class Interrupting : public std::stringbuf {
 protected:
  std::streamsize xsputn(const char* text, std::streamsize length) override {
    if (std::string_view(text, static_cast<std::size_t>(length)).find("Report: ") !=
        std::string_view::npos)
      std::raise(SIGINT);
    return std::stringbuf::xsputn(text, length);
  }
};

// The report is written before its place is printed.
TEST_F(Tool, AnInterruptAfterTheReportWasWrittenEndsBySignalToo) {
  Interrupting terminal;
  std::ostream out(&terminal);
  const auto check = [&] {
    const Console console{.out = &out, .err = &err_};
    const std::vector<const char*> argv{"ringsweep", "check", "card"};
    std::_Exit(run(static_cast<int>(argv.size()), argv.data(), console, stages_));
  };
  EXPECT_EXIT(check(), ::testing::KilledBySignal(SIGINT), "");
  EXPECT_TRUE(fs::exists("ringsweep-report/report.html"));
}

TEST_F(Tool, TooLittleRoomIsSaidBeforeTheAnalysis) {
  std::uintmax_t free = 6'999'999;  // 2 MB and 25 frames of 0.2 MB are 7 MB
  stages_.free_bytes = [&](const fs::path&) { return std::optional(free); };
  EXPECT_EQ(run_tool({"check", "card"}), 4);
  EXPECT_THAT(err(), HasSubstr("too little room for a report: 7 MB may be needed, 6 are free"));
  EXPECT_TRUE(analysed_with_.empty());
  EXPECT_TRUE(fs::is_empty("."));
  free = 7'000'000;
  EXPECT_EQ(run_tool({"check", "card"}), 0);
}

/// Real pictures on a card that is pulled out after so many were read.
class PulledOut : public Tool {
 protected:
  PulledOut() {
    for (const char* sample : {"meadow-complete", "meadow-gap"})
      copy_jpegs(std::string(RINGSWEEP_SAMPLES "/") + sample, "card/DCIM/100ABCDE");
    stages_.find_bursts = find_bursts;
    stages_.analyse = ringsweep::analyse;
    stages_.view = decode_view;
    stages_.decode = [this](const FrameRef& frame, const DecodeOptions& options) {
      const std::scoped_lock lock(mutex_);
      if (pull_out_(frame)) fs::remove_all("card");
      return decode(frame, options);
    };
  }
  std::function<bool(const FrameRef&)> pull_out_;

 private:
  std::mutex mutex_;
};

TEST_F(PulledOut, WhatWasReadIsReportedAndTheRestIsNamed) {
  // The newest burst comes first; of the older one nothing is left to read.
  pull_out_ = [](const FrameRef& frame) { return frame.file < "DSC02200.JPG"; };
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  EXPECT_THAT(out(), HasSubstr("Not yet, 2201 to 2223: nothing sharp between 2212 and 2213."));
  EXPECT_EQ(line_count(err()), 29) << err();
  EXPECT_THAT(err(), HasSubstr("DSC02101.JPG: the file is not there any more"));
  EXPECT_THAT(err(), HasSubstr("DSC02129.JPG: the file is not there any more"));
  EXPECT_TRUE(fs::exists("ringsweep-report/report.html"));
}

TEST_F(PulledOut, InTheMiddleOfABurstItsOtherFramesStillCount) {
  copy_jpegs(RINGSWEEP_SAMPLES "/meadow-gap", "one");
  int reads = 0;
  pull_out_ = [&](const FrameRef&) {
    constexpr int kInTheMiddle = 15;  // of 23 frames
    if (++reads == kInTheMiddle) fs::remove_all("one");
    return false;
  };
  EXPECT_EQ(run_tool({"check", "one"}), 1);
  const auto burst = nlohmann::json::parse(read_file("ringsweep-report/report.json"))["bursts"][0];
  ASSERT_EQ(burst["frames"].size(), 23U);
  std::ptrdiff_t unreadable = 0;
  for (const auto& frame : burst["frames"])
    for (const auto& flag : frame["flags"]) unreadable += flag == "unreadable" ? 1 : 0;
  EXPECT_GT(unreadable, 0);
  EXPECT_LT(unreadable, 23);
  EXPECT_EQ(line_count(err()), unreadable) << err();
}

// Two bursts where one was found: a picture of something else lay between.
TEST_F(Tool, ABurstThatIsPartedIsReportedAsSeveral) {
  stages_.analyse = [](const Burst&, const ReadFrame&, const AnalysisOptions&, const Progress&) {
    std::vector bursts{made::complete_burst(1207, 9), made::gapped_burst()};
    for (int i = 0; i < 2; ++i)
      bursts[static_cast<std::size_t>(i)].depth = {
          .q_px = cv::Mat(4, 6, CV_32FC1, cv::Scalar(20.0 * i)),
          .weight = cv::Mat(4, 6, CV_32FC1, cv::Scalar(1)),
          .role = {},
          .tile_px = 1000.0};
    return bursts;
  };
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  EXPECT_THAT(out(), HasSubstr("Good, 1207 to 1215"));
  EXPECT_THAT(out(), HasSubstr("Not yet, 1301 to 1324"));
  const auto report = nlohmann::json::parse(read_file("ringsweep-report/report.json"));
  ASSERT_EQ(report["bursts"].size(), 2U);
  EXPECT_EQ(report["bursts"][0]["verdict"], "complete");
  EXPECT_EQ(report["bursts"][0]["frames"][0]["index"], 1);
  EXPECT_EQ(report["bursts"][1]["verdict"], "reshoot");
  EXPECT_EQ(report["bursts"][1]["frames"][0]["index"], 1);
  EXPECT_EQ(report["scenes"].size(), 2U);
  const std::string first = read_file("ringsweep-report/depth-1.png");
  EXPECT_THAT(first, StartsWith("\x89PNG"));
  EXPECT_NE(read_file("ringsweep-report/depth-2.png"), first);
}

TEST_F(Tool, NothingIsEverThrownAtTheShell) {
  stages_.find_bursts = [](std::span<const fs::path>, const IntakeOptions&) -> Intake {
    throw std::runtime_error("two\nlines");
  };
  EXPECT_EQ(run_tool({"check", "card"}), 1);
  EXPECT_EQ(err(), "ringsweep: stopped by an unexpected error: two lines.\n");
  EXPECT_TRUE(fs::is_empty("."));
}

TEST_F(Tool, OurOwnDepthPicturesAreNoBurst) {
  scratch_.put("work/old/report.json", R"({"format": "ringsweep-report", "bursts": []})");
  Burst own = burst_of(6);
  for (std::size_t k = 0; k < 6; ++k) {
    own.frames[k].file = "depth-" + std::to_string(k + 1) + ".png";
    own.frames[k].path = (scratch_ / "work/old" / own.frames[k].file).string();
  }
  intake_.bursts = {own};
  EXPECT_EQ(run_tool({"check", "."}), 3);
}

TEST_F(Tool, HelpAndVersionGoToStandardOutput) {
  EXPECT_EQ(run_tool({"--version"}), 0);
  EXPECT_THAT(out(), ::testing::MatchesRegex("ringsweep [0-9]+\\.[0-9]+\\.[0-9]+\n"));
  EXPECT_EQ(run_tool({"check", "--help"}), 0);
  EXPECT_THAT(out(), HasSubstr("Exit status"));
  EXPECT_EQ(run_tool({"--help"}), 0);
  for (const char* command : {"check", "plan", "stacklist", "watch"})
    EXPECT_THAT(out(), HasSubstr(command));
}

/// What the lens tests say of it, and what the analysis then knows.
const std::vector<std::string> kRing{
    "--moves", "lens", "--magnification", "0.5", "--working-f-number", "16", "--pitch-um", "5"};

std::vector<std::string> with_ring(std::vector<std::string> arguments) {
  arguments.insert(arguments.end(), kRing.begin(), kRing.end());
  return arguments;
}

/// A burst near side first, its picture larger towards near: positions fall from 72 to 0 px.
BurstAnalysis lens_burst() {
  BurstAnalysis burst = made::complete_burst();
  for (std::size_t k = 0; k < burst.frames.size(); ++k) {
    *burst.frames[k].focus_px = 72.0 - *burst.frames[k].focus_px;
    burst.frames[k].scale = std::exp(1e-3 * *burst.frames[k].focus_px);
  }
  burst.near_side = {.from = NearSideSource::user, .probability = 1.0};
  burst.ring = {
      .working_f_number = 16.0, .pitch_mm = 0.005, .magnification = 0.5, .focus_by = FocusBy::lens};
  return burst;
}

TEST_F(Tool, ALensIsLearntAndUsedFromThenOn) {
  const Environment config("XDG_CONFIG_HOME", (scratch_ / "config").c_str());
  results_ = {lens_burst()};
  EXPECT_EQ(run_tool(with_ring({"check", "card", "--learn-lens", "hill60", "--turned", "96"})), 0);
  // 72 px of 5 um at f/16 are 5.76 mm, / (1 - 0.5^2) = 7.68 mm of extension: 12.5 degrees a mm.
  EXPECT_THAT(out(), HasSubstr("Learnt lens hill60: 12.5 degrees a mm of extension"));
  EXPECT_THAT(out(), HasSubstr("larger when it focuses nearer, below life size"));
  EXPECT_EQ(err(), "");
  EXPECT_TRUE(fs::exists(scratch_ / "config/ringsweep/lenses/hill60.json"));

  EXPECT_EQ(run_tool(with_ring({"check", "card", "--lens", "hill60"})), 0);
  EXPECT_EQ(err(), "");
  ASSERT_EQ(analysed_with_.size(), 2U);
  EXPECT_EQ(analysed_with_[1].larger_picture, Side::near);
  EXPECT_NEAR(analysed_with_[1].lens.degrees_per_mm.value(), 12.5, 1e-9);

  // Beyond life size, or nothing said of it: not carried over, and said so.
  EXPECT_EQ(run_tool({"check", "card", "--lens", "hill60", "--moves", "lens", "--magnification",
                      "2", "--working-f-number", "16", "--pitch-um", "5"}),
            0);
  EXPECT_FALSE(analysed_with_[2].larger_picture);
  EXPECT_THAT(err(), HasSubstr("were not learnt for this magnification"));
  EXPECT_EQ(run_tool({"check", "card", "--lens", "hill60"}), 0);
  EXPECT_FALSE(analysed_with_[3].larger_picture);
  EXPECT_THAT(err(), HasSubstr("say --moves lens or --moves body, --magnification M, "
                               "--working-f-number N (or --f-number-is marked) and --pitch-um P"));
  EXPECT_EQ(line_count(err()), 2);
}

TEST_F(Tool, NoLensIsLearntFromWhatDoesNotTellIt) {
  const Environment config("XDG_CONFIG_HOME", (scratch_ / "config").c_str());
  const std::vector<std::string> learn{"check", "card", "--learn-lens", "hill60", "--turned", "96"};
  EXPECT_EQ(run_tool(learn), 2);
  EXPECT_THAT(err(), HasSubstr("--magnification M"));
  EXPECT_TRUE(analysed_with_.empty()) << "said before the analysis";
  intake_.bursts = {burst_of(25), burst_of(25)};
  EXPECT_EQ(run_tool(with_ring(learn)), 2);
  EXPECT_THAT(err(), HasSubstr("give the pictures of one sweep alone"));
  EXPECT_TRUE(analysed_with_.empty());

  intake_.bursts = {burst_of(25)};
  results_ = {lens_burst()};
  results_[0].sweeps.push_back(results_[0].sweeps[0]);
  EXPECT_EQ(run_tool(with_ring(learn)), 1);
  EXPECT_THAT(err(), HasSubstr("in 2 sweeps; give the pictures of one sweep alone"));
  EXPECT_THAT(out(), StartsWith("Good,"));
  EXPECT_FALSE(fs::exists(scratch_ / "config/ringsweep/lenses/hill60.json"));

  scratch_.put("config/ringsweep/lenses/hill60.json", "mine");
  EXPECT_EQ(run_tool(with_ring(learn)), 2);
  EXPECT_EQ(read_file(scratch_ / "config/ringsweep/lenses/hill60.json"), "mine");
}

}  // namespace
}  // namespace ringsweep::app
