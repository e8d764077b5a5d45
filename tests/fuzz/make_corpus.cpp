/// fuzz-corpus FOLDER: makes the seeds of the fuzz targets in FOLDER, all but the recipes, which
/// are written by hand. Files of the same names are replaced.

#include <exiv2/exiv2.hpp>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <nlohmann/json.hpp>
#include <opencv2/imgcodecs.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "app/lens_file.h"
#include "app/scratch_folder.h"
#include "maker/sensor.h"
#include "report/made_analysis.h"
#include "ringsweep/report.h"

namespace ringsweep::fuzz {
namespace {

namespace fs = std::filesystem;
using Bytes = std::vector<unsigned char>;

void put(const fs::path& file, const Bytes& bytes) {
  fs::create_directories(file.parent_path());
  std::ofstream out(file, std::ios::binary);
  out.write(reinterpret_cast<const char*>(bytes.data()),
            static_cast<std::streamsize>(bytes.size()));
  if (!out.flush()) throw std::runtime_error("cannot write " + file.string());
}

void put(const fs::path& file, const std::string& text) {
  put(file, Bytes(text.begin(), text.end()));
}

/// Small enough for a few kB without compression.
cv::Mat small_light() {
  cv::Mat light(24, 32, CV_32FC3);
  for (int y = 0; y < light.rows; ++y)
    for (int x = 0; x < light.cols; ++x)
      light.at<cv::Vec3f>(y, x) = {0.03F * static_cast<float>(x), 0.04F * static_cast<float>(y),
                                   0.5F};
  return light;
}

Bytes encoded(const char* extension, const cv::Mat& picture,
              const std::vector<int>& parameters = {}) {
  Bytes bytes;
  if (!cv::imencode(extension, picture, bytes, parameters))
    throw std::runtime_error(std::string("cannot make a ") + extension);
  return bytes;
}

/// The JPEG with a smaller one of itself in its Exif data.
Bytes with_thumbnail(const Bytes& jpeg, const Bytes& thumbnail) {
  const auto image = Exiv2::ImageFactory::open(jpeg.data(), static_cast<long>(jpeg.size()));
  image->readMetadata();
  Exiv2::ExifThumb(image->exifData())
      .setJpegThumbnail(thumbnail.data(), static_cast<long>(thumbnail.size()));
  image->writeMetadata();
  Exiv2::BasicIo& io = image->io();
  io.open();
  const Exiv2::DataBuf bytes = io.read(static_cast<long>(io.size()));
  return {bytes.pData_, bytes.pData_ + bytes.size_};
}

void make_pictures(const fs::path& folder) {
  const std::string time = "2024:06:16 05:24:10.200";
  const cv::Mat light = small_light();
  const auto file = [&](maker::FileFormat format) {
    maker::Sensor sensor;
    sensor.format = format;
    return maker::frame_file(light, 1.0, sensor, 1, time);
  };
  const cv::Mat picture = maker::develop(light, 1.0, {}, 1);
  const Bytes jpeg = file(maker::FileFormat::jpeg);
  put(folder / "colour.jpg", jpeg);
  put(folder / "thumbnail.jpg", with_thumbnail(jpeg, encoded(".jpg", picture)));
  put(folder / "progressive.jpg", encoded(".jpg", picture, {cv::IMWRITE_JPEG_PROGRESSIVE, 1}));
  put(folder / "16-bit.tif", file(maker::FileFormat::tiff16));
  put(folder / "mosaic.dng", file(maker::FileFormat::dng));
  cv::Mat grey;
  cv::extractChannel(picture, grey, 1);
  put(folder / "grey.jpg", encoded(".jpg", grey));
  put(folder / "grey.png", encoded(".png", grey));
  put(folder / "colour.png", encoded(".png", picture));
  put(folder / "colour.bmp", encoded(".bmp", picture));
  cv::Mat floats;
  grey.convertTo(floats, CV_32F, 1.0 / 255.0);
  put(folder / "float.tif", encoded(".tif", floats));
}

BurstAnalysis eventful_burst() {
  BurstAnalysis burst = made::complete_burst(1207, 6);
  made::flag(burst, 1, FrameFlag::dark, false);
  burst.frames[4].pose = 1;
  burst.frames[5].pose = 1;
  burst.movement.looked = true;
  MovedPart part;
  part.frame = 4;
  part.shift_px = 5.5;
  part.conflict = true;
  burst.movement.parts = {part};
  burst.drops.looked = true;
  burst.drops.tracked = 31;
  burst.drops.lost = {{.fate = DropFate::gone,
                       .at = {100.0, 200.0},
                       .radius_px = 9.0,
                       .q_px = 6.0,
                       .before = 3,
                       .after = 4,
                       .probability = 0.99,
                       .conflict = true}};
  burst.verdict.kind = VerdictKind::complete_without;
  return burst;
}

void make_reports(const fs::path& folder) {
  const auto report = [&](const char* name, const std::vector<BurstAnalysis>& bursts) {
    put(folder / name, report_json(bursts).dump());
  };
  BurstAnalysis complete = made::complete_burst(1207, 6);
  complete.start_s = made::kEightMinutesToFive;
  report("complete.json", {complete});
  complete.start_s = 1e300;  // no clock holds it
  report("far-time.json", {complete});
  report("eventful.json", {eventful_burst()});
  BurstAnalysis open = made::complete_burst(1207, 5);
  open.coverage.ends[1].open = true;
  open.verdict = {.kind = VerdictKind::reshoot, .reasons = {made::reason(ReasonKind::open_end, 4)}};
  report("open-end.json", {open});
  BurstAnalysis unknown = made::complete_burst(1207, 5);
  unknown.verdict = {.kind = VerdictKind::cannot_tell,
                     .reasons = {made::reason(ReasonKind::fit_not_trusted)}};
  unknown.fit_status = FitStatus::not_trusted;
  report("cannot-tell.json", {unknown});
}

void make_lenses(const fs::path& folder) {
  const testing_app::ScratchFolder config;
  const testing_app::Environment home("XDG_CONFIG_HOME", config.path().c_str());
  LearntLens lens{.degrees_per_mm = 6.5, .degrees_per_mm_sd = 0.2};
  lens.sides = {{.at = LifeSize::below, .focus_by = FocusBy::lens, .larger_picture = Side::near},
                {.at = LifeSize::beyond, .focus_by = FocusBy::body, .larger_picture = Side::far}};
  if (!app::write_lens("known", lens)) throw std::runtime_error("the lens cannot be written");
  put(folder / "two-sides.json",
      testing_app::read_file(config / "ringsweep" / "lenses" / "known.json"));
}

}  // namespace
}  // namespace ringsweep::fuzz

int main(int argc, char** argv) {
  if (argc != 2) {
    std::cerr << "fuzz-corpus FOLDER    make the seeds of the fuzz targets in FOLDER\n";
    return 2;
  }
  const std::filesystem::path folder = argv[1];
  try {
    ringsweep::fuzz::make_pictures(folder / "pictures");
    ringsweep::fuzz::make_reports(folder / "report");
    ringsweep::fuzz::make_lenses(folder / "lens");
  } catch (const std::exception& e) {
    std::cerr << "The corpus cannot be made: " << e.what() << ".\n";
    return 3;
  }
}
