// What the program holds at once, measured from outside: the peak of its resident memory.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "app/run_program.h"
#include "app/scratch_folder.h"

namespace ringsweep {
namespace {

using testing_app::CurrentFolder;
using testing_app::Ran;
using testing_app::read_file;
using testing_app::ringsweep;
using testing_app::ScratchFolder;
namespace fs = std::filesystem;

constexpr double kMegabyte = 1e6;
constexpr int kFrames = 29;
const cv::Size kSize(1792, 1344);

/// The sample of 29 frames, enlarged: 2.4 megapixels, and as sharp in px as a real lens.
void put_large_burst(const fs::path& folder) {
  fs::create_directories(folder);
  for (const auto& entry :
       fs::directory_iterator(fs::path(RINGSWEEP_SAMPLES) / "meadow-complete")) {
    if (entry.path().extension() != ".JPG") continue;
    cv::Mat large;
    cv::resize(cv::imread(entry.path().string()), large, kSize, 0, 0, cv::INTER_CUBIC);
    cv::imwrite((folder / entry.path().filename()).string(), large);
  }
}

Ran check(const std::string& folder, const std::vector<std::string>& more) {
  std::vector<std::string> arguments{"check", folder, "--full-size", "1792x1344"};
  arguments.insert(arguments.end(), more.begin(), more.end());
  return ringsweep(arguments);
}

TEST(Memory, IsBoundedByWhatTheUserSays) {
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
  GTEST_SKIP() << "a sanitizer holds on to what was freed";
#endif
  const ScratchFolder scratch;
  put_large_burst(scratch / "large");
  const CurrentFolder here(scratch.path());
  const Ran usual = check("large", {"--out", "usual"});
  const Ran least = check("large", {"--out", "least", "--memory", "300"});
  ASSERT_LE(usual.status, 1) << usual.err;
  ASSERT_LE(least.status, 1) << least.err;
  RecordProperty("usual_mb", static_cast<int>(usual.peak_bytes / kMegabyte));
  RecordProperty("least_mb", static_cast<int>(least.peak_bytes / kMegabyte));

  // Light of four bytes, a mask of one, and a third more for the coarser levels: what the search
  // for movement holds of every frame, and what is too much for 300 MB.
  const double movement = kFrames * kSize.area() * 5.0 * 4.0 / 3.0;
  EXPECT_GT(movement, 300 * kMegabyte);
  EXPECT_GT(usual.peak_bytes, movement) << "as if nothing were said";
  // Beside the pictures there are the program with its libraries, what was measured, and the report
  // with its own pictures: as much as a burst of small pictures takes, and the library's heap keeps
  // a part of what was given back.
  constexpr double kBesideMb = 200.0;
  EXPECT_LT(least.peak_bytes, (300 + kBesideMb) * kMegabyte);

  const auto burst = [](const char* folder) {
    return nlohmann::json::parse(read_file(fs::path(folder) / "report.json"))["bursts"][0];
  };
  const nlohmann::json all = burst("usual"), some = burst("least");
  EXPECT_TRUE(all.contains("moved"));
  EXPECT_FALSE(some.contains("moved"));
  EXPECT_THAT(some["notes"].dump(),
              ::testing::HasSubstr("Parts that moved were not looked for, for "
                                   "want of memory: with --memory"));
  EXPECT_THAT(least.out, ::testing::HasSubstr("Not checked: movement.\n"));
  EXPECT_TRUE(some.contains("drops")) << "for which 300 MB are enough";
  EXPECT_EQ(some["frames"], all["frames"]) << "pictures read again are the same";
  EXPECT_EQ(some["gaps"], all["gaps"]);
}

}  // namespace
}  // namespace ringsweep
