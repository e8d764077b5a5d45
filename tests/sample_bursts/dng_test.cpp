// Raw files and 16-bit files, read back as the tool reads them. Tags: DNG specification 1.4.0.0.
#include "maker/dng.h"

#include <gtest/gtest.h>

#include <cmath>
#include <exiv2/exiv2.hpp>
#include <filesystem>
#include <fstream>
#include <opencv2/imgcodecs.hpp>

#include "maker/mosaic.h"
#include "maker/sensor.h"
#include "ringsweep/decode.h"

namespace ringsweep::maker {
namespace {

constexpr const char* kTime = "2024:06:16 05:24:10.214";

std::filesystem::path written(const std::string& name, const std::vector<unsigned char>& bytes) {
  const auto file = std::filesystem::path(testing::TempDir()) / name;
  std::ofstream(file, std::ios::binary)
      .write(reinterpret_cast<const char*>(bytes.data()),
             static_cast<std::streamsize>(bytes.size()));
  return file;
}

Result<LinearFrame> decoded(const std::filesystem::path& file, bool is_raw) {
  FrameRef frame;
  frame.path = file.string();
  frame.file = file.filename().string();
  frame.is_raw = is_raw;
  return decode(frame);
}

/// Smooth light with all three colours different.
cv::Mat some_light(int rows, int cols) {
  cv::Mat light(rows, cols, CV_32FC3);
  for (int y = 0; y < rows; ++y) {
    for (int x = 0; x < cols; ++x) {
      const auto wave = static_cast<float>(0.3 * std::sin(0.11 * x) * std::cos(0.07 * y));
      light.at<cv::Vec3f>(y, x) = {0.2F + 0.3F * wave, 0.45F + wave, 0.3F - 0.5F * wave};
    }
  }
  return light;
}

Sensor quiet(FileFormat format) {
  Sensor sensor;
  sensor.full_well_e = 1e9;
  sensor.read_noise_e = 0.0;
  sensor.format = format;
  return sensor;
}

std::string text(const Exiv2::ExifData& exif, const char* key) {
  const auto at = exif.findKey(Exiv2::ExifKey(key));
  return at == exif.end() ? std::string("absent") : at->toString();
}

TEST(Dng, IsReadBackAsTheLightThatWasWritten) {
  const cv::Mat light = some_light(96, 130);
  const auto file = written("light.dng", frame_file(light, 1.0, quiet(FileFormat::dng), 3, kTime));
  const auto frame = decoded(file, true);
  ASSERT_TRUE(frame) << frame.error().problem;
  ASSERT_EQ(frame->luminance.size(), cv::Size(65, 48));
  EXPECT_EQ(frame->full_size, cv::Size(130, 96));
  for (int y = 0; y < 48; ++y) {
    for (int x = 0; x < 65; ++x) {
      // The mean of the two greens of a block. Steps of 1/15871 are rounded, the noise of 1e9
      // electrons is 3e-5: 4 sd of two.
      const float green = 0.5F * (light.at<cv::Vec3f>(2 * y, 2 * x + 1)[1] +
                                  light.at<cv::Vec3f>(2 * y + 1, 2 * x)[1]);
      ASSERT_NEAR(frame->luminance.at<float>(y, x), green, 1.5e-4F) << x << ", " << y;
    }
  }
}

TEST(Dng, HoldsNoiseBelowBlackAndStopsAtWhite) {
  cv::Mat mosaic(64, 64, CV_32F, cv::Scalar(-0.01));
  mosaic.colRange(32, 64).setTo(1.0);
  mosaic.at<float>(0, 0) = 0.5F;  // not one value all over
  const auto frame = decoded(written("ends.dng", dng_of(mosaic, kTime)), true);
  ASSERT_TRUE(frame) << frame.error().problem;
  EXPECT_NEAR(frame->luminance.at<float>(10, 28), 1.0F, 1e-6F);
  EXPECT_EQ(frame->clipped.at<unsigned char>(10, 28), 255);
  EXPECT_EQ(frame->clipped.at<unsigned char>(10, 4), 0);
  EXPECT_LE(frame->luminance.at<float>(10, 4), 0.0F);
}

TEST(Dng, HasTheTagsOfTheSpecificationAndTheTimes) {
  const auto bytes = dng_of(cv::Mat(32, 48, CV_32F, cv::Scalar(0.25)), kTime);
  auto image = Exiv2::ImageFactory::open(bytes.data(), static_cast<long>(bytes.size()));
  image->readMetadata();
  const Exiv2::ExifData& exif = image->exifData();
  EXPECT_EQ(text(exif, "Exif.Image.DNGVersion"), "1 4 0 0");
  EXPECT_EQ(text(exif, "Exif.Image.UniqueCameraModel"), "Burst maker");
  EXPECT_EQ(text(exif, "Exif.Image.PhotometricInterpretation"), "32803");
  EXPECT_EQ(text(exif, "Exif.Image.CFARepeatPatternDim"), "2 2");
  EXPECT_EQ(text(exif, "Exif.Image.CFAPattern"), "0 1 1 2");
  EXPECT_EQ(text(exif, "Exif.Image.WhiteLevel"), "16383");
  EXPECT_EQ(text(exif, "Exif.Image.Orientation"), "1");
  EXPECT_EQ(text(exif, "Exif.Image.CalibrationIlluminant1"), "21");
  EXPECT_NE(text(exif, "Exif.Image.ColorMatrix1"), "absent");
  EXPECT_NE(text(exif, "Exif.Image.AsShotNeutral"), "absent");
  EXPECT_EQ(text(exif, "Exif.Photo.DateTimeOriginal"), "2024:06:16 05:24:10");
  EXPECT_EQ(text(exif, "Exif.Photo.SubSecTimeOriginal"), "214");
  const auto exposure = exif.findKey(Exiv2::ExifKey("Exif.Photo.ExposureTime"));
  ASSERT_NE(exposure, exif.end());
  EXPECT_NEAR(exposure->toFloat(), 1.0F / 200.0F, 1e-6F);
  const auto black = exif.findKey(Exiv2::ExifKey("Exif.Image.BlackLevel"));
  ASSERT_NE(black, exif.end());
  EXPECT_EQ(black->toFloat(), 512.0F);
  for (const char* key : {"Exif.Image.Make", "Exif.Image.Model", "Exif.Photo.FNumber"}) {
    EXPECT_EQ(text(exif, key), "absent") << key;
  }
}

TEST(Tiff16, IsReadBackWith16BitsAndItsTimes) {
  const cv::Mat light = some_light(60, 80);
  const auto bytes = frame_file(light, 1.0, quiet(FileFormat::tiff16), 3, kTime);
  const cv::Mat picture = cv::imdecode(bytes, cv::IMREAD_UNCHANGED);
  ASSERT_EQ(picture.type(), CV_16UC3);
  const auto frame = decoded(written("light.tif", bytes), false);
  ASSERT_TRUE(frame) << frame.error().problem;
  for (int y = 0; y < light.rows; ++y) {
    for (int x = 0; x < light.cols; ++x) {
      const auto& rgb = light.at<cv::Vec3f>(y, x);
      // Weights of ITU-R BT.709. Noise of 1e9 electrons: 3e-5, 5 sd; codes are finer.
      const float luminance = 0.2126F * rgb[0] + 0.7152F * rgb[1] + 0.0722F * rgb[2];
      ASSERT_NEAR(frame->luminance.at<float>(y, x), luminance, 1.5e-4F);
    }
  }
  auto image = Exiv2::ImageFactory::open(bytes.data(), static_cast<long>(bytes.size()));
  image->readMetadata();
  EXPECT_EQ(text(image->exifData(), "Exif.Photo.DateTimeOriginal"), "2024:06:16 05:24:10");
  EXPECT_EQ(text(image->exifData(), "Exif.Photo.SubSecTimeOriginal"), "214");
  EXPECT_EQ(text(image->exifData(), "Exif.Photo.ExposureTime"), "1/200");
}

}  // namespace
}  // namespace ringsweep::maker
