// Raw files made here, so that every value in them is known: uncompressed DNG with a colour filter
// array. Tags: Adobe DNG specification 1.4; TIFF/EP (ISO 12234-2) for the array.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tiffio.h>

#include <algorithm>
#include <array>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "file_kind.h"
#include "ringsweep/decode.h"
#include "ringsweep/intake.h"
#include "support.h"

namespace ringsweep {
namespace {

using test::frame_at;
using test::TempFolder;
using ::testing::HasSubstr;

constexpr int kBlack = 512;
constexpr int kWhite = 16383;

struct Array {
  int size;                       // 2 for Bayer, 6 for a larger one
  std::vector<unsigned char> at;  // 0 red, 1 green, 2 blue, row by row
};

const Array kRggb{2, {0, 1, 1, 2}};
const Array kGbrg{2, {1, 2, 0, 1}};
// The published six by six arrangement of colours with 20 greens.
const Array kSixBySix{6, {1, 1, 0, 1, 1, 2, 1, 1, 2, 1, 1, 0, 2, 0, 1, 0, 2, 1,
                          1, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 0, 2, 1, 2, 0, 1}};

void set_camera(TIFF* tiff) {
  constexpr std::array<unsigned char, 4> kVersion = {1, 4, 0, 0};
  TIFFSetField(tiff, TIFFTAG_DNGVERSION, kVersion.data());
  TIFFSetField(tiff, TIFFTAG_UNIQUECAMERAMODEL, "ringsweep test camera");
  TIFFSetField(tiff, TIFFTAG_MAKE, "ringsweep");
  TIFFSetField(tiff, TIFFTAG_MODEL, "test camera");
  // XYZ (D65) to linear sRGB, IEC 61966-2-1: the camera's colours are those of the output.
  constexpr std::array<float, 9> kMatrix = {3.2406F, -1.5372F, -0.4986F, -0.9689F, 1.8758F,
                                            0.0415F, 0.0557F,  -0.2040F, 1.0570F};
  TIFFSetField(tiff, TIFFTAG_COLORMATRIX1, 9, kMatrix.data());
  TIFFSetField(tiff, TIFFTAG_CALIBRATIONILLUMINANT1, 21);  // D65
  constexpr std::array<float, 3> kNeutral = {1.0F, 1.0F, 1.0F};
  TIFFSetField(tiff, TIFFTAG_ASSHOTNEUTRAL, 3, kNeutral.data());
}

void write_mosaic(TIFF* tiff, const cv::Mat& mosaic, const Array& array) {
  TIFFSetField(tiff, TIFFTAG_SUBFILETYPE, 0);
  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, mosaic.cols);
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, mosaic.rows);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 16);
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 1);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_NONE);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_CFA);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, mosaic.rows);
  TIFFSetField(tiff, TIFFTAG_ORIENTATION, 6);  // must turn nothing
  const std::array<std::uint16_t, 2> repeat = {static_cast<std::uint16_t>(array.size),
                                               static_cast<std::uint16_t>(array.size)};
  TIFFSetField(tiff, TIFFTAG_CFAREPEATPATTERNDIM, repeat.data());
  TIFFSetField(tiff, TIFFTAG_CFAPATTERN, static_cast<int>(array.at.size()), array.at.data());
  constexpr std::array<float, 1> kBlackLevel = {kBlack};
  TIFFSetField(tiff, TIFFTAG_BLACKLEVEL, 1, kBlackLevel.data());
  constexpr std::array<std::uint32_t, 1> kWhiteLevel = {kWhite};
  TIFFSetField(tiff, TIFFTAG_WHITELEVEL, 1, kWhiteLevel.data());
  for (int y = 0; y < mosaic.rows; ++y)
    TIFFWriteScanline(tiff, const_cast<unsigned char*>(mosaic.ptr(y)),
                      static_cast<std::uint32_t>(y));
  TIFFWriteDirectory(tiff);
}

void write_dng(const std::filesystem::path& path, const cv::Mat& mosaic, const Array& array) {
  TIFF* tiff = TIFFOpen(path.c_str(), "w");
  ASSERT_NE(tiff, nullptr);
  set_camera(tiff);
  write_mosaic(tiff, mosaic, array);
  TIFFClose(tiff);
}

/// The preview in the first directory, the mosaic in a directory below it, as cameras do.
void write_dng_with_preview(const std::filesystem::path& path, const cv::Mat& mosaic,
                            const std::filesystem::path& jpeg, cv::Size size) {
  const std::vector<unsigned char> bytes = test::read_bytes(jpeg);
  TIFF* tiff = TIFFOpen(path.c_str(), "w");
  ASSERT_NE(tiff, nullptr);
  set_camera(tiff);
  TIFFSetField(tiff, TIFFTAG_SUBFILETYPE, FILETYPE_REDUCEDIMAGE);
  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, size.width);
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, size.height);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 8);
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_JPEG);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_YCBCR);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, size.height);
  const std::array<toff_t, 1> below = {0};
  TIFFSetField(tiff, TIFFTAG_SUBIFD, 1, below.data());
  TIFFWriteRawStrip(tiff, 0, const_cast<unsigned char*>(bytes.data()),
                    static_cast<tmsize_t>(bytes.size()));
  TIFFWriteDirectory(tiff);
  write_mosaic(tiff, mosaic, kRggb);
  TIFFClose(tiff);
}

int colour(const Array& array, int y, int x) {
  return array.at[static_cast<std::size_t>(y % array.size * array.size + x % array.size)];
}

/// Greens of a known pattern, reds and blues that would show if they were mixed in.
cv::Mat make_mosaic(cv::Size size, const Array& array) {
  cv::Mat mosaic(size, CV_16UC1);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const int green = kBlack + (37 * x + 101 * y) % 12000;
      const int other = kBlack + (977 * x + 13 * y) % 9000;
      mosaic.at<std::uint16_t>(y, x) =
          static_cast<std::uint16_t>(colour(array, y, x) == 1 ? green : other);
    }
  }
  return mosaic;
}

TEST(Raw, IsTheMeanOfTheTwoGreensLinearFromBlackToWhite) {
  const TempFolder folder;
  for (const Array& array : {kRggb, kGbrg}) {
    const cv::Mat mosaic = make_mosaic({96, 64}, array);
    write_dng(folder / "a.dng", mosaic, array);
    const auto frame = decode(frame_at(folder / "a.dng"));
    ASSERT_TRUE(frame) << one_line(frame.error());
    ASSERT_EQ(frame->luminance.size(), cv::Size(48, 32));
    EXPECT_EQ(frame->full_size, cv::Size(96, 64));
    EXPECT_EQ(frame->full_px_per_px, 2.0);
    for (int y = 0; y < 32; ++y) {
      for (int x = 0; x < 48; ++x) {
        double sum = 0.0;
        for (const int dy : {0, 1})
          for (const int dx : {0, 1})
            if (colour(array, dy, dx) == 1)
              sum += mosaic.at<std::uint16_t>(2 * y + dy, 2 * x + dx) - kBlack;
        ASSERT_NEAR(frame->luminance.at<float>(y, x), sum / 2.0 / (kWhite - kBlack), 1.2e-7)
            << x << ' ' << y;  // rounding of two floats below 1
        ASSERT_EQ(frame->clipped.at<std::uint8_t>(y, x), 0);
      }
    }
  }
}

TEST(Raw, WhatIsBelowBlackIsBlackAndWhatIsAtWhiteIsClipped) {
  const TempFolder folder;
  cv::Mat mosaic = make_mosaic({96, 64}, kRggb);
  mosaic(cv::Rect(0, 0, 2, 2)).setTo(100);
  mosaic(cv::Rect(2, 0, 2, 2)).setTo(kWhite);
  mosaic.at<std::uint16_t>(0, 4) = kWhite;  // one red
  write_dng(folder / "a.dng", mosaic, kRggb);
  const auto frame = decode(frame_at(folder / "a.dng"));
  ASSERT_TRUE(frame) << one_line(frame.error());
  EXPECT_EQ(frame->luminance.at<float>(0, 0), 0.0F);
  EXPECT_FLOAT_EQ(frame->luminance.at<float>(0, 1), 1.0F);
  EXPECT_EQ(frame->clipped.at<std::uint8_t>(0, 0), 0);
  EXPECT_EQ(frame->clipped.at<std::uint8_t>(0, 1), 255);
  EXPECT_EQ(frame->clipped.at<std::uint8_t>(0, 2), 255);
}

TEST(Raw, AReductionOfTwoIsTheHalfSizeMosaicItself) {
  const TempFolder folder;
  write_dng(folder / "a.dng", make_mosaic({96, 64}, kRggb), kRggb);
  const auto one = decode(frame_at(folder / "a.dng"));
  const auto two = decode(frame_at(folder / "a.dng"), {.reduction = 2});
  const auto four = decode(frame_at(folder / "a.dng"), {.reduction = 4});
  ASSERT_TRUE(one && two && four);
  EXPECT_EQ(cv::norm(one->luminance, two->luminance), 0.0);
  EXPECT_EQ(four->luminance.size(), cv::Size(24, 16));
  EXPECT_EQ(four->full_px_per_px, 4.0);
  cv::Mat expected;
  cv::resize(one->luminance, expected, {24, 16}, 0, 0, cv::INTER_AREA);
  EXPECT_LT(cv::norm(four->luminance, expected, cv::NORM_INF), 2.4e-7);  // rounding of four floats
}

TEST(Raw, ADngByAnotherNameIsStillOne) {
  const TempFolder folder;
  write_dng(folder / "a.tif", make_mosaic({96, 64}, kRggb), kRggb);
  const auto frame = decode(frame_at(folder / "a.tif"));
  ASSERT_TRUE(frame) << one_line(frame.error());
  EXPECT_EQ(frame->full_px_per_px, 2.0);
}

// An array other than 2 x 2 goes through LibRaw's own linear picture. One even grey, white balance
// 1, camera colours those of sRGB: luminance is the level, up to the digits of the matrix (4, and
// its inverse: 1e-3) and the rounding of LibRaw's integers.
TEST(Raw, AnotherArrayIsLinearToo) {
  const TempFolder folder;
  cv::Mat mosaic(96, 96, CV_16UC1);
  for (int y = 0; y < mosaic.rows; ++y)
    for (int x = 0; x < mosaic.cols; ++x)
      mosaic.at<std::uint16_t>(y, x) =
          static_cast<std::uint16_t>(kBlack + (x < 48 ? 0.125 : 0.5) * (kWhite - kBlack));
  write_dng(folder / "a.dng", mosaic, kSixBySix);
  const auto frame = decode(frame_at(folder / "a.dng"));
  ASSERT_TRUE(frame) << one_line(frame.error());
  EXPECT_EQ(frame->full_size, cv::Size(96, 96));
  EXPECT_NEAR(frame->full_px_per_px * frame->luminance.cols, 96.0, frame->full_px_per_px);
  const int middle = frame->luminance.rows / 2;
  const int cols = frame->luminance.cols;
  EXPECT_NEAR(frame->luminance.at<float>(middle, cols / 4), 0.125, 0.003);
  EXPECT_NEAR(frame->luminance.at<float>(middle, 3 * cols / 4), 0.5, 0.003);
}

TEST(Raw, APreviewOfHalfTheWidthIsTakenASmallerOneIsNot) {
  const TempFolder folder;
  const cv::Mat mosaic = make_mosaic({480, 320}, kRggb);
  struct Case {
    cv::Size preview;
    bool taken;
    cv::Size full;
    double ratio;
  };
  for (const Case& c :
       {Case{{480, 320}, true, {480, 320}, 1.0}, Case{{240, 160}, true, {480, 320}, 2.0},
        Case{{216, 144}, false, {480, 320}, 2.0},
        Case{{320, 480}, false, {480, 320}, 2.0}}) {  // turned
    test::write_picture(folder / "preview.jpg", cv::Mat(c.preview, CV_8UC3, cv::Scalar::all(188)));
    write_dng_with_preview(folder / "a.dng", mosaic, folder / "preview.jpg", c.preview);
    const auto frame = decode(frame_at(folder / "a.dng"));
    ASSERT_TRUE(frame) << one_line(frame.error());
    EXPECT_EQ(frame->full_size, c.full) << c.preview;
    EXPECT_EQ(frame->full_px_per_px, c.ratio) << c.preview;
    cv::Scalar mean;
    cv::Scalar sd;
    cv::meanStdDev(frame->luminance, mean, sd);
    // Code 188 everywhere is 0.502886 (IEC 61966-2-1); the mosaic is a pattern.
    EXPECT_EQ(std::abs(mean[0] - 0.502886) < 1e-5 && sd[0] < 1e-5, c.taken) << c.preview;
  }
}

// Cameras cut a few px from the sensor's edge: half of what is left is not a reduced copy of more.
TEST(Raw, APreviewOfHalfTheCameraPictureIsTakenForJustThat) {
  const TempFolder folder;
  test::write_picture(folder / "preview.jpg", test::noise_picture({239, 159}));
  write_dng_with_preview(folder / "a.dng", make_mosaic({480, 320}, kRggb), folder / "preview.jpg",
                         {239, 159});
  const auto frame = decode(frame_at(folder / "a.dng"));
  ASSERT_TRUE(frame) << one_line(frame.error());
  EXPECT_EQ(frame->full_size, cv::Size(478, 318));
  EXPECT_EQ(frame->full_px_per_px, 2.0);
  EXPECT_EQ(frame->luminance.cols, 239);
}

Result<LinearFrame> picture_of(const std::filesystem::path& path, RawPicture raw_picture,
                               const DecodeOptions& options = {}) {
  FrameRef frame = frame_at(path);
  frame.raw_picture = raw_picture;
  return decode(frame, options);
}

TEST(Raw, TheUserMaySayWhichPictureIsRead) {
  const TempFolder folder;
  for (const cv::Size size : {cv::Size(480, 320), cv::Size(120, 80)}) {
    test::write_picture(folder / "preview.jpg", cv::Mat(size, CV_8UC3, cv::Scalar::all(188)));
    write_dng_with_preview(folder / "a.dng", make_mosaic({480, 320}, kRggb), folder / "preview.jpg",
                           size);
    const auto preview = picture_of(folder / "a.dng", RawPicture::preview);
    const auto sensor = picture_of(folder / "a.dng", RawPicture::sensor);
    ASSERT_TRUE(preview && sensor);
    EXPECT_EQ(preview->luminance.size(), size);
    EXPECT_EQ(preview->full_size, cv::Size(480, 320));
    EXPECT_EQ(preview->full_px_per_file_px, 480.0 / size.width);
    EXPECT_EQ(sensor->luminance.size(), cv::Size(240, 160));
    EXPECT_EQ(sensor->full_px_per_file_px, 1.0);
  }
  write_dng(folder / "a.dng", make_mosaic({480, 320}, kRggb), kRggb);
  EXPECT_TRUE(picture_of(folder / "a.dng", RawPicture::preview)) << "there is none";
}

// A file that is larger than what may be read of one: its preview is read all the same.
TEST(Raw, OfAFileWhosePreviewSufficesNoMoreIsRead) {
  const DecodeOptions kSmall{.max_megapixels = 0.2};
  constexpr std::uintmax_t kMoreThanMayBeRead = 16'000'000 * 2 / 10 + 1'000'001;
  const TempFolder folder;
  test::write_picture(folder / "preview.jpg", test::noise_picture({480, 320}));
  write_dng_with_preview(folder / "a.dng", make_mosaic({480, 320}, kRggb), folder / "preview.jpg",
                         {480, 320});
  std::filesystem::resize_file(folder / "a.dng", kMoreThanMayBeRead);
  EXPECT_TRUE(picture_of(folder / "a.dng", RawPicture::by_size, kSmall));
  EXPECT_FALSE(picture_of(folder / "a.dng", RawPicture::sensor, kSmall));
}

/// Of each pair of a folder the file that is read.
std::vector<std::string> read_of_pairs(const TempFolder& folder, bool prefer_raw = false) {
  const auto path = folder.path() / "card";
  std::vector<std::string> files;
  for (const Burst& burst : find_bursts(std::span(&path, 1), {.prefer_raw = prefer_raw}).bursts)
    for (const FrameRef& frame : burst.frames) files.push_back(frame.file);
  return files;
}

struct PairCase {
  cv::Size jpeg;
  cv::Size preview;
  bool small_jpeg;  // in bytes
  const char* read;
};

// A camera's JPEG of the sensor's size, or of less, beside a raw with a preview.
TEST(RawAndJpeg, OfOneNameTheOneWithFewerBytesThatSufficesIsRead) {
  const cv::Size full(480, 320), half(240, 160), quarter(120, 80);
  for (const PairCase& c :
       {PairCase{full, quarter, false, "A1.JPG"}, PairCase{half, quarter, false, "A1.JPG"},
        PairCase{quarter, quarter, true, "A1.DNG"}, PairCase{full, half, false, "A1.DNG"},
        PairCase{full, full, true, "A1.JPG"}, PairCase{quarter, full, true, "A1.DNG"}}) {
    const TempFolder folder;
    test::write_picture(folder / "preview.jpg", test::noise_picture(c.preview), {},
                        {cv::IMWRITE_JPEG_QUALITY, 90});
    std::filesystem::create_directories(folder / "card");
    write_dng_with_preview(folder / "card/A1.DNG", make_mosaic(full, kRggb), folder / "preview.jpg",
                           c.preview);
    test::write_picture(folder / "card/A1.JPG", test::noise_picture(c.jpeg), {},
                        {cv::IMWRITE_JPEG_QUALITY, c.small_jpeg ? 20 : 95});
    EXPECT_THAT(read_of_pairs(folder), ::testing::ElementsAre(c.read)) << c.jpeg << c.preview;
    EXPECT_THAT(read_of_pairs(folder, true), ::testing::ElementsAre("A1.DNG"));
  }
}

// Frames of one burst must not be a JPEG here and a preview there: the sum of their bytes decides.
TEST(RawAndJpeg, PairsThatAreAlikeGoTogether) {
  const TempFolder folder;
  const cv::Size full(480, 320);
  test::write_picture(folder / "preview.jpg", test::noise_picture(full), {},
                      {cv::IMWRITE_JPEG_QUALITY, 80});
  std::filesystem::create_directories(folder / "card");
  for (const int i : {1, 2, 3}) {
    const std::string name = "card/A" + std::to_string(i);
    write_dng_with_preview(folder / (name + ".DNG"), make_mosaic(full, kRggb),
                           folder / "preview.jpg", full);
    test::write_picture(folder / (name + ".JPG"), test::noise_picture(full), {},
                        {cv::IMWRITE_JPEG_QUALITY, i == 2 ? 70 : 95});
  }
  EXPECT_THAT(read_of_pairs(folder), ::testing::ElementsAre("A1.DNG", "A2.DNG", "A3.DNG"));
}

// By its raw a JPEG of half the width is known for a reduced copy, and its Exif data serve both.
TEST(RawAndJpeg, EachTellsWhatItKnowsOfTheOther) {
  const TempFolder folder;
  const auto path = folder.path() / "card";
  std::filesystem::create_directories(path);
  test::write_picture(folder / "preview.jpg", test::noise_picture({120, 80}));
  write_dng_with_preview(path / "A1.DNG", make_mosaic({480, 320}, kRggb), folder / "preview.jpg",
                         {120, 80});
  const test::Exif times{{"Exif.Photo.DateTimeOriginal", "2000:01:01 00:00:01"},
                         {"Exif.Photo.SubSecTimeOriginal", "25"},
                         {"Exif.Image.Orientation", "6"}};
  test::write_picture(path / "A1.JPG", test::noise_picture({240, 160}), times);
  const auto only = [&] { return find_bursts(std::span(&path, 1)).bursts.at(0).frames.at(0); };
  const FrameRef jpeg = only();
  EXPECT_FALSE(jpeg.is_raw);
  EXPECT_EQ(jpeg.full_size, cv::Size(480, 320));
  EXPECT_EQ(jpeg.full_size_from, FullSizeFrom::raw);
  test::write_picture(path / "A1.JPG", test::noise_picture({120, 80}), times);
  const FrameRef raw = only();
  EXPECT_TRUE(raw.is_raw);
  EXPECT_EQ(raw.time_s, 946684801.25);
  EXPECT_EQ(raw.orientation, 6);
  EXPECT_FALSE(raw.file_size) << "the JPEG's";
}

TEST(Raw, DataThatEndTooEarlyAreAnError) {
  const TempFolder folder;
  write_dng(folder / "a.dng", make_mosaic({96, 64}, kRggb), kRggb);
  // The size of the only strip is claimed to be what it is, and the file ends in the middle of it:
  // the writer puts pixels first, so they are moved behind the directory, and their offset with
  // them.
  const std::vector<unsigned char> whole = test::read_bytes(folder / "a.dng");
  constexpr std::size_t kPixels = std::size_t{96} * 64 * 2;
  constexpr std::size_t kFirst = 8;
  const auto offset = tiff_value_offset(whole, TIFFTAG_STRIPOFFSETS);
  ASSERT_TRUE(offset);
  std::vector<unsigned char> moved = whole;
  const auto end = static_cast<std::uint32_t>(whole.size());
  for (std::size_t i = 0; i < 4; ++i)
    moved[*offset + i] = static_cast<unsigned char>(end >> (8 * i));
  moved.insert(moved.end(), whole.begin() + kFirst, whole.begin() + kFirst + kPixels);
  test::write_bytes(folder / "whole.dng", moved);
  ASSERT_TRUE(decode(frame_at(folder / "whole.dng")));
  for (const std::size_t missing : {kPixels / 2, std::size_t{200}, kPixels}) {
    test::write_bytes(folder / "part.dng",
                      {moved.begin(), moved.end() - static_cast<std::ptrdiff_t>(missing)});
    const auto part = decode(frame_at(folder / "part.dng"));
    ASSERT_FALSE(part) << missing;
    EXPECT_THAT(one_line(part.error()), HasSubstr("the picture data end too early"));
  }
}

TEST(Raw, ADamagedPreviewIsPassedOverInSilence) {
  const TempFolder folder;
  test::write_picture(folder / "preview.jpg", test::noise_picture({480, 320}));
  std::vector<unsigned char> bytes = test::read_bytes(folder / "preview.jpg");
  for (const std::size_t size : {bytes.size() / 2, std::size_t{20}}) {
    bytes.resize(size);
    test::write_bytes(folder / "preview.jpg", bytes);
    write_dng_with_preview(folder / "a.dng", make_mosaic({480, 320}, kRggb), folder / "preview.jpg",
                           {480, 320});
    testing::internal::CaptureStderr();
    const auto frame = decode(frame_at(folder / "a.dng"));
    EXPECT_EQ(testing::internal::GetCapturedStderr(), "");
    ASSERT_TRUE(frame) << one_line(frame.error());
    EXPECT_EQ(frame->full_px_per_px, 2.0);  // the mosaic
  }
}

// A header that claims 250 million entries keeps LibRaw reading at the end of the file. With no
// bound on that this test takes minutes, and the test runner ends it.
TEST(Raw, AHeaderThatClaimsEntriesWithoutEndIsGivenUp) {
  const TempFolder folder;
  constexpr std::string_view kHead("II*\0\x08\x0A\0\0IIIICwaR\x58\x06\0\0", 20);
  std::vector<unsigned char> bytes(3000, 0);
  std::ranges::copy(kHead, bytes.begin());
  bytes[0x65B] = 0x0F;  // the count of entries, 0x0F000000
  test::write_bytes(folder / "a.iiq", bytes);
  const auto path = folder / "a.iiq";
  const Intake intake = find_bursts(std::span(&path, 1));
  ASSERT_EQ(intake.bursts.size(), 1U);
  EXPECT_FALSE(intake.bursts[0].frames[0].time_s);
  const auto frame = decode(intake.bursts[0].frames[0]);
  ASSERT_FALSE(frame);
  EXPECT_THAT(one_line(frame.error()), HasSubstr("a.iiq: "));
}

TEST(Raw, AMosaicOfOneValueIsNoPicture) {
  const TempFolder folder;
  write_dng(folder / "a.dng", cv::Mat::zeros(64, 96, CV_16UC1), kRggb);
  const auto flat = decode(frame_at(folder / "a.dng"));
  ASSERT_FALSE(flat);
  EXPECT_THAT(one_line(flat.error()), HasSubstr("no picture was found in the raw file"));
}

// A row of a card's lost blocks reads as all zeros or all ones; one that the sun clipped is white.
TEST(Raw, RowsThatTheCardHasLostMakeADamagedFileClippedOnesDoNot) {
  const TempFolder folder;
  const auto decoded_with_rows_of = [&](int value, int rows) {
    cv::Mat mosaic = make_mosaic({96, 64}, kRggb);
    mosaic.rowRange(20, 20 + rows) = cv::Scalar(value);
    write_dng(folder / "a.dng", mosaic, kRggb);
    return decode(frame_at(folder / "a.dng"));
  };
  for (const int lost : {0, 65535, kBlack}) {
    const auto frame = decoded_with_rows_of(lost, 9);
    ASSERT_FALSE(frame) << lost;
    EXPECT_THAT(one_line(frame.error()), HasSubstr("the picture data are damaged"));
  }
  EXPECT_TRUE(decoded_with_rows_of(kWhite, 9));
  EXPECT_TRUE(decoded_with_rows_of(0, 3));
}

// Half of them with a preview: the other way through the reader.
TEST(Raw, WhateverIsDamagedIsAPictureOrAnError) {
  constexpr std::uint64_t kTimes = 150;
  const TempFolder folder;
  const cv::Mat mosaic = make_mosaic({320, 240}, kRggb);
  write_dng(folder / "plain.dng", mosaic, kRggb);
  test::write_picture(folder / "preview.jpg", test::noise_picture({160, 120}));
  write_dng_with_preview(folder / "preview.dng", mosaic, folder / "preview.jpg", {160, 120});
  for (const std::string kind : {"plain", "preview"}) {
    const std::vector<unsigned char> good = test::read_bytes(folder / (kind + ".dng"));
    for (std::uint64_t seed = 0; seed < kTimes; ++seed) {
      const auto file = folder / (kind + std::to_string(seed) + ".dng");
      test::write_bytes(file, test::mutated(good, seed));
      test::expect_picture_or_error(file);
    }
  }
}

}  // namespace
}  // namespace ringsweep
