// Damaged, hostile and unusual files, where they are at hand: in the folder odd-files under
// $RINGSWEEP_SHARED, or in the folder "shared" beside the sources. None of them is part of the
// project.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "shared_folder.h"
#include "support.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;

std::optional<fs::path> odd_files() {
  const fs::path folder = shared_folder() / "odd-files";
  return fs::is_directory(folder) ? std::optional(folder) : std::nullopt;
}

#define SKIP_WITHOUT_ODD_FILES(folder) \
  const auto folder = odd_files();     \
  if (!folder) GTEST_SKIP() << "no folder odd-files under $RINGSWEEP_SHARED"

std::vector<fs::path> files_in(const fs::path& folder) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::recursive_directory_iterator(folder))
    if (entry.is_regular_file() && entry.path().extension() != ".tsv" &&
        entry.path().extension() != ".md")
      files.push_back(entry.path());
  std::ranges::sort(files);
  return files;
}

void expect_picture(const LinearFrame& frame, const fs::path& path) {
  EXPECT_EQ(frame.luminance.type(), CV_32FC1) << path;
  EXPECT_EQ(frame.clipped.type(), CV_8UC1) << path;
  EXPECT_EQ(frame.clipped.size(), frame.luminance.size()) << path;
  EXPECT_GE(frame.full_px_per_px, 1.0) << path;
  double low = 0.0;
  double high = 0.0;
  cv::minMaxLoc(frame.luminance, &low, &high);
  EXPECT_GE(low, 0.0) << path;
  EXPECT_LE(high, 1.0 + 1e-6) << path;
}

TEST(OddFiles, EachAloneIsAPictureOrOneClearLineAndNothingIsPrinted) {
  SKIP_WITHOUT_ODD_FILES(folder);
  for (const fs::path& path : files_in(*folder)) {
    testing::internal::CaptureStderr();
    testing::internal::CaptureStdout();
    const Intake intake = find_bursts(std::span(&path, 1));
    std::size_t frames = 0;
    std::vector<std::string> lines;
    for (const Error& problem : intake.problems) lines.push_back(one_line(problem));
    for (const Burst& burst : intake.bursts) {
      for (const FrameRef& frame : burst.frames) {
        ++frames;
        for (const int reduction : {1, 2}) {
          const auto picture = decode(frame, {.reduction = reduction});
          if (picture)
            expect_picture(*picture, path);
          else if (reduction == 1)
            lines.push_back(one_line(picture.error()));
        }
      }
    }
    EXPECT_EQ(testing::internal::GetCapturedStderr(), "") << path;
    EXPECT_EQ(testing::internal::GetCapturedStdout(), "") << path;
    EXPECT_EQ(frames + intake.problems.size(), 1U) << path;
    EXPECT_LE(lines.size(), 1U) << path;
    for (const std::string& line : lines) {
      EXPECT_THAT(line, HasSubstr(path.filename().string()));
      EXPECT_EQ(line.find('\n'), std::string::npos) << line;
      EXPECT_EQ(line.back(), '.') << line;
    }
  }
}

TEST(OddFiles, TogetherTheyAreAllListed) {
  SKIP_WITHOUT_ODD_FILES(folder);
  const std::vector<fs::path> files = files_in(*folder);
  const Intake intake = find_bursts(files);
  std::size_t frames = 0;
  for (const Burst& burst : intake.bursts) frames += burst.frames.size();
  EXPECT_EQ(frames + intake.problems.size(), files.size());
}

TEST(OddFiles, CompleteRawFilesAreRead) {
  SKIP_WITHOUT_ODD_FILES(folder);
  for (const fs::path& path : files_in(*folder / "raw")) {
    const auto picture = decode(test::frame_at(path));
    ASSERT_TRUE(picture) << one_line(picture.error());
    EXPECT_GE(picture->full_size.width, 320) << path;  // and not a thumbnail
    EXPECT_EQ(picture->full_px_per_px, 2.0) << path;
    cv::Scalar mean;
    cv::Scalar sd;
    cv::meanStdDev(picture->luminance, mean, sd);
    EXPECT_GT(sd[0], 0.01) << path;
  }
}

TEST(OddFiles, RawFilesWhoseDataAreCutOffAreErrors) {
  SKIP_WITHOUT_ODD_FILES(folder);
  for (const fs::path& path : files_in(*folder / "raw-stubs")) {
    const auto picture = decode(test::frame_at(path));
    // One of them is a complete JPEG by another name.
    EXPECT_EQ(picture.has_value(), path.filename() == "me-Issue_247-1.nef") << path;
  }
}

}  // namespace
}  // namespace ringsweep
