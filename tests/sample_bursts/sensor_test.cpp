// Pixels and files. Sources: IEC 61966-2-1:1999 (sRGB); photon counts are Poisson, their variance
// is their mean; CIPA DC-008 (Exif tags); ITU-T T.81 table B.1 (SOF0 = FFC0, baseline DCT).
#include "maker/sensor.h"

#include <gtest/gtest.h>

#include <cmath>
#include <exiv2/exiv2.hpp>

namespace ringsweep::maker {
namespace {

double srgb_decode(double code) {
  return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
}

TEST(Srgb, EncodesAsTheStandardSays) {
  EXPECT_NEAR(srgb_encode(0.18F), 0.4613561F, 1e-6F);  // float
  EXPECT_EQ(srgb_encode(0.0F), 0.0F);
  EXPECT_NEAR(srgb_encode(1.0F), 1.0F, 1e-6F);
  EXPECT_NEAR(srgb_encode(0.0031308F), 0.0404499F, 1e-6F);
  // 8-bit codes and the linear light they stand for.
  for (const auto& [code, linear] : {std::pair{1, .000304},
                                     {10, .003035},
                                     {11, .003347},
                                     {64, .051269},
                                     {128, .215861},
                                     {188, .502886},
                                     {254, .991102}}) {
    EXPECT_EQ(std::lround(255.0F * srgb_encode(static_cast<float>(linear))), code);
  }
}

TEST(Develop, NoiseHasTheVarianceOfPhotonsAndReading) {
  Sensor sensor;
  sensor.full_well_e = 2000.0;
  sensor.read_noise_e = 6.0;
  for (const float level : {0.05F, 0.2F, 0.6F}) {
    const cv::Mat light(400, 400, CV_32FC3, cv::Scalar::all(level));
    const cv::Mat bgr = develop(light, 1.0, sensor, 77);
    double sum = 0.0, square = 0.0, step = 0.0;
    const double n = static_cast<double>(bgr.total()) * 3.0;
    for (int y = 0; y < bgr.rows; ++y) {
      for (int x = 0; x < bgr.cols; ++x) {
        for (int c = 0; c < 3; ++c) {
          const int code = bgr.at<cv::Vec3b>(y, x)[c];
          const double linear = srgb_decode(code / 255.0);
          const double width =
              srgb_decode((code + 0.5) / 255.0) - srgb_decode((code - 0.5) / 255.0);
          sum += linear;
          square += linear * linear;
          step += width * width / 12.0;  // rounding to codes
        }
      }
    }
    const double mean = sum / n, variance = square / n - mean * mean - step / n;
    const double electrons = level * sensor.full_well_e;
    const double expected = (electrons + 36.0) / (sensor.full_well_e * sensor.full_well_e);
    EXPECT_NEAR(mean, level, 4.0 * std::sqrt(expected / n) + 0.002 * level);
    // The variance of a variance of 480,000 samples is 2 / n of its square: 4 sd = 0.8 %; the
    // curvature of the transfer function over a code adds as much.
    EXPECT_NEAR(variance / expected, 1.0, 0.02) << level;
  }
}

TEST(Develop, AGainOfOneStopDoublesTheLight) {
  Sensor quiet;
  quiet.full_well_e = 1e9;
  quiet.read_noise_e = 0.0;
  const cv::Mat light(8, 8, CV_32FC3, cv::Scalar::all(0.5 * 0.215861));
  const cv::Mat bgr = develop(light, 2.0, quiet, 1);
  EXPECT_EQ(bgr.at<cv::Vec3b>(4, 4), cv::Vec3b(128, 128, 128));
}

TEST(Jpeg, HasHalvedChromaAndTheExifOfACameraBehindAManualLens) {
  const cv::Mat picture(48, 64, CV_8UC3, cv::Scalar(60, 90, 120));
  const auto bytes = jpeg_with_exif(picture, {}, "2024:06:16 05:24:10.214");
  ASSERT_GT(bytes.size(), 100U);

  bool found = false;
  for (std::size_t i = 2; i + 20 < bytes.size() && bytes[i] == 0xFF;) {
    if (bytes[i + 1] == 0xC0) {
      found = true;
      EXPECT_EQ(bytes[i + 9], 3);      // components
      EXPECT_EQ(bytes[i + 11], 0x22);  // luma 2 x 2
      EXPECT_EQ(bytes[i + 14], 0x11);  // chroma 1 x 1
      EXPECT_EQ(bytes[i + 17], 0x11);
      break;
    }
    i += 2U + static_cast<std::size_t>(bytes[i + 2]) * 256U + bytes[i + 3];
  }
  EXPECT_TRUE(found) << "no baseline frame header";

  auto image = Exiv2::ImageFactory::open(bytes.data(), static_cast<long>(bytes.size()));
  image->readMetadata();
  const Exiv2::ExifData& exif = image->exifData();
  const auto text = [&exif](const char* key) {
    const auto at = exif.findKey(Exiv2::ExifKey(key));
    return at == exif.end() ? std::string("absent") : at->toString();
  };
  EXPECT_EQ(text("Exif.Photo.DateTimeOriginal"), "2024:06:16 05:24:10");
  EXPECT_EQ(text("Exif.Photo.SubSecTimeOriginal"), "214");
  EXPECT_EQ(text("Exif.Photo.ExposureTime"), "1/200");
  EXPECT_EQ(text("Exif.Image.Orientation"), "1");
  EXPECT_EQ(text("Exif.Photo.PixelXDimension"), "64");
  EXPECT_EQ(text("Exif.Photo.PixelYDimension"), "48");
  for (const char* key :
       {"Exif.Photo.FNumber", "Exif.Photo.FocalLength", "Exif.Image.Make", "Exif.Image.Model"}) {
    EXPECT_EQ(text(key), "absent") << key;
  }
}

}  // namespace
}  // namespace ringsweep::maker
