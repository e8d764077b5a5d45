// Pixels and files. Sources: IEC 61966-2-1:1999 (sRGB); photon counts are Poisson, their variance
// is their mean; CIPA DC-008 (Exif tags); ITU-T T.81 table B.1 (SOF0 = FFC0, baseline DCT).
#include "maker/sensor.h"

#include <gtest/gtest.h>

#include <cmath>
#include <exiv2/exiv2.hpp>
#include <numbers>

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

TEST(ToneCurve, KeepsItsEndsAndMiddleGreyAndRises) {
  const float grey = srgb_encode(0.18F);
  for (const double strength : {0.0, 0.4, 1.0}) {
    EXPECT_EQ(tone_curve(0.0F, strength), 0.0F);
    EXPECT_EQ(tone_curve(1.0F, strength), 1.0F);
    EXPECT_NEAR(tone_curve(grey, strength), grey, 1e-6F);
    float before = 0.0F;
    for (int i = 1; i <= 255; ++i) {
      const float code = tone_curve(static_cast<float>(i) / 255.0F, strength);
      EXPECT_GT(code, before) << i;
      before = code;
    }
    // 1 + strength at middle grey, on both sides of it; the curve bends, which takes 1.006 % of
    // the difference over 0.02 at most.
    EXPECT_NEAR((tone_curve(grey + 0.01F, strength) - tone_curve(grey - 0.01F, strength)) / 0.02,
                1.0 + strength, 0.011 * (1.0 + strength));
  }
  EXPECT_NEAR(tone_curve(0.3F, 0.0), 0.3F, 1e-6F);
  EXPECT_LT(tone_curve(0.2F, 1.0), 0.1F);  // 0.4614 * (0.2 / 0.4614)^2 = 0.0867
  EXPECT_GT(tone_curve(0.8F, 1.0), 0.9F);
}

TEST(Develop, SharpeningRaisesAWaveByWhatTheGaussianTakes) {
  // A Gaussian of sigma leaves exp(-2 pi^2 sigma^2 f^2) of a wave of f cycles per px.
  Sensor sensor;
  sensor.full_well_e = 1e12;
  sensor.read_noise_e = 0.0;
  sensor.sharpening = 0.8;
  for (const double sigma : {0.7, 1.5}) {
    sensor.sharpening_px = sigma;
    for (const double frequency : {0.05, 0.1, 0.2}) {
      cv::Mat light(60, 200, CV_32FC3);
      for (int y = 0; y < light.rows; ++y) {
        for (int x = 0; x < light.cols; ++x) {
          const double code = 0.5 + 0.1 * std::cos(2.0 * std::numbers::pi * frequency * x);
          light.at<cv::Vec3f>(y, x) = cv::Vec3f::all(static_cast<float>(srgb_decode(code)));
        }
      }
      const cv::Mat bgr = develop_16_bit(light, 1.0, sensor, 1);
      double along = 0.0;
      int n = 0;
      for (int x = 40; x < 160; ++x, ++n) {  // whole periods, away from the edges
        along += bgr.at<cv::Vec3w>(30, x)[1] / 65535.0 *
                 std::cos(2.0 * std::numbers::pi * frequency * x);
      }
      const double left = std::exp(-2.0 * std::pow(std::numbers::pi * sigma * frequency, 2.0));
      // 1 %: the Gaussian is drawn on pixels and cut at 4 sigma.
      EXPECT_NEAR(2.0 * along / n, 0.1 * (1.0 + 0.8 * (1.0 - left)), 0.01 * 0.1)
          << sigma << ", " << frequency;
    }
  }
}

TEST(Develop, AllStepsTogetherLeaveAnEvenGreyAlone) {
  // Interpolated, sharpened and with a curve about middle grey, an even middle grey stays.
  Sensor sensor;
  sensor.full_well_e = 1e9;
  sensor.read_noise_e = 0.0;
  sensor.mosaic = true;
  sensor.sharpening = 1.0;
  sensor.tone_curve = 0.7;
  const cv::Mat light(20, 20, CV_32FC3, cv::Scalar::all(0.18));
  const cv::Mat bgr = develop(light, 1.0, sensor, 4);
  // IEC 61966-2-1: 0.18 is 0.46136, code 118.
  EXPECT_EQ(cv::norm(bgr, cv::Mat(20, 20, CV_8UC3, cv::Scalar::all(118)), cv::NORM_INF), 0.0);
}

TEST(Develop, SixteenBitsAreTheSamePicture) {
  Sensor sensor;
  const cv::Mat light(30, 30, CV_32FC3, cv::Scalar(0.1, 0.3, 0.6));
  const cv::Mat eight = develop(light, 1.0, sensor, 5),
                sixteen = develop_16_bit(light, 1.0, sensor, 5);
  for (int y = 0; y < 30; ++y) {
    for (int x = 0; x < 30; ++x) {
      for (int c = 0; c < 3; ++c) {
        // Rounding of 8 bits, and of the table of levels.
        EXPECT_NEAR(sixteen.at<cv::Vec3w>(y, x)[c] / 257.0, eight.at<cv::Vec3b>(y, x)[c], 0.51);
      }
    }
  }
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
