// The whole job, files to verdict, on bursts whose truth is known: ray-traced by another program,
// shot with a known focus, and our own samples.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>

#include "analysed.h"
#include "ringsweep/analyse.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "ringsweep/session.h"
#include "shared_folder.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using main_job::analysed;
using main_job::truth_of;
using nlohmann::json;

struct Line {
  double slope = 0.0, offset = 0.0, rms = 0.0;
};

/// Least squares y = slope x + offset.
Line fit_line(const std::vector<double>& x, const std::vector<double>& y) {
  const auto n = static_cast<double>(x.size());
  double mx = 0, my = 0, sxx = 0, sxy = 0, sum = 0;
  for (std::size_t i = 0; i < x.size(); ++i) mx += x[i] / n, my += y[i] / n;
  for (std::size_t i = 0; i < x.size(); ++i)
    sxx += (x[i] - mx) * (x[i] - mx), sxy += (x[i] - mx) * (y[i] - my);
  Line line{.slope = sxy / sxx};
  line.offset = my - line.slope * mx;
  for (std::size_t i = 0; i < x.size(); ++i)
    sum += std::pow(y[i] - line.slope * x[i] - line.offset, 2);
  line.rms = std::sqrt(sum / n);
  return line;
}

bool has(const FrameAnalysis& frame, FrameFlag flag) {
  return std::ranges::find(frame.flags, flag) != frame.flags.end();
}

std::string verdict_name(VerdictKind kind) {
  switch (kind) {
    case VerdictKind::complete:
      return "complete";
    case VerdictKind::complete_without:
      return "complete-without";
    case VerdictKind::reshoot:
      return "reshoot";
    case VerdictKind::cannot_tell:
      break;
  }
  return "cannot-tell";
}

/// Compares with truth.json, whoever wrote it.
void expect_truth(const BurstAnalysis& said, const json& truth) {
  EXPECT_THAT(said.notes, ::testing::IsEmpty()) << "made without diffraction, the scale is sure";
  EXPECT_FALSE(said.haze) << "made without haze";
  EXPECT_EQ(verdict_name(said.verdict.kind), truth["verdict"].get<std::string>());

  // Gaps by name of the frames on both sides, whichever is nearer.
  using Pair = std::pair<std::string, std::string>;
  std::vector<Pair> true_gaps, said_gaps;
  for (const json& gap : truth["gaps"])
    true_gaps.push_back(
        std::minmax(gap["after"].get<std::string>(), gap["before"].get<std::string>()));
  for (const Gap& gap : said.coverage.gaps)
    said_gaps.push_back(std::minmax(said.frames[gap.lower].file, said.frames[gap.upper].file));
  EXPECT_THAT(said_gaps, ::testing::UnorderedElementsAreArray(true_gaps));

  std::map<std::string, const FrameAnalysis*> by_name;
  for (const FrameAnalysis& frame : said.frames) by_name[frame.file] = &frame;
  std::vector<double> true_px, said_px;
  for (const json& t : truth["frames"]) {
    const std::string file = t["file"].get<std::string>();
    ASSERT_TRUE(by_name.contains(file)) << file;
    const FrameAnalysis& frame = *by_name[file];
    const auto flags = t["flags"].get<std::vector<std::string>>();
    const bool dark = std::ranges::find(flags, "dark") != flags.end();
    const bool dim = std::ranges::find(flags, "dim") != flags.end();
    EXPECT_EQ(has(frame, FrameFlag::dark), dark) << file;
    EXPECT_EQ(has(frame, FrameFlag::dim), dim) << file;
    if (!t["on_subject"].get<bool>() || dark) continue;
    EXPECT_TRUE(frame.focus_px) << file << " has no position";
    if (!frame.focus_px) continue;
    true_px.push_back(t["focus_px"].get<double>());
    said_px.push_back(*frame.focus_px);
  }
  ASSERT_GE(true_px.size(), 3U);
  // Shift, sign and scale are free; 0.2 px is what the product asks for: a tenth of the smallest
  // blur limit, so that a gap is misjudged only where it is within 10 % of the limit.
  const Line back = fit_line(said_px, true_px);
  EXPECT_LT(back.rms, 0.2) << "px rms of " << true_px.size() << " frames";
  // The scale within 10 %, likewise.
  EXPECT_NEAR(std::abs(fit_line(true_px, said_px).slope), 1.0, 0.1);
  if (said.near_side.known()) {
    EXPECT_GT(fit_line(true_px, said_px).slope, 0.0) << "towards near";
  }
}

class RayTraced : public ::testing::TestWithParam<const char*> {};

// The sweep begins inside the subject: the near end is open, and the user knows which that is.
TEST(RayTracedSide, TheUsersWordNamesTheEnds) {
  const fs::path folder = shared_folder() / "rendered-bursts" / "beetle" / "6-late";
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent; set RINGSWEEP_SHARED";
  ASSERT_EQ(truth_of(folder)["first_end"], "near");
  for (const Side first : {Side::near, Side::far}) {
    const BurstAnalysis said = analysed(folder, 1, {.first_end = first});
    EXPECT_EQ(said.near_side.from, NearSideSource::user);
    ASSERT_EQ(said.sweeps.size(), 1U);
    EXPECT_EQ(said.sweeps.front().rising, first == Side::far);
    ASSERT_EQ(said.coverage.ends.size(), 2U);
    for (const End& end : said.coverage.ends)
      EXPECT_EQ(end.open, end.low == (first == Side::far)) << "the end where the sweep began";
  }
}

// The depth edges of this burst are many: they tell the near side, also against the user's word.
TEST(RayTracedSide, ThePictureTellsItAndContradicts) {
  const fs::path folder = shared_folder() / "rendered-bursts" / "beetle" / "2-gap";
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent; set RINGSWEEP_SHARED";
  ASSERT_EQ(truth_of(folder)["first_end"], "near");
  const BurstAnalysis alone = analysed(folder);
  EXPECT_EQ(alone.near_side.from, NearSideSource::picture);
  ASSERT_EQ(alone.sweeps.size(), 1U);
  EXPECT_FALSE(alone.sweeps.front().rising) << "from near to far";

  const BurstAnalysis wrong = analysed(folder, 1, {.first_end = Side::far});
  EXPECT_TRUE(wrong.sweeps.front().rising) << "the user wins";
  EXPECT_TRUE(wrong.near_side.contradicted);
  ASSERT_EQ(wrong.notes.size(), 1U);
  EXPECT_THAT(wrong.notes.front(),
              ::testing::HasSubstr("began at the far end; the pictures speak"));
  EXPECT_FALSE(analysed(folder, 1, {.first_end = Side::near}).near_side.contradicted);
}

TEST_P(RayTraced, IsJudgedAsTheTruthSays) {
  const fs::path folder = shared_folder() / "rendered-bursts" / "beetle" / GetParam();
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent; set RINGSWEEP_SHARED";
  expect_truth(analysed(folder), truth_of(folder));
}

INSTANTIATE_TEST_SUITE_P(Beetle, RayTraced,
                         ::testing::Values("1-complete", "2-gap", "5-flash", "6-late", "7-wobble"),
                         [](const auto& burst) {
                           std::string name = burst.param;
                           std::ranges::replace(name, '-', '_');
                           return name;
                         });

class OwnSample : public ::testing::TestWithParam<const char*> {};

TEST_P(OwnSample, IsJudgedAsTheTruthSays) {
  const fs::path folder = fs::path(RINGSWEEP_SAMPLE_BURSTS) / GetParam();
  expect_truth(analysed(folder), truth_of(folder));
}

/// A sample whose files hold f/45 and 4.4 um: quarter-wave blur 2 * 0.55 um * 45 / 4.4 um = 11.25
/// px.
BurstAnalysis small_aperture(const LensOptions& lens) {
  const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-complete"};
  Intake intake = find_bursts(paths);
  for (FrameRef& frame : intake.bursts.at(0).frames) {
    frame.settings.f_number = 45.0;
    frame.pixel_pitch_mm = 0.0044;
  }
  const auto read = [](const FrameRef& frame, int reduction) {
    return decode(frame, {.reduction = reduction});
  };
  return analyse(intake.bursts.at(0), read, {.lens = lens}).at(0);
}

TEST(SmallAperture, InTheFilesWidensTheScaleButIsNotTakenForTheWorkingOne) {
  const BurstAnalysis said = small_aperture({});
  EXPECT_FALSE(said.wave_model);
  EXPECT_FALSE(said.working_f_number_given);
  EXPECT_NEAR(said.quarter_wave_blur_px.value(), 11.25, 1e-9);  // rounding of doubles
  EXPECT_GT(said.scale_sd.value(), 0.2);
  ASSERT_EQ(said.notes.size(), 1U);
  EXPECT_THAT(said.notes[0], ::testing::HasSubstr("is about 11 px here"));
  EXPECT_THAT(said.notes[0], ::testing::HasSubstr("with --working-f-number"));
  ASSERT_TRUE(said.lens_doubt);
  EXPECT_GE(said.lens_doubt->quarter_wave_px.value(), 11.25 - 1e-9) << "the files say so much";
  EXPECT_TRUE(said.lens_doubt->needs_working_f_number);
  EXPECT_FALSE(said.lens_doubt->needs_pitch);
}

TEST(SmallAperture, GivenAsWorkingIsReckonedWith) {
  const BurstAnalysis said = small_aperture({.f_number_is = FNumberIs::working});
  EXPECT_TRUE(said.wave_model);
  EXPECT_TRUE(said.working_f_number_given);
  EXPECT_NEAR(said.quarter_wave_blur_px.value(), 11.25, 1e-9);
  EXPECT_LT(said.scale_sd.value(), 0.1);
  EXPECT_THAT(said.notes, ::testing::IsEmpty());
}

// The half-size mosaic of a raw, where the analysis would have measured at full size: still the
// same scene in px of the full-size frame.
/// A sample shot through glass on which dew settles: in frame k (from 0) `share(k)` of the light is
/// spread evenly over the picture, and its mean stays.
BurstAnalysis through_dew(const char* sample, const std::function<double(std::size_t k)>& share) {
  const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / sample};
  const Burst burst = find_bursts(paths).bursts.at(0);
  const auto read = [&](const FrameRef& frame, int reduction) {
    Result<LinearFrame> picture = decode(frame, {.reduction = reduction});
    const auto at = std::ranges::find(burst.frames, frame.file, &FrameRef::file);
    const double spread = share(static_cast<std::size_t>(at - burst.frames.begin()));
    if (picture)
      picture->luminance =
          picture->luminance * (1.0 - spread) + cv::mean(picture->luminance)[0] * spread;
    return picture;
  };
  return analyse(burst, read).at(0);
}

// There and back, 32 frames. Growth that is even in the amplitude is fitted by one that is even in
// its logarithm, and the fit holds a frame's contrast back a little (an energy's log by a tenth at
// most): a quarter of what is lost.
TEST(Dew, ThatSettlesLittleByLittleIsTold) {
  const auto grown = [](std::size_t k) { return 0.2 * static_cast<double>(k + 1) / 32.0; };
  const BurstAnalysis dewy = through_dew("meadow-two-sweeps", grown);
  ASSERT_TRUE(dewy.haze);
  EXPECT_TRUE(dewy.haze->grows);
  EXPECT_NEAR(dewy.haze->contrast_lost, 0.2, 0.05);
  EXPECT_LE(dewy.haze->first_frame, 6U);
  EXPECT_EQ(verdict_name(dewy.verdict.kind), "complete") << "softer is not out of focus";
}

TEST(Dew, ThatIsThereAtOnceIsTold) {
  const BurstAnalysis dewy =
      through_dew("meadow-complete", [](std::size_t k) { return k < 15 ? 0.0 : 0.15; });
  ASSERT_TRUE(dewy.haze);
  EXPECT_FALSE(dewy.haze->grows);
  EXPECT_NEAR(dewy.haze->contrast_lost, 0.15, 0.02);  // as above, over few frames
  EXPECT_EQ(dewy.haze->first_frame, 15U);
}

// Dew that lay on the glass all through the second burst shows in no course along it.
TEST(Dew, ThatLiesOnTheGlassBetweenTwoBurstsIsTold) {
  const auto clear = [](std::size_t) { return 0.0; };
  const auto hazy = [](std::size_t) { return 0.2; };
  const std::vector<BurstAnalysis> bursts{through_dew("meadow-complete", clear),
                                          through_dew("meadow-complete", hazy),
                                          through_dew("meadow-two-sweeps", clear)};
  EXPECT_FALSE(bursts[1].haze);
  const auto softer = find_softer(bursts, {.bursts = {0, 1}});
  ASSERT_TRUE(softer);
  EXPECT_EQ(softer->burst, 1U);
  EXPECT_EQ(softer->than, 0U);
  // Each tile loses its share of what it differs from the mean by; noise loses it too.
  EXPECT_NEAR(softer->contrast_lost, 0.2, 0.04);
  EXPECT_FALSE(find_softer(bursts, {.bursts = {1, 0}})) << "clearer is not softer";
  EXPECT_FALSE(find_softer(bursts, {.bursts = {0, 2}})) << "another burst of the same scene";
}

TEST(HalfSizeFrames, AreJudgedInPxOfTheFullSizeFrame) {
  const fs::path folder = fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-gap";
  const BurstAnalysis said = analysed(folder, 2);
  EXPECT_EQ(said.verdict.kind, VerdictKind::reshoot);
  const json truth = truth_of(folder);
  std::vector<double> known, px;
  for (std::size_t k = 0; k < said.frames.size(); ++k) {
    const json& frame = truth["frames"][k];
    if (!frame["on_subject"].get<bool>() || !said.frames[k].focus_px) continue;
    known.push_back(frame["focus_px"].get<double>());
    px.push_back(*said.frames[k].focus_px);
  }
  ASSERT_GE(px.size(), 10U);
  // The room that the design leaves the scale at first. Taken for full size, the pictures would
  // give half of it.
  EXPECT_NEAR(std::abs(fit_line(known, px).slope), 1.0, 0.1);
  ASSERT_EQ(said.coverage.gaps.size(), 1U);
  EXPECT_EQ(std::minmax(said.frames[said.coverage.gaps[0].lower].file,
                        said.frames[said.coverage.gaps[0].upper].file),
            std::minmax(truth["gaps"][0]["after"].get<std::string>(),
                        truth["gaps"][0]["before"].get<std::string>()));
}

/// Pictures that were never files, shot among those of a folder: read by a fake reader.
class Between {
 public:
  explicit Between(const char* folder) {
    const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / folder};
    sample_ = find_bursts(paths).bursts.at(0).frames;
    full_size_ = sample_.at(0).full_size.value();
  }
  void add_sample(std::size_t first, std::size_t count) {
    for (std::size_t k = first; k < first + count; ++k) burst_.frames.push_back(sample_.at(k));
  }
  void add_picture(const std::string& name, const cv::Mat& luminance) {
    FrameRef frame = sample_.at(0);
    frame.path = frame.file = name;
    frame.time_s.reset();
    burst_.frames.push_back(frame);
    pictures_[name] = luminance;
  }
  /// A smooth texture such as skin far out of focus, or another meadow; mean 0.3.
  [[nodiscard]] cv::Mat texture(unsigned seed, double contrast = 0.1) const {
    cv::RNG random(seed);
    cv::Mat small(full_size_ / 16, CV_32FC1), large;
    random.fill(small, cv::RNG::NORMAL, 0.0, 1.0);
    cv::GaussianBlur(small, small, {}, 1.5);
    cv::Scalar mean, sd;
    cv::meanStdDev(small, mean, sd);
    small = cv::max((small - mean[0]) * (contrast / sd[0]) + 0.3, 0.01);
    cv::resize(small, large, full_size_, 0, 0, cv::INTER_CUBIC);
    return large;
  }
  /// The inside of a cap that lets some light in, about 1.5 EV below the meadow.
  [[nodiscard]] cv::Mat cap() const {
    cv::Mat picture(full_size_, CV_32FC1);
    cv::RNG(7).fill(picture, cv::RNG::NORMAL, 0.08, 0.003);
    return picture;
  }
  [[nodiscard]] std::vector<BurstAnalysis> analysed() const {
    return analyse(burst_, [this](const FrameRef& frame, int reduction) -> Result<LinearFrame> {
      const auto made = pictures_.find(frame.file);
      if (made == pictures_.end()) return decode(frame, {.reduction = reduction});
      LinearFrame picture;
      picture.full_size = full_size_;
      picture.full_px_per_px = reduction;
      cv::resize(made->second, picture.luminance, full_size_ / reduction, 0, 0, cv::INTER_AREA);
      picture.clipped = picture.luminance >= 1.0F;
      return picture;
    });
  }

 private:
  std::vector<FrameRef> sample_;
  cv::Size full_size_;
  Burst burst_{.folder = "meadow", .frames = {}};
  std::map<std::string, cv::Mat> pictures_;
};

std::vector<std::string> files_with(const BurstAnalysis& burst, FrameFlag flag) {
  std::vector<std::string> files;
  for (const FrameAnalysis& frame : burst.frames)
    if (has(frame, flag)) files.push_back(frame.file);
  return files;
}

// Design section 2: a picture of something else (a hand, the cap) parts a burst.
TEST(SomethingElse, PartsTwoSweepsOfOneSceneAndIsNamedInTheFirst) {
  Between burst("meadow-complete");
  burst.add_sample(0, 29);
  burst.add_picture("hand-1", burst.texture(1));
  burst.add_picture("hand-2", burst.texture(2));
  burst.add_picture("cap", burst.cap());
  burst.add_sample(0, 29);
  const std::vector<BurstAnalysis> said = burst.analysed();
  ASSERT_EQ(said.size(), 2U);
  ASSERT_EQ(said[0].frames.size(), 32U);
  EXPECT_THAT(files_with(said[0], FrameFlag::other_picture),
              ::testing::ElementsAre("hand-1", "hand-2", "cap"));
  for (std::size_t k = 29; k < 32; ++k) {
    EXPECT_EQ(said[0].frames[k].flags.size(), 1U) << said[0].frames[k].file;
    EXPECT_FALSE(said[0].frames[k].usable);
    EXPECT_FALSE(said[0].frames[k].focus_px);
  }
  // The second has indices and times of its own, and is judged as if it were alone: to the bit.
  ASSERT_EQ(said[1].frames.size(), 29U);
  EXPECT_EQ(said[1].frames[0].file, said[0].frames[0].file);
  EXPECT_EQ(said[1].frames[0].time_s, 0.0);
  const BurstAnalysis alone =
      ringsweep::analysed(fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-complete");
  for (std::size_t k = 0; k < 29; ++k)
    EXPECT_EQ(said[1].frames[k].focus_px, alone.frames[k].focus_px) << alone.frames[k].file;
  for (const BurstAnalysis& burst_said : said) {
    EXPECT_EQ(burst_said.folder, "meadow");
    EXPECT_EQ(burst_said.verdict.kind, VerdictKind::complete);
    EXPECT_TRUE(files_with(burst_said, FrameFlag::dark).empty());
  }
}

TEST(SomethingElse, AsATestShotNearAnEndPartsNothing) {
  Between burst("meadow-complete");
  burst.add_picture("shoe", burst.texture(3));
  burst.add_sample(0, 25);
  burst.add_picture("sky", burst.texture(4));
  burst.add_sample(25, 4);
  const std::vector<BurstAnalysis> said = burst.analysed();
  ASSERT_EQ(said.size(), 1U);
  EXPECT_THAT(files_with(said[0], FrameFlag::other_picture), ::testing::ElementsAre("shoe", "sky"));
  EXPECT_EQ(said[0].verdict.kind, VerdictKind::complete);
}

// Another subject without a pause between: each is judged by its own light and its own frames.
TEST(SomethingElse, AnotherSceneIsAnotherBurst) {
  Between burst("meadow-complete");
  burst.add_sample(0, 29);
  const cv::Mat scene = burst.texture(5, 0.2) * 2.0;  // one EV brighter
  for (int k = 0; k < 6; ++k) {
    cv::Mat frame;
    cv::GaussianBlur(scene, frame, {}, 1.0 + std::abs(k - 2));
    burst.add_picture("other-" + std::to_string(k), frame);
  }
  const std::vector<BurstAnalysis> said = burst.analysed();
  ASSERT_EQ(said.size(), 2U);
  EXPECT_EQ(said[0].frames.size(), 29U);
  EXPECT_EQ(said[0].verdict.kind, VerdictKind::complete);
  ASSERT_EQ(said[1].frames.size(), 6U);
  EXPECT_EQ(said[1].frames[0].file, "other-0");
  EXPECT_FALSE(said[1].verdict.reasons.empty());
}

class Stopped : public ::testing::TestWithParam<const char*> {};

TEST_P(Stopped, AnalysisReadsNoMoreAndSaysNothing) {
  constexpr int kThreads = 2;
  const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-gap"};
  const Burst burst = find_bursts(paths).bursts.at(0);
  std::atomic<int> reads = 0, callers = 0, reads_at_stop = -1, calls_after = 0;
  const auto read = [&](const FrameRef& frame, int reduction) {
    ++reads;
    return decode(frame, {.reduction = reduction});
  };
  const auto progress = [&](const char* stage, std::size_t done, std::size_t) {
    EXPECT_EQ(++callers, 1) << "never by two threads at once";
    if (reads_at_stop >= 0) ++calls_after;
    const bool stop = stage == std::string(GetParam()) && (done >= 2 || stage[0] == 'f');
    if (stop && reads_at_stop < 0) reads_at_stop = reads.load();
    --callers;
    return !stop;
  };
  AnalysisOptions options;
  options.threads = kThreads;
  EXPECT_TRUE(analyse(burst, read, options, progress).empty());
  ASSERT_GE(reads_at_stop, 0) << "never came to " << GetParam();
  EXPECT_EQ(calls_after, 0);
  // What each thread had begun it may end.
  EXPECT_LE(reads, reads_at_stop + kThreads);
}

INSTANTIATE_TEST_SUITE_P(While, Stopped, ::testing::Values("looking", "measuring", "fitting"),
                         [](const auto& stage) { return std::string(stage.param); });

// Where there is room a file is opened once for all that is measured: a card is slow. With the
// least memory some are read again, and the answer is the same.
TEST(Reading, IsDoneOnceWhereThePicturesCanBeHeld) {
  const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-gap"};
  const Burst burst = find_bursts(paths).bursts.at(0);
  std::atomic<std::size_t> reads = 0;
  const auto read = [&](const FrameRef& frame, int reduction) {
    ++reads;
    return decode(frame, {.reduction = reduction});
  };
  const std::vector<BurstAnalysis> said = analyse(burst, read);
  EXPECT_EQ(reads, burst.frames.size());

  // A reader that does not tell what the camera's picture has: one frame is opened to learn it.
  Burst untold = burst;
  for (FrameRef& frame : untold.frames) frame.full_size.reset(), frame.file_size.reset();
  reads = 0;
  const std::vector<BurstAnalysis> untold_said = analyse(untold, read);
  EXPECT_EQ(reads, burst.frames.size() + 1);
  ASSERT_EQ(untold_said.size(), said.size());
  for (std::size_t k = 0; k < burst.frames.size(); ++k)
    EXPECT_EQ(untold_said[0].frames[k].focus_px, said[0].frames[k].focus_px);
}

TEST(NoFrames, AreAnsweredWithAReason) {
  const auto none = [](const FrameRef&, int) -> Result<LinearFrame> { return {}; };
  const std::vector<BurstAnalysis> said = analyse({}, none);
  ASSERT_EQ(said.size(), 1U);
  EXPECT_EQ(said[0].verdict.kind, VerdictKind::cannot_tell);
  ASSERT_EQ(said[0].verdict.reasons.size(), 1U);
  EXPECT_EQ(said[0].verdict.reasons[0].kind, ReasonKind::too_few_frames);
}

INSTANTIATE_TEST_SUITE_P(Meadow, OwnSample,
                         ::testing::Values("meadow-complete", "meadow-gap", "meadow-flash",
                                           "meadow-two-sweeps"),
                         [](const auto& burst) {
                           std::string name = burst.param;
                           std::ranges::replace(name, '-', '_');
                           return name;
                         });

// Stacks whose focus was moved one way, frame by frame: the order of the positions is the order in
// which they were shot. Kendall's tau is the share of pairs in order less that of pairs out of it.
// 0.95 over the frames that claim an sd of at most 1 px, half of the frames at least: what the
// product asks for. Neighbours that are a fraction of a px apart may change places.
class OneWayStack : public ::testing::TestWithParam<const char*> {
 protected:
  [[nodiscard]] static fs::path folder() { return shared_folder() / "real-bursts" / GetParam(); }
  void SetUp() override {
    if (!fs::exists(folder())) GTEST_SKIP() << folder() << " is absent; set RINGSWEEP_SHARED";
  }
  static void expect_in_order(const BurstAnalysis& said) {
    std::vector<double> px;
    for (const FrameAnalysis& frame : said.frames)
      if (frame.focus_px && frame.focus_sd_px.value_or(99.0) <= 1.0) px.push_back(*frame.focus_px);
    EXPECT_GE(2 * px.size(), said.frames.size());
    ASSERT_GE(px.size(), 5U);
    double in_order = 0.0, pairs = 0.0;
    for (std::size_t i = 0; i < px.size(); ++i)
      for (std::size_t j = 0; j < i; ++j)
        in_order += px[i] > px[j] ? 1.0 : px[i] < px[j] ? -1.0 : 0.0, pairs += 1.0;
    EXPECT_GE(std::abs(in_order) / pairs, 0.95);
  }
};

TEST_P(OneWayStack, IsOrderedAsItWasShot) { expect_in_order(analysed(folder())); }

// Tiles lie elsewhere then: where the fit hangs by a hair it falls to the other side.
TEST_P(OneWayStack, IsOrderedJustSoTurnedUpsideDown) {
  const Burst burst = find_bursts(std::vector<fs::path>{folder()}).bursts.at(0);
  const auto read = [](const FrameRef& frame, int reduction) {
    Result<LinearFrame> picture = decode(frame, {.reduction = reduction});
    if (picture)
      for (cv::Mat* m : {&picture->luminance, &picture->clipped}) cv::flip(*m, *m, -1);
    return picture;
  };
  expect_in_order(analyse(burst, read).at(0));
}

INSTANTIATE_TEST_SUITE_P(Real, OneWayStack,
                         ::testing::Values("dslr-ring-louvres-10", "macro-cactus-26",
                                           "microscope-smear-19", "onesided-tools-10-exp40",
                                           "sweep-miniatures-41", "sweep-strawberries-45"),
                         [](const auto& burst) {
                           std::string name = burst.param;
                           std::ranges::replace(name, '-', '_');
                           return name;
                         });

/// The sample as a reduced copy, shrunk by the codec.
BurstAnalysis of_copy(const std::string& sample, int shrunk) {
  const std::vector<fs::path> paths{fs::path(RINGSWEEP_SAMPLE_BURSTS) / sample};
  const Burst burst = find_bursts(paths).bursts.at(0);
  const auto read = [shrunk](const FrameRef& frame, int reduction) {
    Result<LinearFrame> picture = decode(frame, {.reduction = std::max(reduction, shrunk)});
    if (picture) picture->full_px_per_file_px = shrunk;
    return picture;
  };
  return analyse(burst, read).at(0);
}

// The blur limit is 2 px: one of a copy of half the width, where all is told as of the full size.
TEST(ReducedCopy, OfHalfTheWidthTellsTheSame) {
  for (const char* sample : {"meadow-complete", "meadow-gap"}) {
    const BurstAnalysis full = analysed(fs::path(RINGSWEEP_SAMPLE_BURSTS) / sample);
    const BurstAnalysis copy = of_copy(sample, 2);
    EXPECT_EQ(copy.full_px_per_file_px, 2.0);
    EXPECT_EQ(copy.full_size, full.full_size);
    EXPECT_FALSE(copy.too_small);
    EXPECT_EQ(copy.verdict.kind, full.verdict.kind) << sample;
    ASSERT_EQ(copy.coverage.gaps.size(), full.coverage.gaps.size()) << sample;
    // Both know the width to their sd, and 3 of the two together are 1 in 400.
    for (std::size_t i = 0; i < full.coverage.gaps.size(); ++i)
      EXPECT_NEAR(
          copy.coverage.gaps[i].width_px, full.coverage.gaps[i].width_px,
          3.0 * std::hypot(copy.coverage.gaps[i].width_sd_px, full.coverage.gaps[i].width_sd_px));
  }
}

TEST(ReducedCopy, OfAQuarterOfTheWidthIsAtBestCannotTell) {
  const BurstAnalysis complete = of_copy("meadow-complete", 4);
  EXPECT_TRUE(complete.too_small);
  EXPECT_EQ(complete.verdict.kind, VerdictKind::cannot_tell);
  EXPECT_EQ(complete.verdict.reasons.at(0).kind, ReasonKind::pictures_too_small);
  EXPECT_TRUE(complete.complete_sweeps.empty());
  // The gap is seen all the same.
  const BurstAnalysis gap = of_copy("meadow-gap", 4);
  EXPECT_NE(gap.verdict.kind, VerdictKind::complete);
  ASSERT_EQ(gap.coverage.gaps.size(), 1U);
  const BurstAnalysis full = analysed(fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-gap");
  ASSERT_EQ(full.coverage.gaps.size(), 1U);
  // Which of the two is nearer need not be seen in so few px.
  const auto frames_at = [](const Gap& g) {
    return std::pair(std::min(g.lower, g.upper), std::max(g.lower, g.upper));
  };
  EXPECT_EQ(frames_at(gap.coverage.gaps[0]), frames_at(full.coverage.gaps[0]));
}

// One picture, over and over: the ring was not turned, and nothing else is to be said.
TEST(NoSweep, OnePictureOverAndOverIsNoSweep) {
  const fs::path folder = fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-complete";
  const Intake intake = find_bursts(std::vector<fs::path>{folder});
  ASSERT_EQ(intake.bursts.size(), 1U);
  Burst still = intake.bursts.front();
  const FrameRef one = still.frames[14];
  still.frames.resize(8);
  for (FrameRef& frame : still.frames) frame.path = one.path;
  const std::vector<BurstAnalysis> bursts =
      analyse(still, [](const FrameRef& frame, int reduction) -> Result<LinearFrame> {
        Result<LinearFrame> picture = decode(frame, {.reduction = reduction});
        if (!picture) return picture;
        // As the sensor would: noise of its own in each picture, 1 % of white.
        cv::RNG random(static_cast<std::uint64_t>(frame.number.value_or(0)) + 1);
        cv::Mat noise(picture->luminance.size(), CV_32FC1);
        random.fill(noise, cv::RNG::NORMAL, 0.0, 0.01);
        picture->luminance += noise;
        return picture;
      });
  ASSERT_EQ(bursts.size(), 1U);
  EXPECT_EQ(bursts[0].fit_status, FitStatus::no_sweep);
  EXPECT_EQ(bursts[0].verdict.kind, VerdictKind::cannot_tell);
  EXPECT_TRUE(bursts[0].coverage.gaps.empty());
}

// Where nothing is sharp shake and defocus look alike: a long shake is put into what was measured
// of a frame of the run-in, and of one in the middle of the subject.
TEST(Sample, AFrameOffTheSubjectIsNotToldAsShaken) {
  const Intake intake =
      find_bursts(std::vector<fs::path>{fs::path(RINGSWEEP_SAMPLE_BURSTS) / "meadow-complete"});
  ASSERT_EQ(intake.bursts.size(), 1U);
  std::vector<MeasuredBurst> measured = measure(
      intake.bursts.front(), [](const FrameRef& frame, int r) { return decode(frame, {r}); });
  ASSERT_EQ(measured.size(), 1U);
  std::vector<FocalPosition>& frames = measured[0].focus.frames;
  const std::size_t middle = frames.size() / 2;
  for (const std::size_t k : {std::size_t{0}, middle}) frames[k].shake_px = 9.0;
  const BurstAnalysis said = judge(measured[0]);
  const auto shook = [&](std::size_t k) {
    return std::ranges::count(said.frames[k].flags, FrameFlag::shaken) > 0;
  };
  EXPECT_FALSE(shook(0));
  EXPECT_TRUE(said.frames[0].usable);
  EXPECT_TRUE(shook(middle));
  EXPECT_FALSE(said.frames[middle].usable);
}

// A phone's lens was driven in equal steps of dioptres, a public data set. Blur is linear in
// dioptres (DESIGN: q grows with -1/v, and 1/v = 1/f - 1/u), so positions against dioptres are a
// straight line. Half a step is what is asked: neighbouring frames must not change places.
TEST(RealBurst, PositionsAreLinearInTheKnownDioptres) {
  const fs::path folder = shared_folder() / "real-bursts" / "phone-diopter-boxes-20";
  if (!fs::exists(folder)) GTEST_SKIP() << folder << " is absent; set RINGSWEEP_SHARED";
  std::map<std::string, double> known;
  std::ifstream manifest(folder / "manifest.tsv");
  std::string row;
  std::getline(manifest, row);  // frame, source, focus, time
  while (std::getline(manifest, row)) {
    std::istringstream cells(row);
    std::string file, source, focus;
    std::getline(cells, file, '\t');
    std::getline(cells, source, '\t');
    std::getline(cells, focus, '\t');
    known[file] = std::stod(focus);
  }
  ASSERT_EQ(known.size(), 20U);
  const BurstAnalysis said = analysed(folder);
  std::vector<double> dioptres, px;
  for (const FrameAnalysis& frame : said.frames) {
    if (!frame.focus_px || frame.focus_sd_px.value_or(99.0) > 1.0) continue;
    dioptres.push_back(known.at(frame.file));
    px.push_back(*frame.focus_px);
  }
  EXPECT_GE(px.size(), 15U) << "three quarters of 20 frames have an sd of at most 1 px";
  ASSERT_GE(px.size(), 3U);
  const Line line = fit_line(dioptres, px);
  constexpr double kStepDioptres = 0.4;  // median of the manifest's steps
  EXPECT_LT(line.rms, 0.5 * kStepDioptres * std::abs(line.slope));
}

}  // namespace
}  // namespace ringsweep
