// `ringsweep plan` and lens files: what is asked for, what is printed, what is kept where.
#include "app/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "app/command_line.h"
#include "app/lens_file.h"
#include "app/scratch_folder.h"

namespace ringsweep::app {
namespace {

using ::testing::EndsWith;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;
using testing_app::CurrentFolder;
using testing_app::Environment;
using testing_app::read_file;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;
using Words = std::vector<std::string>;

class PlanTool : public ::testing::Test {
 protected:
  int run_tool(Words arguments) {
    arguments.insert(arguments.begin(), {"ringsweep", "plan"});
    std::vector<const char*> argv;
    for (const std::string& argument : arguments) argv.push_back(argument.c_str());
    out_.str("");
    err_.str("");
    const Stages stages;
    return run(static_cast<int>(argv.size()), argv.data(), {.out = &out_, .err = &err_}, stages);
  }

  [[nodiscard]] std::string out() const { return out_.str(); }
  [[nodiscard]] std::string err() const { return err_.str(); }

  ScratchFolder scratch_;
  CurrentFolder here_{scratch_.path()};
  Environment config_{"XDG_CONFIG_HOME", (scratch_ / "config").c_str()};
  std::ostringstream out_;
  std::ostringstream err_;
};

// m = 1, f/8 marked, 5 px of 6 um = 0.03 mm: 0.960 mm of depth (the published close-up form), with
// 30 % overlap 8 frames 0.672 mm apart, and one before and after.
Words life_size(const Words& more = {}) {
  Words words{"--magnification", "1",  "--f-number", "8", "--f-number-is", "marked",
              "--pitch-um",      "6",  "--depth-mm", "5", "--blur-limit",  "5",
              "--overlap",       "30", "--rate",     "6"};
  words.insert(words.end(), more.begin(), more.end());
  return words;
}

TEST_F(PlanTool, SaysWhatToDoInFewWords) {
  EXPECT_EQ(run_tool(life_size({"--moves", "body", "--degrees-per-mm", "5"})), 0);
  EXPECT_EQ(err(), "");
  EXPECT_THAT(out(), StartsWith("Plan: 5 mm of subject at magnification 1, f/8.0 marked as you "
                                "said, so f/16.0\n  working.\n"));
  EXPECT_THAT(out(), HasSubstr("\nFrames             10: 8 for the subject"));
  EXPECT_THAT(out(),
              HasSubstr("\nFrame to frame     0.672 mm of subject, 0.672 mm of extension\n"));
  EXPECT_THAT(out(),
              HasSubstr("\nRing               3.36 degrees a frame, 20.2 degrees a second\n"));
  EXPECT_THAT(out(), HasSubstr("1.50 seconds\n"));
  EXPECT_THAT(out(), HasSubstr("\nDepth of field     0.960 mm a frame"));
  EXPECT_THAT(out(), HasSubstr("\nAssumed: pupil ratio 1,"));
  std::istringstream lines(out());
  for (std::string line; std::getline(lines, line);) EXPECT_LE(line.size(), 80U) << line;
}

TEST_F(PlanTool, TheSameByExtensionAndSensor) {
  EXPECT_EQ(run_tool(life_size({"--json", "-"})), 0);
  const auto by_magnification = nlohmann::json::parse(out());
  EXPECT_EQ(by_magnification["format"], "ringsweep-plan");
  EXPECT_EQ(by_magnification["frames"], 10);
  EXPECT_NEAR(by_magnification["depth_of_field_mm"].get<double>(), 0.960, 1e-9);
  EXPECT_EQ(by_magnification["f_number_given_is"], "marked");
  EXPECT_TRUE(by_magnification["step"]["extension_mm"].is_null()) << "nobody said what moves";
  EXPECT_EQ(run_tool({"--extension-mm",
                      "60",
                      "--focal-length-mm",
                      "60",
                      "--working-f-number",
                      "16",
                      "--sensor-width-mm",
                      "36",
                      "--frame-px",
                      "6000x4000",
                      "--depth-mm",
                      "5",
                      "--blur-limit",
                      "5",
                      "--overlap",
                      "30",
                      "--rate",
                      "6",
                      "--json",
                      "-"}),
            0);
  const auto by_extension = nlohmann::json::parse(out());
  for (const char* field : {"magnification", "working_f_number", "pitch_mm", "depth_of_field_mm"})
    EXPECT_NEAR(by_extension[field].get<double>(), by_magnification[field].get<double>(), 1e-9)
        << field;
  EXPECT_EQ(by_extension["f_number_given_is"], "working");
}

TEST_F(PlanTool, NearLifeSizeSaysWhatToDoInstead) {
  EXPECT_EQ(run_tool(life_size({"--moves", "lens", "--degrees-per-mm", "5"})), 0);
  EXPECT_THAT(out(), HasSubstr("the focus ring hardly moves the plane in"));
  EXPECT_THAT(out(), Not(HasSubstr("degrees")));
  EXPECT_EQ(run_tool(life_size({"--moves", "camera"})), 0);
  EXPECT_THAT(out(), HasSubstr("as much on the rail"));
  EXPECT_THAT(out(), Not(HasSubstr("\nRing")));
}

TEST_F(PlanTool, TheFlashIsAllowedFor) {
  EXPECT_EQ(run_tool(life_size({"--flashes", "4", "--flash-wait", "0.25"})), 0);
  EXPECT_THAT(out(), HasSubstr("\nRate               4 frames a second: the flash keeps up"));
  EXPECT_THAT(out(), HasSubstr("shoot in 3 parts"));
}

TEST_F(PlanTool, Status2AndOneLineWhenSomethingIsMissingOrWrong) {
  const auto without = [](const std::string& option) {
    Words words = life_size();
    const auto at = std::ranges::find(words, option);
    words.erase(at, at + 2);
    return words;
  };
  for (const Words& words : std::vector<Words>{{},
                                               without("--magnification"),
                                               without("--f-number"),
                                               without("--f-number-is"),
                                               without("--pitch-um"),
                                               without("--depth-mm"),
                                               life_size({"--working-f-number", "16"}),
                                               life_size({"--extension-mm", "60"}),
                                               life_size({"--sensor-width-mm", "36"}),
                                               life_size({"--frame-px", "6000"}),
                                               life_size({"--blur-limit-handbook"}),
                                               life_size({"--pupil-ratio", "0"}),
                                               life_size({"--flashes", "1"}),
                                               life_size({"--moves", "ring"}),
                                               life_size({"--lens", "none"}),
                                               life_size({"--lens", "../up"}),
                                               life_size({"--speed", "1"})}) {
    EXPECT_EQ(run_tool(words), 2) << ::testing::PrintToString(words);
    EXPECT_EQ(out(), "");
    EXPECT_THAT(err(), StartsWith("ringsweep: "));
    EXPECT_THAT(err(), EndsWith("`ringsweep plan --help` shows how.\n"));
    EXPECT_EQ(std::ranges::count(err(), '\n'), 1) << err();
  }
  EXPECT_TRUE(fs::is_empty("."));
}

TEST_F(PlanTool, JsonReplacesNothingButAnEarlierPlan) {
  scratch_.put("notes.json", "{\"mine\": 1}");
  EXPECT_EQ(run_tool(life_size({"--json", "notes.json"})), 4);
  // More lists in each other than a stack of 8 MB holds, at 8 bytes a level already.
  scratch_.put("deep.json",
               "{\"format\":" + std::string(1'000'000, '[') + std::string(1'000'000, ']') + "}");
  EXPECT_EQ(run_tool(life_size({"--json", "deep.json"})), 4);
  EXPECT_EQ(read_file("notes.json"), "{\"mine\": 1}");
  EXPECT_EQ(run_tool(life_size({"--json", "plan.json"})), 0);
  EXPECT_EQ(run_tool(life_size({"--json", "plan.json", "--moves", "body"})), 0);
  EXPECT_EQ(nlohmann::json::parse(read_file("plan.json"))["moves"], "body");
}

TEST_F(PlanTool, DegreesComeFromALearntLens) {
  ASSERT_TRUE(write_lens("hill60", {.degrees_per_mm = 5.0, .degrees_per_mm_sd = 0.1}));
  EXPECT_EQ(run_tool(life_size({"--moves", "body", "--lens", "hill60"})), 0);
  EXPECT_THAT(out(), HasSubstr("3.36 degrees a frame"));
  EXPECT_THAT(out(), HasSubstr("lens hill60: 5 degrees a mm, give or take 0.1"));
  EXPECT_EQ(run_tool(life_size({"--lens", "hill6"})), 2);
  EXPECT_THAT(err(), HasSubstr("known: hill60"));
}

TEST_F(PlanTool, ALensFileComesBackAsItWas) {
  const LearntLens lens{.degrees_per_mm = 12.345678901234567,
                        .degrees_per_mm_sd = 0.1,
                        .sides = {{LifeSize::beyond, FocusBy::lens, Side::far},
                                  {LifeSize::below, FocusBy::body, Side::near}}};
  ASSERT_TRUE(write_lens("a", lens));
  const auto again = read_lens("a");
  ASSERT_TRUE(again) << one_line(again.error());
  EXPECT_EQ(again->degrees_per_mm, lens.degrees_per_mm);
  EXPECT_EQ(again->degrees_per_mm_sd, lens.degrees_per_mm_sd);
  ASSERT_EQ(again->sides.size(), 2U);
  EXPECT_EQ(again->sides[0].at, LifeSize::beyond);
  EXPECT_EQ(again->sides[0].focus_by, FocusBy::lens);
  EXPECT_EQ(again->sides[0].larger_picture, Side::far);
  EXPECT_EQ(again->sides[1].focus_by, FocusBy::body);
  const fs::path folder = scratch_ / "config/ringsweep/lenses";
  EXPECT_EQ(std::distance(fs::directory_iterator(folder), {}), 1) << "nothing half written is left";
}

TEST_F(PlanTool, ABrokenLensFileIsOneLineAndLeftAsItIs) {
  for (
      const std::string& text : Words{
          "", "{", "[]", "{\"format\": \"ringsweep-lens\", \"version\": 1}",
          R"({"format":"ringsweep-lens","version":2,"degrees_per_mm":5,"degrees_per_mm_sd":0,"sides":[]})",
          R"({"format":"ringsweep-lens","version":1,"degrees_per_mm":-5,"degrees_per_mm_sd":0,"sides":[]})",
          R"({"format":"ringsweep-lens","version":1,"degrees_per_mm":5,"degrees_per_mm_sd":0,"sides":[1]})",
          // More lists in each other than a stack of 8 MB holds, at 8 bytes a level already.
          "{\"format\":" + std::string(1'000'000, '[') + std::string(1'000'000, ']') + "}"}) {
    const fs::path file = scratch_.put("config/ringsweep/lenses/old.json", text);
    const auto lens = read_lens("old");
    ASSERT_FALSE(lens) << text;
    EXPECT_THAT(one_line(lens.error()), HasSubstr("is broken, or no lens of ringsweep"));
    EXPECT_EQ(read_file(file), text);
  }
}

TEST(LensName, IsAFilesNameAnywhere) {
  for (const char* name : {"hill60", "Tube_35-2.8", "a"}) EXPECT_EQ(why_no_lens_name(name), "");
  for (const char* name : {"", ".hidden", "../up", "a/b", "a b", "\xC3\xA9"})
    EXPECT_NE(why_no_lens_name(name), "") << name;
  EXPECT_NE(why_no_lens_name(std::string(65, 'a')), "");
}

}  // namespace
}  // namespace ringsweep::app
