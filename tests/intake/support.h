#pragma once
/// Files that the tests make, use and throw away.

#include <cstdint>
#include <filesystem>
#include <map>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "ringsweep/frame.h"

namespace ringsweep::test {

/// A folder of its own, gone at the end of the test.
class TempFolder {
 public:
  TempFolder();
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;
  ~TempFolder();
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

using Exif = std::map<std::string, std::string>;  // Exiv2 key -> value as text

/// Grey noise about mid-grey, the same for the same seed.
cv::Mat noise_picture(cv::Size size, int seed = 1);

/// Writes a picture (folders are made as needed), then Exif into it.
void write_picture(const std::filesystem::path& path, const cv::Mat& picture, const Exif& exif = {},
                   const std::vector<int>& parameters = {});

/// A small JPEG with a capture time, "2024:06:01 05:10:07" and the digits of its fraction.
void write_shot(const std::filesystem::path& path, const std::string& date_time,
                const std::string& fraction = "", Exif exif = {});

/// Capture time of the second s of a morning.
std::string morning(int s);

std::vector<unsigned char> read_bytes(const std::filesystem::path& path);
void write_bytes(const std::filesystem::path& path, const std::vector<unsigned char>& bytes);

/// The bytes damaged in one of the ways in which cards and cables do it: bits that flipped, a run
/// of one value or of noise, the end or a piece lost, a piece twice. Half of the damage lies in the
/// first 2 kB, where headers are. The same for the same seed.
std::vector<unsigned char> mutated(std::vector<unsigned char> bytes, std::uint64_t seed);

/// Takes a file through intake and decode: it has to come out as a picture in bounds, or as an
/// error in one line, with nothing printed.
void expect_picture_or_error(const std::filesystem::path& path);

FrameRef frame_at(const std::filesystem::path& path);

/// The names of a burst's files, in order.
std::vector<std::string> names(const Burst& burst);

}  // namespace ringsweep::test
