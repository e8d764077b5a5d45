// report.html and frames.csv: whole, well-formed, complete in itself, whatever the names of the
// files. What it does in a browser: tests/browser/.

#include "ringsweep/page.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <limits>
#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <string>
#include <vector>

#include "report/made_analysis.h"

namespace ringsweep {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

constexpr float kUnknown = std::numeric_limits<float>::quiet_NaN();
constexpr auto kSubject = static_cast<std::uint8_t>(TileRole::subject);

/// A picture of 6000 x 4000 px in tiles of 100 px, all subject, deeper from left to right.
BurstAnalysis with_depth(BurstAnalysis burst) {
  burst.depth = {.q_px = cv::Mat1f(40, 60),
                 .weight = cv::Mat1f::ones(40, 60),
                 .role = cv::Mat1b(40, 60, kSubject),
                 .tile_px = 100.0};
  burst.depth.reference_from_tile = {100.0, 0.0, 49.5, 0.0, 100.0, 49.5, 0.0, 0.0, 1.0};
  for (int row = 0; row < 40; ++row)
    for (int col = 0; col < 60; ++col)
      burst.depth.q_px.at<float>(row, col) = 1.5F * static_cast<float>(col);
  burst.depth.q_px.at<float>(0, 0) = kUnknown;
  burst.working_px_per_px = 2.0;
  return burst;
}

/// Every kind of finding: a gap, a soft place, an open end, a part that moved, one that trembled,
/// drops that went.
BurstAnalysis eventful_burst() {
  BurstAnalysis burst = with_depth(made::gapped_burst());
  // 3 px apart, but 7 px between frames 9 and 10 and 6.2 px between 14 and 15.
  for (std::size_t k = 10; k < burst.frames.size(); ++k)
    *burst.frames[k].focus_px += k < 15 ? 4.0 : 7.2;
  burst.coverage.gaps.push_back({.lower = 14,
                                 .upper = 15,
                                 .width_px = 5.0,
                                 .subject_share = 0.004,
                                 .soft = true,
                                 .box_px = {4500, 1000, 200, 400}});
  burst.coverage.ends[1].open = true;
  burst.coverage.ends[1].beyond_px = 4.0;
  burst.coverage.ends[1].box_px = {5800, 0, 200, 4000};
  burst.movement.looked = true;
  burst.movement.parts = {
      {.frame = 8, .box_px = {2000, 1000, 300, 300}, .shift_px = 5.0, .conflict = true},
      {.kind = MoveKind::to_and_fro, .frame = 12, .box_px = {2500, 0, 200, 200}}};
  burst.drops.looked = true;
  burst.drops.lost = {{.at = {3000, 2000}, .radius_px = 10, .q_px = 36, .before = 11, .after = 12}};
  return burst;
}

std::vector<PageBurst> with_pictures(std::span<const BurstAnalysis> bursts) {
  std::vector<PageBurst> more;
  for (const BurstAnalysis& burst : bursts) {
    PageBurst& one = more.emplace_back();
    one.pictures.frames.assign(burst.frames.size(), {.jpeg = "foobar", .size = {720, 480}});
    one.pictures.look = {.jpeg = "foob", .size = {1200, 800}};
    one.pictures.proofs.assign(findings(burst).size(), {.before = {.jpeg = "fo", .size = {9, 9}},
                                                        .after = {.jpeg = "f", .size = {9, 9}}});
  }
  return more;
}

std::string page_of(const std::vector<BurstAnalysis>& bursts, const PageRun& run = {}) {
  return report_page(bursts, group_scenes(bursts), with_pictures(bursts), run);
}

/// What stands in the page's elements of JSON, by their id.
nlohmann::json json_in(const std::string& page, const std::string& id) {
  const std::string open = R"(<script type="application/json" id=")" + id + "\">";
  const std::size_t from = page.find(open) + open.size();
  return nlohmann::json::parse(page.substr(from, page.find("</script>", from) - from));
}

/// Elements that are not closed, or closed out of order (HTML Living Standard, 13.1.2, with the
/// void elements of 13.1.2.1 that the page uses). Scripts and styles end at their own end tag.
std::string not_well_formed(const std::string& page) {
  static const std::set<std::string> kVoid{"meta", "br", "img"};
  static const std::regex kTag(
      R"(<(/?)([a-zA-Z][a-zA-Z0-9-]*)((?:[^<>"']|"[^"]*"|'[^']*')*?)(/?)>)");
  std::vector<std::string> open;
  for (auto at = page.cbegin();;) {
    std::smatch tag;
    if (!std::regex_search(at, page.cend(), tag, kTag)) break;
    at = tag[0].second;
    const std::string name = tag[2];
    if (tag[1].length() > 0) {
      if (open.empty() || open.back() != name) return "</" + name + "> closes nothing";
      open.pop_back();
    } else if (!kVoid.contains(name) && tag[4].length() == 0) {
      open.push_back(name);
      if (name == "script" || name == "style") {
        const std::string end = "</" + name + ">";
        at = std::search(at, page.cend(), end.begin(), end.end());
      }
    }
  }
  return open.empty() ? "" : "<" + open.back() + "> is not closed";
}

TEST(ReportPage, IsWellFormedAndEndsWhereItShould) {
  const std::string page = page_of({eventful_burst(), made::complete_burst()});
  EXPECT_TRUE(page.starts_with("<!doctype html>"));
  EXPECT_EQ(not_well_formed(page), "");
  EXPECT_TRUE(page.ends_with("</html>\n"));
  EXPECT_EQ(not_well_formed("<p><b></p>"), "</p> closes nothing");  // the check sees something
}

TEST(ReportPage, AsksForNothingOutsideItself) {
  const std::string page = page_of({eventful_burst()});
  const std::regex address(R"((https?:)?//[a-z0-9.-]+\.[a-z]{2,}[^\s"'<>]*)");
  // Names, not places; and in comments the library of charts says whence it is.
  const std::regex name(
      R"(http://www\.w3\.org/(1999/xhtml|1999/xlink|2000/svg|2000/xmlns/|XML/1998/namespace))");
  const std::regex module(R"(https://d3js\.org/d3-[a-z-]+/)");
  for (std::sregex_iterator at(page.begin(), page.end(), address), end; at != end; ++at) {
    const bool in_comment = at->prefix().str().ends_with("\n// ");
    EXPECT_TRUE(std::regex_match(at->str(), in_comment ? module : name)) << at->str();
  }
  for (const char* word : {"<link", "@import", "<script src", "fetch(", "XMLHttpRequest", "srcset"})
    EXPECT_THAT(page, Not(HasSubstr(word)));
  EXPECT_THAT(page, HasSubstr("default-src 'none'"));
}

TEST(ReportPage, NamesOfFilesStayNames) {
  const std::string name = R"(</script><b>&"'{{data}}.JPG)";
  BurstAnalysis burst = eventful_burst();
  burst.frames[3].file = name;
  burst.folder = "<i>&\"" + name;
  const std::string page = page_of({burst}, {.paths = "'<card>'", .left_out = "<u>&"});
  EXPECT_EQ(not_well_formed(page), "");
  for (const char* tag : {"<b>", "<i>", "<card>", "<u>"}) EXPECT_THAT(page, Not(HasSubstr(tag)));
  const auto data = json_in(page, "data");
  EXPECT_EQ(data["report"]["bursts"][0]["frames"][3]["file"], name);
  EXPECT_EQ(data["report"]["bursts"][0]["folder"], burst.folder);
  EXPECT_EQ(data["paths"], "'<card>'");
  EXPECT_THAT(page, HasSubstr("<title>&lt;i&gt;&amp;&quot;&lt;/script&gt;"));
}

TEST(ReportPage, BytesThatAreNoUtf8DoNoHarm) {
  BurstAnalysis burst = made::complete_burst();
  burst.frames[0].file = "DSC\xff.JPG";
  EXPECT_EQ(json_in(page_of({burst}), "data")["pages"][0]["labels"].size(), 25U);
}

TEST(ReportPage, HasTheSummaryWithoutAnyScript) {
  const BurstAnalysis burst = made::gapped_burst();
  const std::string page = page_of({burst});
  EXPECT_THAT(page, HasSubstr("<pre id=\"plain\">" + summary_text(burst)));
}

TEST(ReportPage, HasTheLinesOfTheSummaryAndTheNextStep) {
  const BurstAnalysis burst = made::gapped_burst();
  const auto page = json_in(page_of({burst}), "data")["pages"][0];
  EXPECT_EQ(page["lines"][0], "Not yet, 1301 to 1324: nothing sharp between 1310 and 1311.");
  EXPECT_THAT(summary_text(burst), HasSubstr(page["action"].get<std::string>().substr(0, 40)));
}

TEST(ReportPage, HasEveryFindingWithItsProofs) {
  const BurstAnalysis burst = eventful_burst();
  const std::string page = page_of({burst});
  std::vector<std::string> kinds;
  const auto data = json_in(page, "data");
  for (const auto& finding : data["pages"][0]["findings"]) {
    kinds.push_back(finding["kind"]);
    EXPECT_NE(finding["words"], "");
    EXPECT_NE(finding["numbers"], "");
  }
  EXPECT_THAT(kinds,
              ::testing::UnorderedElementsAre("gap", "soft", "open", "moved", "trembled", "drops"));
  EXPECT_EQ(json_in(page, "pictures-1")["proofs"].size(), kinds.size());
}

// RFC 4648, section 10: its test vectors.
TEST(ReportPage, PicturesAreInIt) {
  const auto pictures = json_in(page_of({eventful_burst()}), "pictures-1");
  EXPECT_EQ(pictures["frames"].size(), 24U);
  EXPECT_EQ(pictures["frames"][0]["src"], "data:image/jpeg;base64,Zm9vYmFy");
  EXPECT_EQ(pictures["look"]["src"], "data:image/jpeg;base64,Zm9vYg==");
  EXPECT_EQ(pictures["proofs"][0][0]["src"], "data:image/jpeg;base64,Zm8=");
  EXPECT_EQ(pictures["proofs"][0][1]["src"], "data:image/jpeg;base64,Zg==");
  EXPECT_EQ(pictures["look"]["w"], 1200);
}

TEST(ReportPage, HoldsWhereNothingIsKnown) {
  BurstAnalysis burst;
  burst.verdict.reasons = {made::reason(ReasonKind::too_few_frames)};
  const std::vector<BurstAnalysis> bursts{burst};
  std::vector<PageBurst> more(1);
  const std::string page = report_page(bursts, group_scenes(bursts), more, {});
  EXPECT_EQ(not_well_formed(page), "");
  EXPECT_TRUE(json_in(page, "data")["pages"][0]["tiles"].is_null());
  EXPECT_THROW((void)report_page(bursts, group_scenes(bursts), {}, {}), std::invalid_argument);
  more.emplace_back();
  EXPECT_THROW((void)report_page(bursts, group_scenes(bursts), more, {}), std::invalid_argument);
}

TEST(Findings, WhatDecidesComesFirst) {
  BurstAnalysis burst = eventful_burst();
  const std::vector<Finding> found = findings(burst);
  ASSERT_EQ(found.size(), 6U);
  EXPECT_EQ(found[0].kind, FindingKind::gap);
  EXPECT_TRUE(found[0].decides);
  EXPECT_EQ(found[1].kind, FindingKind::moved);
  EXPECT_FALSE(found[2].decides);
  EXPECT_EQ(found[0].words, "Nothing sharp between 1310 and 1311.");
}

TEST(Findings, AreShownInsideThePictureWhereTheyAre) {
  const BurstAnalysis burst = eventful_burst();
  for (const Finding& finding : findings(burst)) {
    EXPECT_EQ(finding.crop_px & cv::Rect(0, 0, 6000, 4000), finding.crop_px);
    EXPECT_FALSE(finding.crop_px.empty()) << finding.words;
    EXPECT_LT(finding.before, burst.frames.size());
    EXPECT_LT(finding.after, burst.frames.size());
  }
  // Farther than 2.4 px from 27 and 34 px: at 1.5 px a column the columns 20 and 21.
  const Finding gap = findings(burst)[0];
  EXPECT_LE(gap.crop_px.x, 2000);
  EXPECT_GE(gap.crop_px.br().x, 2200);
}

TEST(Findings, AreProvedByTheSharpestFramesOfBothSides) {
  const std::vector<Finding> found = findings(eventful_burst());
  const auto moved = std::ranges::find(found, FindingKind::moved, &Finding::kind);
  // Columns 20 to 22 of the box, 30 to 33 px, median 31.5: of the frames before the move the one at
  // 21 px is nearest, of those after it that at 34 px, which is nearer than those at 24 and 27 px.
  EXPECT_EQ(moved->before, 7U);
  EXPECT_EQ(moved->after, 10U);
  const auto drops = std::ranges::find(found, FindingKind::drop_lost, &Finding::kind);
  EXPECT_EQ(drops->before, 11U);
  EXPECT_EQ(drops->after, 12U);
}

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = text.find("\r\n", at);
    lines.push_back(text.substr(at, end - at));
    at = end + 2;
  }
  return lines;
}

// RFC 4180, section 2: lines end in CRLF, a field with a comma or a quote is quoted, quotes
// doubled.
TEST(FramesCsv, HasALineForEachFrame) {
  BurstAnalysis burst = made::complete_burst();
  burst.frames[1].file = R"(a "b", c.JPG)";
  made::flag(burst, 2, FrameFlag::dark, false);
  made::flag(burst, 2, FrameFlag::shaken, false);
  burst.frames[2].focus_px.reset();
  const std::vector<BurstAnalysis> bursts{burst};
  const std::vector<std::string> lines = lines_of(frames_csv(bursts, std::vector<PageBurst>(1)));
  ASSERT_EQ(lines.size(), 26U);
  EXPECT_EQ(lines[1], "1,meadow,1,DSC01207.JPG,,0.000,0.000,0.070,yes,,-0.020,,1.000000,1,");
  EXPECT_EQ(lines[2].substr(0, 28), R"(1,meadow,2,"a ""b"", c.JPG",)");
  EXPECT_THAT(lines[3], HasSubstr(",,0.070,no,dark shaken,"));
  EXPECT_EQ(std::ranges::count(lines[0], ','), std::ranges::count(lines[1], ','));
}

TEST(FramesCsv, SaysWhatTheStackListSays) {
  const std::vector<BurstAnalysis> bursts{made::complete_burst(1207, 3)};
  std::vector<PageBurst> more(1);
  more[0].stack = BurstStack{};
  more[0].stack->lists = {
      {.frames = {0, 1},
       .left_out = {WhyLeftOut::in_the_list, WhyLeftOut::in_the_list, WhyLeftOut::outside_range},
       .thin = {}}};
  const std::vector<std::string> lines = lines_of(frames_csv(bursts, more));
  EXPECT_TRUE(lines[1].ends_with(",in the stack"));
  EXPECT_THAT(lines[3], HasSubstr(",left out: "));
}

}  // namespace
}  // namespace ringsweep
