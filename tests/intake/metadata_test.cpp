#include "metadata.h"

#include <gtest/gtest.h>

#include "support.h"

namespace ringsweep {
namespace {

// Exif (CIPA DC-008): SubSecTimeOriginal holds the digits of a fraction, of any length. 2000-01-01
// 00:00:00 is 946684800 s after 1970 (POSIX.1, "seconds since the Epoch": 30 x 365 + 7 leap days).
TEST(CaptureTime, FractionIsALeftAlignedDecimal) {
  constexpr double kThen = 946684800.0;
  // Doubles near 1e9 are 1.2e-7 apart.
  constexpr double kSpacing = 1.2e-7;
  EXPECT_EQ(capture_time_s("2000:01:01 00:00:00", ""), kThen);
  EXPECT_NEAR(*capture_time_s("2000:01:01 00:00:00", "5"), kThen + 0.5, kSpacing);
  EXPECT_NEAR(*capture_time_s("2000:01:01 00:00:00", "05"), kThen + 0.05, kSpacing);
  EXPECT_NEAR(*capture_time_s("2000:01:01 00:00:00", "050"), kThen + 0.05, kSpacing);
  EXPECT_EQ(capture_time_s("2000:01:01 00:00:00", "  "), kThen);
}

TEST(CaptureTime, WhatIsNoTimeIsAbsent) {
  for (const char* text : {"0000:00:00 00:00:00", "    :  :     :  :  ", "", "2024:13:01 00:00:00",
                           "2023:02:29 00:00:00", "2024:06:01 24:00:00", "2024:06:01"})
    EXPECT_FALSE(capture_time_s(text, "")) << text;
}

// 6000 px on 36 mm: 4233.33 per inch, 1666.67 per cm, so 6.000 um (derived). The two decimals of
// the resolution leave 0.005 / 4233 = 1.2e-6 of it.
TEST(PixelPitch, FollowsTheUnit) {
  EXPECT_NEAR(*pixel_pitch_mm(4233.33, 2), 0.006, 0.006 * 1.2e-6);
  EXPECT_NEAR(*pixel_pitch_mm(1666.67, 3), 0.006, 0.006 * 3.1e-6);
  EXPECT_NEAR(*pixel_pitch_mm(166.667, 4), 0.006, 0.006 * 3.1e-6);
  EXPECT_NEAR(*pixel_pitch_mm(0.166667, 5), 0.006, 0.006 * 3.1e-6);
  EXPECT_FALSE(pixel_pitch_mm(4233.33, 1));
  EXPECT_FALSE(pixel_pitch_mm(0.0, 2));
  EXPECT_FALSE(pixel_pitch_mm(-4233.33, 2));
}

test::Exif camera_exif() {
  return {{"Exif.Image.Orientation", "6"},
          {"Exif.Photo.DateTimeOriginal", "2000:01:01 00:00:01"},
          {"Exif.Photo.SubSecTimeOriginal", "25"},
          {"Exif.Photo.ExposureTime", "1/200"},
          {"Exif.Photo.FNumber", "56/10"},
          {"Exif.Photo.FocalLength", "100/1"},
          {"Exif.Photo.ISOSpeedRatings", "400"},
          {"Exif.Photo.FocalPlaneXResolution", "12700/3"},
          {"Exif.Photo.FocalPlaneResolutionUnit", "2"}};
}

TEST(Metadata, ReadsWhatTheCameraWrote) {
  const test::TempFolder folder;
  test::write_picture(folder / "a.jpg", test::noise_picture({60, 40}), camera_exif());
  const Metadata m = read_metadata(folder / "a.jpg", false);
  EXPECT_EQ(m.time_s, 946684801.25);
  EXPECT_EQ(m.orientation, 6);
  EXPECT_EQ(m.settings.exposure_time_s, 1.0 / 200.0);
  EXPECT_EQ(m.settings.f_number, 5.6);
  EXPECT_EQ(m.settings.focal_length_mm, 100.0);
  EXPECT_EQ(m.settings.iso, 400.0);
  EXPECT_EQ(m.full_size, cv::Size(60, 40));
  ASSERT_TRUE(m.pixel_pitch_mm);
  EXPECT_NEAR(*m.pixel_pitch_mm, 0.006, 1e-15);  // rounding
}

Metadata of_jpeg(cv::Size size, const test::Exif& exif) {
  const test::TempFolder folder;
  test::write_picture(folder / "a.jpg", test::noise_picture(size), exif);
  return read_metadata(folder / "a.jpg", false);
}

test::Exif with(test::Exif exif, const test::Exif& more) {
  for (const auto& [key, value] : more) exif[key] = value;
  return exif;
}

// The resolution counts pixels of the picture that the camera recorded: the full-size one.
TEST(Metadata, AReducedCopyHasTheFullSizeAndPitchOfTheCamera) {
  const test::Exif exif = with(camera_exif(), {{"Exif.Photo.PixelXDimension", "6000"},
                                               {"Exif.Photo.PixelYDimension", "4000"}});
  const Metadata reduced = of_jpeg({600, 400}, exif);
  EXPECT_EQ(reduced.file_size, cv::Size(600, 400));
  EXPECT_EQ(reduced.full_size, cv::Size(6000, 4000));
  EXPECT_EQ(reduced.full_size_from, FullSizeFrom::exif);
  ASSERT_TRUE(reduced.pixel_pitch_mm);
  EXPECT_NEAR(*reduced.pixel_pitch_mm, 0.006, 1e-15);
  EXPECT_EQ(of_jpeg({400, 600}, exif).full_size, cv::Size(4000, 6000)) << "turned upright";
  const Metadata cut = of_jpeg({600, 600}, exif);
  EXPECT_EQ(cut.full_size, cv::Size(600, 600));
  EXPECT_NE(cut.full_size_from, FullSizeFrom::exif);
}

// What programs leave behind where they write PixelXDimension anew.
TEST(Metadata, AForgottenSizeTellsTheFullSize) {
  const test::Exif exif = with(camera_exif(), {{"Exif.Photo.PixelXDimension", "600"},
                                               {"Exif.Photo.PixelYDimension", "400"}});
  EXPECT_EQ(of_jpeg({600, 400}, exif).full_size, cv::Size(600, 400));
  for (const test::Exif& forgotten :
       {test::Exif{{"Exif.Image.ImageWidth", "6000"}, {"Exif.Image.ImageLength", "4000"}},
        test::Exif{{"Exif.Iop.RelatedImageWidth", "6000"},
                   {"Exif.Iop.RelatedImageLength", "4000"}}}) {
    const Metadata copy = of_jpeg({600, 400}, with(exif, forgotten));
    EXPECT_EQ(copy.full_size, cv::Size(6000, 4000)) << forgotten.begin()->first;
    EXPECT_EQ(copy.full_size_from, FullSizeFrom::exif);
  }
}

// 100 mm that are 150 mm on 24 x 36: a sensor of 43.267 / 1.5 = 28.844 mm, which are 4807 px of
// 6 um (derived); 600 x 400 px have a diagonal of 721.
TEST(Metadata, TheSensorTellsTheFullSizeByFocalLengthsAndPitch) {
  const test::Exif exif = with(camera_exif(), {{"Exif.Photo.FocalLengthIn35mmFilm", "150"}});
  const Metadata copy = of_jpeg({600, 400}, exif);
  ASSERT_EQ(copy.full_size_from, FullSizeFrom::exif);
  EXPECT_NEAR(copy.full_size->width, 600 * 4807.3 / 721.11, 1.0);  // rounded to whole px
  EXPECT_EQ(of_jpeg({4000, 2667}, exif).full_size, cv::Size(4000, 2667)) << "as large, all but";
}

// A diagonal of 3000 px shows what a limit of diagonal / 3000 asks for, whatever it was made from.
TEST(Metadata, ASmallJpegThatTellsNotWhatItWasMadeFromMayBeReduced) {
  constexpr auto kUnknown = FullSizeFrom::unknown;
  constexpr auto kFile = FullSizeFrom::file;
  const cv::Size small(600, 400), large(2500, 1668);
  EXPECT_EQ(of_jpeg(small, {}).full_size_from, kUnknown) << "no data of a camera";
  EXPECT_EQ(of_jpeg(large, {}).full_size_from, kFile);
  EXPECT_EQ(of_jpeg(small, camera_exif()).full_size_from, kFile);
  test::Exif exif = with(camera_exif(), {{"Exif.Image.DateTime", "2000:01:01 00:00:01"}});
  EXPECT_EQ(of_jpeg(small, exif).full_size_from, kFile);
  exif["Exif.Image.DateTime"] = "2000:01:01 00:05:00";
  EXPECT_EQ(of_jpeg(small, exif).full_size_from, kUnknown) << "saved again";
  exif = with(camera_exif(), {{"Exif.Image.Make", "maker"},
                              {"Exif.Image.Model", "camera"},
                              {"Exif.Photo.PixelXDimension", "600"},
                              {"Exif.Photo.PixelYDimension", "400"}});
  EXPECT_EQ(of_jpeg(small, exif).full_size_from, kFile) << "cameras of 2000 were so small";
  exif["Exif.Photo.DateTimeOriginal"] = "2024:01:01 00:00:01";
  EXPECT_EQ(of_jpeg(small, exif).full_size_from, kUnknown) << "those of 2024 are not";
  EXPECT_EQ(of_jpeg(large, exif).full_size_from, kFile);
  const test::TempFolder folder;
  test::write_picture(folder / "a.png", test::noise_picture(small));
  EXPECT_EQ(read_metadata(folder / "a.png", false).full_size_from, kFile) << "lossless";
}

TEST(Metadata, WhatCannotBeIsAbsent) {
  const test::TempFolder folder;
  test::write_picture(folder / "a.jpg", test::noise_picture({60, 40}),
                      {{"Exif.Image.Orientation", "9"},
                       {"Exif.Photo.DateTimeOriginal", "0000:00:00 00:00:00"},
                       {"Exif.Photo.ExposureTime", "1/0"},
                       {"Exif.Photo.FNumber", "0/1"},  // a manual lens
                       {"Exif.Photo.FocalLength", "0/1"},
                       {"Exif.Photo.FocalPlaneXResolution", "0/0"}});
  const Metadata m = read_metadata(folder / "a.jpg", false);
  EXPECT_FALSE(m.time_s);
  EXPECT_EQ(m.orientation, 1);
  EXPECT_FALSE(m.settings.exposure_time_s);
  EXPECT_FALSE(m.settings.f_number);
  EXPECT_FALSE(m.settings.focal_length_mm);
  EXPECT_FALSE(m.settings.iso);
  EXPECT_FALSE(m.pixel_pitch_mm);
}

TEST(Metadata, OfNoPictureIsEmpty) {
  const test::TempFolder folder;
  test::write_bytes(folder / "a.jpg", {1, 2, 3});
  EXPECT_FALSE(read_metadata(folder / "a.jpg", false).time_s);
  EXPECT_FALSE(read_metadata(folder / "absent.dng", true).time_s);
}

}  // namespace
}  // namespace ringsweep
