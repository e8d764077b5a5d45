#include "support.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cstdio>
#include <exiv2/exiv2.hpp>
#include <fstream>
#include <iterator>
#include <opencv2/imgcodecs.hpp>
#include <span>
#include <stdexcept>
#include <system_error>

#include "ringsweep/decode.h"
#include "ringsweep/intake.h"

namespace ringsweep::test {

namespace fs = std::filesystem;

TempFolder::TempFolder() {
  static std::atomic<int> count{0};
  path_ = fs::canonical(fs::temp_directory_path()) /
          ("ringsweep-test-" + std::to_string(getpid()) + '-' + std::to_string(count++));
  fs::create_directories(path_);
}

TempFolder::~TempFolder() {
  std::error_code code;
  fs::remove_all(path_, code);
}

cv::Mat noise_picture(cv::Size size, int seed) {
  cv::Mat picture(size, CV_8UC3);
  cv::RNG rng(static_cast<std::uint64_t>(seed));
  rng.fill(picture, cv::RNG::NORMAL, cv::Scalar::all(128), cv::Scalar::all(30));
  return picture;
}

void write_picture(const fs::path& path, const cv::Mat& picture, const Exif& exif,
                   const std::vector<int>& parameters) {
  fs::create_directories(path.parent_path());
  if (!cv::imwrite(path.string(), picture, parameters))
    throw std::runtime_error("cannot write " + path.string());
  if (exif.empty()) return;
  const auto image = Exiv2::ImageFactory::open(path.string());
  image->readMetadata();
  for (const auto& [key, value] : exif) image->exifData()[key] = value;
  image->writeMetadata();
}

void write_shot(const fs::path& path, const std::string& date_time, const std::string& fraction,
                Exif exif) {
  exif["Exif.Photo.DateTimeOriginal"] = date_time;
  if (!fraction.empty()) exif["Exif.Photo.SubSecTimeOriginal"] = fraction;
  write_picture(path, noise_picture({16, 16}), exif);
}

std::string morning(int s) {
  std::array<char, 32> text{};
  std::snprintf(text.data(), text.size(), "2024:06:01 %02d:%02d:%02d", 5 + s / 3600, s / 60 % 60,
                s % 60);
  return text.data();
}

std::vector<unsigned char> read_bytes(const fs::path& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

void write_bytes(const fs::path& path, const std::vector<unsigned char>& bytes) {
  fs::create_directories(path.parent_path());
  std::ofstream out(path, std::ios::binary);
  out.write(reinterpret_cast<const char*>(bytes.data()),
            static_cast<std::streamsize>(bytes.size()));
}

std::vector<unsigned char> mutated(std::vector<unsigned char> bytes, std::uint64_t seed) {
  constexpr int kHeader = 2048, kLongestRun = 512, kMostTimes = 4;
  cv::RNG rng(seed * 0x9E3779B97F4A7C15U + 1U);  // neighbouring seeds far apart
  for (int times = rng.uniform(1, kMostTimes + 1); times > 0 && bytes.size() > 1; --times) {
    const int size = static_cast<int>(bytes.size());
    const int at = rng.uniform(0, rng.uniform(0, 2) == 0 ? std::min(kHeader, size) : size);
    const int run = std::min(rng.uniform(1, kLongestRun), size - at);
    const auto first = bytes.begin() + at;
    switch (rng.uniform(0, 6)) {
      case 0:
        *first =
            static_cast<unsigned char>(*first ^ (1U << static_cast<unsigned>(rng.uniform(0, 8))));
        break;
      case 1:
        std::fill_n(first, std::min(run, 8), static_cast<unsigned char>(rng.uniform(0, 2) * 255));
        break;
      case 2:
        std::generate_n(first, run,
                        [&] { return static_cast<unsigned char>(rng.uniform(0, 256)); });
        break;
      case 3:
        bytes.resize(static_cast<std::size_t>(at));
        break;
      case 4:
        bytes.erase(first, first + run);
        break;
      default: {
        const std::vector<unsigned char> piece(first, first + run);
        bytes.insert(first, piece.begin(), piece.end());
      }
    }
  }
  return bytes;
}

void expect_picture_or_error(const fs::path& path) {
  testing::internal::CaptureStderr();
  testing::internal::CaptureStdout();
  const Intake intake = find_bursts(std::span(&path, 1));
  for (const Burst& burst : intake.bursts) {
    for (const FrameRef& frame : burst.frames) {
      [[maybe_unused]] const auto small = decode_thumbnail(frame);
      for (const int reduction : {1, 8}) {
        const auto picture = decode(frame, {.reduction = reduction});
        if (picture) {
          EXPECT_FALSE(picture->luminance.empty()) << path;
          EXPECT_TRUE(cv::checkRange(picture->luminance, true, nullptr, 0.0, 1.0 + 1e-6)) << path;
        } else {
          EXPECT_EQ(one_line(picture.error()).find('\n'), std::string::npos) << path;
        }
      }
    }
  }
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "") << path;
  EXPECT_EQ(testing::internal::GetCapturedStdout(), "") << path;
  EXPECT_EQ(intake.bursts.size() + intake.problems.size(), 1U) << path;
}

FrameRef frame_at(const fs::path& path) {
  FrameRef frame;
  frame.path = path.string();
  frame.file = path.filename().string();
  return frame;
}

std::vector<std::string> names(const Burst& burst) {
  std::vector<std::string> out;
  for (const FrameRef& frame : burst.frames) out.push_back(frame.file);
  return out;
}

}  // namespace ringsweep::test
