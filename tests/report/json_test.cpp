// report.json against its schema (JSON Schema 2020-12), validated by a library that is not ours.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validation_results.hpp>
#include <valijson/validator.hpp>
#include <vector>

#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

using nlohmann::json;

const json& schema() {
  static const json loaded = json::parse(std::ifstream(RINGSWEEP_SCHEMA));
  return loaded;
}

/// The complaints, empty where the document is valid.
std::string complaints(const json& document) {
  valijson::Schema compiled;
  valijson::SchemaParser(valijson::SchemaParser::kDraft7)
      .populateSchema(valijson::adapters::NlohmannJsonAdapter(schema()), compiled);
  valijson::ValidationResults results;
  const valijson::adapters::NlohmannJsonAdapter adapter(document);
  if (valijson::Validator().validate(compiled, adapter, &results)) return {};
  std::string text = "invalid";
  for (valijson::ValidationResults::Error error; results.popError(error);) {
    text += "\n";
    for (const std::string& part : error.context) text += part;
    text += ": " + error.description;
  }
  return text;
}

BurstAnalysis everything() {
  BurstAnalysis burst = made::gapped_burst();
  burst.quarter_wave_blur_px = 3.1;
  burst.notes = {"A note."};
  std::size_t k = 0;
  for (const FrameFlag each :
       {FrameFlag::dark, FrameFlag::dim, FrameFlag::partly_lit, FrameFlag::shaken, FrameFlag::moved,
        FrameFlag::idle, FrameFlag::unreadable, FrameFlag::other_settings,
        FrameFlag::other_picture}) {
    made::flag(burst, k++, each, false);
  }
  burst.frames[6].problem = "DSC01307.JPG: empty; copy it again.";
  return burst;
}

BurstAnalysis reduced(FullSizeFrom from) {
  BurstAnalysis burst = made::with_reasons(made::complete_burst(), VerdictKind::cannot_tell,
                                           {made::reason(ReasonKind::pictures_too_small)});
  burst.full_size_from = from;
  burst.full_px_per_file_px = from == FullSizeFrom::unknown ? 1.0 : 4.0;
  burst.too_small = true;
  return burst;
}

BurstAnalysis nothing_known() {
  BurstAnalysis burst;
  for (const char* file : {"a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"}) {
    burst.frames.emplace_back();
    burst.frames.back().file = file;
    burst.frames.back().flags = {FrameFlag::unreadable};
  }
  burst.verdict.reasons = {made::reason(ReasonKind::too_few_frames)};
  return burst;
}

TEST(ReportJson, SaysWhatTheFullSizeIsFromAndWhetherTheFilesAreTooSmall) {
  const json copies = report_json(std::vector{reduced(FullSizeFrom::exif)})["bursts"][0];
  EXPECT_EQ(copies["full_size_from"], "exif");
  EXPECT_EQ(copies["full_px_per_file_px"], 4.0);
  EXPECT_EQ(copies["too_small"], true);
  EXPECT_EQ(copies["reasons"][0],
            "The pictures are too small, use the full-size files: of these, reduced copies of 6000 "
            "x 4000 px, one px is 4.00 of the full size, and the blur limit of 2.40 px does not "
            "show.");
  const json unknown = report_json(std::vector{reduced(FullSizeFrom::unknown)})["bursts"][0];
  EXPECT_EQ(unknown["full_size_from"], "unknown");
  EXPECT_NE(unknown["reasons"][0].get<std::string>().find("--full-size"), std::string::npos);
  for (const FullSizeFrom from : {FullSizeFrom::file, FullSizeFrom::exif, FullSizeFrom::raw,
                                  FullSizeFrom::user, FullSizeFrom::unknown})
    EXPECT_EQ(complaints(report_json(std::vector{reduced(from)})), "");
}

TEST(ReportJson, ValidatesAgainstTheSchema) {
  for (const auto& bursts : {std::vector<BurstAnalysis>{}, std::vector{made::complete_burst()},
                             std::vector{made::gapped_burst(), everything(), nothing_known()}}) {
    EXPECT_EQ(complaints(report_json(bursts)), "");
  }
}

TEST(ReportJson, SaysWhereTheQuarterWaveBlurComesFrom) {
  std::vector<BurstAnalysis> bursts(3, made::complete_burst());
  bursts[1].quarter_wave_blur_px = bursts[2].quarter_wave_blur_px = 3.1;
  bursts[2].working_f_number_given = bursts[2].wave_model = true;
  const json report = report_json(bursts)["bursts"];
  EXPECT_EQ(report[0]["quarter_wave_from"], nullptr);
  EXPECT_EQ(report[1]["quarter_wave_from"], "assumed");
  EXPECT_EQ(report[1]["blur_model"], "disc");
  EXPECT_EQ(report[2]["quarter_wave_from"], "given");
  EXPECT_EQ(report[2]["blur_model"], "wave");
}

// valijson reads drafts up to 7. In what this schema uses, 2020-12 means the same (its "Migrating"
// notes): the keywords below, with $defs reached by a plain JSON Pointer. Anything else in the
// schema would be skipped without a word, so it must not be there.
TEST(Schema, UsesOnlyKeywordsThatTheValidatorKnows) {
  const std::set<std::string> known{
      "$schema",    "$defs",   "$ref",    "title",   "description",     "type",     "required",
      "properties", "items",   "enum",    "const",   "anyOf",           "minItems", "maxItems",
      "minLength",  "pattern", "minimum", "maximum", "exclusiveMinimum"};
  std::vector<const json*> open{&schema()};
  while (!open.empty()) {
    const json& each = *open.back();
    open.pop_back();
    for (const auto& [keyword, value] : each.items()) {
      EXPECT_TRUE(known.contains(keyword)) << keyword;
      if (keyword == "properties" || keyword == "$defs") {
        for (const auto& [name, sub] : value.items()) open.push_back(&sub);
      } else if (keyword == "items") {
        open.push_back(&value);
      } else if (keyword == "anyOf") {
        for (const json& sub : value) open.push_back(&sub);
      }
    }
  }
}

// Each of these must be refused, or the schema promises nothing.
TEST(Schema, RefusesABrokenReport) {
  const json good = report_json(std::vector{everything()});
  ASSERT_EQ(complaints(good), "");
  const auto broken = [&](const std::string& pointer, json value) {
    json report = good;
    report[json::json_pointer(pointer)] = std::move(value);
    return complaints(report);
  };
  EXPECT_NE(broken("/format", "other"), "");
  EXPECT_NE(broken("/version", 2), "");
  EXPECT_NE(broken("/bursts/0/near_side/from", "breathing"), "");
  EXPECT_NE(broken("/bursts/0/near_side/probability", 1.001), "");
  EXPECT_NE(broken("/bursts/0/verdict", "fine"), "");
  EXPECT_NE(broken("/bursts/0/reasons", json::array()), "");
  EXPECT_NE(broken("/bursts/0/blur_limit_px", 0), "");
  EXPECT_NE(broken("/bursts/0/frames/3/index", 0), "");
  EXPECT_NE(broken("/bursts/0/frames/3/file", "folder/DSC01304.JPG"), "");
  EXPECT_NE(broken("/bursts/0/frames/3/focus_px", "3.2"), "");
  EXPECT_NE(broken("/bursts/0/frames/3/flags", json::array({"blurry"})), "");
  EXPECT_NE(broken("/bursts/0/gaps/0/width_px", nullptr), "");
  EXPECT_NE(broken("/bursts/0/gaps/0/subject_share", 1.2), "");
  EXPECT_NE(broken("/bursts/0/ends/0/end", "left"), "");
  EXPECT_NE(broken("/bursts/0/subject_px", json::array({1.0})), "");
  EXPECT_NE(broken("/scenes/0/best", 0), "");
  json without = good;
  without["bursts"][0].erase("advice");
  EXPECT_NE(complaints(without), "");
}

TEST(ReportJson, SaysWhatWasFound) {
  const json burst = report_json(std::vector{made::gapped_burst()})["bursts"][0];
  EXPECT_EQ(burst["verdict"], "reshoot");
  EXPECT_EQ(burst["reference"], "DSC01313.JPG");
  EXPECT_EQ(burst["frames"][0]["index"], 1);
  EXPECT_EQ(burst["frames"][23]["file"], "DSC01324.JPG");
  EXPECT_EQ(burst["frames"][2]["time_s"], 0.4);
  EXPECT_EQ(burst["gaps"], json::parse(R"([{"after": "DSC01310.JPG", "before": "DSC01311.JPG",
      "width_px": 7.0, "width_sd_px": 0.3, "subject_share": 0.12, "probability": 0.99,
      "soft": false, "box": [3000, 1000, 500, 400]}])"));
  EXPECT_EQ(burst["sweeps"][0]["first"], 1);
  EXPECT_EQ(burst["sweeps"][0]["last"], 24);
  EXPECT_EQ(burst["sweeps"][0]["direction"], "unknown");
  EXPECT_EQ(burst["subject_px"], json::array({4.0, 67.0}));
  EXPECT_EQ(burst["advice"]["turn_factor"], 0.5143);
  EXPECT_EQ(burst["advice"]["text"],
            "Whole sweep again: the same turn in 47 frames instead of 24.");
  EXPECT_EQ(burst["checks_made"], json::array({"coverage", "shake", "haze"}));
}

// The numbers of the details' test, 3.6 px of 5 um at f/16 working and 1:2.
TEST(ReportJson, GivesTheStepInMmAndDegreesOrNull) {
  std::vector<BurstAnalysis> bursts(3, made::complete_burst());
  bursts[0].ring = bursts[1].ring = {.working_f_number = 16.0,
                                     .pitch_mm = 0.005,
                                     .magnification = 0.5,
                                     .degrees_per_mm = 10.0,
                                     .focus_by = FocusBy::lens};
  bursts[1].ring.magnification = 1.0;
  const json report = report_json(bursts);
  EXPECT_EQ(complaints(report), "");
  const auto advice = [&](std::size_t i) { return report["bursts"][i]["advice"]; };
  EXPECT_EQ(advice(0)["step_subject_mm"], 1.152);
  EXPECT_EQ(advice(0)["step_extension_mm"], 0.384);
  EXPECT_EQ(advice(0)["step_deg"], 3.84);
  EXPECT_EQ(advice(1)["step_subject_mm"], 0.288);
  EXPECT_EQ(advice(1)["step_deg"], nullptr) << "near life size no angle is told";
  for (const char* field : {"step_subject_mm", "step_extension_mm", "step_deg"})
    EXPECT_EQ(advice(2)[field], nullptr) << field;
}

TEST(ReportJson, LeavesOutChecksThatWereNotMade) {
  const json burst = report_json(std::vector{made::complete_burst()})["bursts"][0];
  EXPECT_FALSE(burst.contains("moved"));
  EXPECT_FALSE(burst.contains("drops"));
}

TEST(ReportJson, MovedPartsStandInItOnceMovementWasLookedFor) {
  BurstAnalysis burst = made::complete_burst();
  burst.movement.looked = true;
  EXPECT_EQ(complaints(report_json(std::vector{burst})), "");
  burst.movement.parts = {{.kind = MoveKind::to_and_fro,
                           .frame = 4,
                           .box_px = {10, 20, 30, 40},
                           .shift_px = 3.25,
                           .shift_sd_px = 0.5,
                           .sharp_before = 0.75,
                           .sharp_after = 1.0,
                           .conflict = true}};
  burst.frames[4].pose = 1;
  const json report = report_json(std::vector{burst});
  EXPECT_EQ(complaints(report), "");
  const json& said = report["bursts"][0];
  EXPECT_EQ(said["moved"], json::parse(R"([{"file": "DSC01211.JPG", "box": [10, 20, 30, 40],
      "shift_px": 3.25, "shift_sd_px": 0.5, "kind": "to-and-fro", "sharp_before": 0.75,
      "sharp_after": 1.0, "conflict": true}])"));
  EXPECT_EQ(said["checks_made"], json::parse(R"(["coverage", "shake", "haze", "movement"])"));
  EXPECT_EQ(said["frames"][3]["pose"], 1);
  EXPECT_EQ(said["frames"][4]["pose"], 2);
}

TEST(ReportJson, DropsStandInItOnceTheyWereLookedFor) {
  BurstAnalysis burst = made::complete_burst();
  burst.drops = {.looked = true, .tracked = 31};
  EXPECT_EQ(complaints(report_json(std::vector{burst})), "");
  burst.drops.lost = {{.fate = DropFate::rolled,
                       .at = {120.0, 80.5},
                       .radius_px = 9.25,
                       .q_px = -1.5,
                       .before = 3,
                       .after = 4,
                       .probability = 0.97,
                       .conflict = true}};
  burst.drops.appeared = {{.fate = DropFate::came,
                           .at = {1.0, 2.0},
                           .radius_px = 4.0,
                           .q_px = 2.0,
                           .before = 3,
                           .after = 4,
                           .probability = 0.5}};
  const json report = report_json(std::vector{burst});
  EXPECT_EQ(complaints(report), "");
  EXPECT_EQ(report["bursts"][0]["drops"], json::parse(R"({"tracked": 31,
      "lost": [{"x": 120.0, "y": 80.5, "radius_px": 9.25, "focus_px": -1.5,
        "last_seen": "DSC01210.JPG", "first_missing": "DSC01211.JPG", "probability": 0.97,
        "how": "rolled", "conflict": true}],
      "appeared": [{"x": 1.0, "y": 2.0, "radius_px": 4.0, "focus_px": 2.0,
        "last_without": "DSC01210.JPG", "first_seen": "DSC01211.JPG", "probability": 0.5}]})"));
  EXPECT_EQ(report["bursts"][0]["checks_made"],
            json::parse(R"(["coverage", "shake", "haze", "drops"])"));
}

TEST(ReportJson, AGapIsNamedInCaptureOrderWhicheverWayTheRingTurned) {
  BurstAnalysis burst = made::gapped_burst();
  burst.coverage.gaps = {{.lower = 10, .upper = 9, .width_px = 7.0}};
  const json gap = report_json(std::vector{burst})["bursts"][0]["gaps"][0];
  EXPECT_EQ(gap["after"], "DSC01310.JPG");
  EXPECT_EQ(gap["before"], "DSC01311.JPG");
}

TEST(ReportJson, FirstIsTheEndWhereTheFirstSweepBegan) {
  BurstAnalysis burst = made::complete_burst();
  burst.coverage.ends[0].open = true;  // the low end
  const auto open_end = [](const BurstAnalysis& of) {
    const json report = report_json(std::vector{of});
    for (const json& end : report["bursts"][0]["ends"]) {
      if (end["state"] == "open") return end["end"].get<std::string>();
    }
    return std::string("none");
  };
  EXPECT_EQ(open_end(burst), "first");
  burst.sweeps.front().rising = false;
  EXPECT_EQ(open_end(burst), "last");
}

TEST(ReportJson, SaysWhatToGiveAgainstADoubtAboutTheLens) {
  BurstAnalysis burst = made::complete_burst();
  EXPECT_TRUE(report_json(std::vector{burst})["bursts"][0]["lens_doubt"].is_null());
  burst.lens_doubt = LensDoubt{.quarter_wave_px = 3.9996};
  json report = report_json(std::vector{burst});
  EXPECT_EQ(complaints(report), "");
  EXPECT_EQ(report["bursts"][0]["lens_doubt"],
            json({{"quarter_wave_px", 4.0}, {"give", {"working-f-number", "pitch-um"}}}));
  burst.lens_doubt = LensDoubt{
      .quarter_wave_px = std::nullopt, .needs_working_f_number = true, .needs_pitch = false};
  report = report_json(std::vector{burst});
  EXPECT_EQ(complaints(report), "");
  EXPECT_EQ(report["bursts"][0]["lens_doubt"],
            json({{"quarter_wave_px", nullptr}, {"give", json::array({"working-f-number"})}}));
}

TEST(ReportJson, HazeNamesTheFrame) {
  BurstAnalysis burst = made::complete_burst();
  EXPECT_TRUE(report_json(std::vector{burst})["bursts"][0]["haze"].is_null());
  burst.haze = Haze{.first_frame = 3, .contrast_lost = 0.12346};
  const json report = report_json(std::vector{burst});
  EXPECT_EQ(complaints(report), "");
  EXPECT_EQ(report["bursts"][0]["haze"], json({{"from", "DSC01210.JPG"},
                                               {"since", nullptr},
                                               {"contrast_lost", 0.1235},
                                               {"grows", false}}));
  burst.start_s = made::kEightMinutesToFive;
  burst.frames[3].file = "DSC\xff.JPG";  // no UTF-8
  burst.haze->grows = true;
  const json timed = report_json(std::vector{burst});
  EXPECT_EQ(complaints(timed), "");
  EXPECT_EQ(timed["bursts"][0]["haze"]["since"], "04:52");
  EXPECT_EQ(timed["bursts"][0]["haze"]["grows"], true);
  EXPECT_EQ(timed["bursts"][0]["haze"]["from"], "DSC\xEF\xBF\xBD.JPG");
}

TEST(ReportJson, NearAndFarAreNamedWhereTheyAreKnown) {
  BurstAnalysis burst = made::complete_burst();
  burst.sweeps.push_back(burst.sweeps.front());
  burst.sweeps.back().rising = false;
  json said = report_json(std::vector{burst})["bursts"][0];
  EXPECT_EQ(said["near_side"],
            json({{"from", "unknown"}, {"probability", 0.5}, {"contradicted", false}}));
  EXPECT_EQ(said["sweeps"][0]["direction"], "unknown");
  EXPECT_EQ(said["ends"][0]["end"], "first");
  for (const auto& [source, word] : {std::pair{NearSideSource::user, "user"},
                                     {NearSideSource::lens, "lens"},
                                     {NearSideSource::picture, "picture"}}) {
    burst.near_side = {.from = source, .probability = 0.9987654, .contradicted = true};
    const json report = report_json(std::vector{burst});
    EXPECT_EQ(complaints(report), "");
    said = report["bursts"][0];
    EXPECT_EQ(said["near_side"],
              json({{"from", word}, {"probability", 0.99877}, {"contradicted", true}}));
    EXPECT_EQ(said["sweeps"][0]["direction"], "nearer");
    EXPECT_EQ(said["sweeps"][1]["direction"], "farther");
    EXPECT_EQ(said["ends"][0]["end"], "far") << "positions grow towards near";
    EXPECT_EQ(said["ends"][1]["end"], "near");
  }
}

TEST(ReportJson, NumbersAreFiniteOrNull) {
  BurstAnalysis burst = made::complete_burst(1207, 5);
  burst.frames[0].focus_px = std::numeric_limits<double>::quiet_NaN();
  burst.frames[1].focus_sd_px = std::numeric_limits<double>::infinity();
  burst.frames[2].gain_ev = -0.00001;
  burst.frames[3].time_s.reset();
  burst.scale_sd.reset();
  const json out = report_json(std::vector{burst})["bursts"][0];
  EXPECT_TRUE(out["frames"][0]["focus_px"].is_null());
  EXPECT_TRUE(out["frames"][1]["focus_sd_px"].is_null());
  EXPECT_EQ(out["frames"][2]["gain_ev"].dump(), "0.0");
  EXPECT_TRUE(out["frames"][3]["time_s"].is_null());
  EXPECT_TRUE(out["scale_sd"].is_null());
}

TEST(ReportJson, CanAlwaysBeWrittenWhateverTheNamesAre) {
  BurstAnalysis burst = made::complete_burst(1207, 5);
  burst.folder = "\xFF\xFE";
  burst.frames[1].file =
      "K\xE4"
      "fer.jpg";  // Latin-1, as some cards hold it
  burst.notes = {"\xC3"};
  const json report = report_json(std::vector{burst});
  EXPECT_NO_THROW(static_cast<void>(report.dump()));
  EXPECT_EQ(complaints(report), "");
}

TEST(ReportJson, EachBurstIsItsOwnScene) {
  const json report = report_json(std::vector{made::complete_burst(), made::gapped_burst()});
  EXPECT_EQ(report["scenes"],
            json::parse(
                R"([{"bursts": [1], "verdict": "complete", "best": 1, "together": [], "whole": null,
                       "softer": null},
                      {"bursts": [2], "verdict": "reshoot", "best": 2, "together": [], "whole": null,
                       "softer": null}])"));
}

}  // namespace
}  // namespace ringsweep
