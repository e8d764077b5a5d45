#include "support.h"

#include <unistd.h>

#include <atomic>
#include <exiv2/exiv2.hpp>
#include <fstream>
#include <iterator>
#include <opencv2/imgcodecs.hpp>
#include <stdexcept>
#include <system_error>

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
