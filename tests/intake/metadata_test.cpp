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

// The resolution counts pixels of the picture that the camera recorded.
TEST(Metadata, AShrunkCopyHasLargerPixelsACutOneHasTheCameras) {
  const test::TempFolder folder;
  test::Exif exif = camera_exif();
  exif["Exif.Photo.PixelXDimension"] = "6000";
  exif["Exif.Photo.PixelYDimension"] = "4000";
  test::write_picture(folder / "shrunk.jpg", test::noise_picture({600, 400}), exif);
  EXPECT_NEAR(*read_metadata(folder / "shrunk.jpg", false).pixel_pitch_mm, 0.06, 1e-14);
  test::write_picture(folder / "cut.jpg", test::noise_picture({600, 600}), exif);
  EXPECT_NEAR(*read_metadata(folder / "cut.jpg", false).pixel_pitch_mm, 0.006, 1e-15);
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
