#include "ringsweep/decode.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tiffio.h>

#include <algorithm>
#include <cmath>
#include <exiv2/exiv2.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "linear_light.h"
#include "ringsweep/intake.h"
#include "support.h"

namespace ringsweep {
namespace {

using test::frame_at;
using test::TempFolder;
using test::write_bytes;
using test::write_picture;
using ::testing::HasSubstr;

// Inverse sRGB of 8-bit codes, derived from IEC 61966-2-1:1999 to six decimals (so 5e-7 of
// rounding); encode(0.18) = 0.4613561 is published in the documentation of the library Colour,
// citing the same.
struct Code {
  int code;
  double linear;
};
constexpr Code kCodes[] = {{1, .000304},   {10, .003035},  {11, .003347}, {64, .051269},
                           {128, .215861}, {188, .502886}, {254, .991102}};

TEST(LinearFromSrgb, AgreesWithTheStandard) {
  for (const Code& c : kCodes)
    EXPECT_NEAR(linear_from_srgb(c.code / 255.0), c.linear, 5.1e-7) << c.code;
  // 7 decimals of the published code value, times the slope of the curve there (0.93).
  EXPECT_NEAR(linear_from_srgb(0.4613561), 0.18, 5e-8);
  // Half of the light is between the codes 187 and 188, in the middle: 187.5.
  EXPECT_NEAR(linear_from_srgb(187.5 / 255.0), 0.5, 2e-4);  // 0.05 of a code, the digits given
  EXPECT_EQ(linear_from_srgb(0.0), 0.0);
  EXPECT_EQ(linear_from_srgb(1.0), 1.0);
}

LinearFrame decoded(const std::filesystem::path& path, const DecodeOptions& options = {}) {
  auto frame = decode(frame_at(path), options);
  if (!frame) throw std::runtime_error(one_line(frame.error()));
  return std::move(*frame);
}

TEST(Decode, EightBitGreyAndColourAreLinearLight) {
  const TempFolder folder;
  for (const Code& c : kCodes) {
    write_picture(folder / "grey.png", cv::Mat(5, 7, CV_8UC1, cv::Scalar(c.code)));
    write_picture(folder / "colour.png", cv::Mat(5, 7, CV_8UC3, cv::Scalar::all(c.code)));
    write_picture(folder / "grey.bmp", cv::Mat(5, 7, CV_8UC1, cv::Scalar(c.code)));
    write_picture(folder / "colour.tif", cv::Mat(5, 7, CV_8UC3, cv::Scalar::all(c.code)));
    for (const char* name : {"grey.png", "colour.png", "grey.bmp", "colour.tif"}) {
      const LinearFrame frame = decoded(folder / name);
      ASSERT_EQ(frame.luminance.type(), CV_32FC1);
      ASSERT_EQ(frame.luminance.size(), cv::Size(7, 5));
      EXPECT_EQ(frame.full_size, cv::Size(7, 5));
      EXPECT_EQ(frame.full_px_per_px, 1.0);
      // The rounding of the table, and of three floats near 1.
      EXPECT_NEAR(frame.luminance.at<float>(4, 6), c.linear, 5.1e-7 + 1.2e-7) << name << c.code;
      EXPECT_EQ(frame.clipped.at<std::uint8_t>(0, 0), c.code >= 254 ? 255 : 0);
    }
  }
}

// ITU-R BT.709: 0.2126 R + 0.7152 G + 0.0722 B of linear values.
TEST(Decode, LuminanceWeightsAreThoseOfBt709) {
  const TempFolder folder;
  const cv::Scalar blue(255, 0, 0);
  const cv::Scalar green(0, 255, 0);
  const cv::Scalar red(0, 0, 255);
  for (const auto& [colour, weight] :
       {std::pair{blue, .0722F}, std::pair{green, .7152F}, std::pair{red, .2126F}}) {
    write_picture(folder / "a.png", cv::Mat(2, 2, CV_8UC3, colour));
    EXPECT_FLOAT_EQ(decoded(folder / "a.png").luminance.at<float>(0, 0), weight);
    cv::Mat deep;
    cv::Mat(2, 2, CV_8UC3, colour).convertTo(deep, CV_16U, 257.0);
    write_picture(folder / "a.tif", deep);
    EXPECT_FLOAT_EQ(decoded(folder / "a.tif").luminance.at<float>(0, 0), weight);
    EXPECT_EQ(decoded(folder / "a.tif").clipped.at<std::uint8_t>(0, 0), 255);
  }
}

// Code * 257 is the same level in 16 bits (65535 = 255 * 257).
TEST(Decode, SixteenBitsAreTheSameCurve) {
  const TempFolder folder;
  for (const Code& c : kCodes) {
    for (const int type : {CV_16UC1, CV_16UC3}) {
      write_picture(folder / "a.png", cv::Mat(5, 7, type, cv::Scalar::all(c.code * 257)));
      write_picture(folder / "a.tif", cv::Mat(5, 7, type, cv::Scalar::all(c.code * 257)));
      for (const char* name : {"a.png", "a.tif"}) {
        const LinearFrame frame = decoded(folder / name);
        EXPECT_NEAR(frame.luminance.at<float>(2, 3), c.linear, 5.1e-7 + 1.2e-7) << name << c.code;
        EXPECT_EQ(frame.clipped.at<std::uint8_t>(0, 0), c.code == 254 ? 0 : 0) << name << c.code;
      }
    }
  }
  // Not the top 8 bits alone: neighbours differ.
  write_picture(folder / "fine.png", cv::Mat(1, 1, CV_16UC1, cv::Scalar(32768)));
  write_picture(folder / "finer.png", cv::Mat(1, 1, CV_16UC1, cv::Scalar(32769)));
  EXPECT_LT(decoded(folder / "fine.png").luminance.at<float>(0, 0),
            decoded(folder / "finer.png").luminance.at<float>(0, 0));
}

TEST(Decode, FloatTiffIsLinearAlready) {
  const TempFolder folder;
  cv::Mat picture(2, 3, CV_32FC3, cv::Scalar::all(0.25));
  picture.at<cv::Vec3f>(0, 1) = cv::Vec3f::all(std::numeric_limits<float>::quiet_NaN());
  picture.at<cv::Vec3f>(0, 2) = cv::Vec3f::all(7.0F);
  write_picture(folder / "a.tif", picture, {}, {cv::IMWRITE_TIFF_COMPRESSION, 1});
  const LinearFrame frame = decoded(folder / "a.tif");
  EXPECT_FLOAT_EQ(frame.luminance.at<float>(0, 0), 0.25F);
  EXPECT_EQ(frame.luminance.at<float>(0, 1), 0.0F);
  EXPECT_FLOAT_EQ(frame.luminance.at<float>(0, 2), 1.0F);
  EXPECT_EQ(frame.clipped.at<std::uint8_t>(0, 2), 255);
}

// Uncompressed, it has no checks of its own.
TEST(Decode, ATiffThatLostRowsIsDamagedOneWithDarkGroundIsNot) {
  const TempFolder folder;
  const auto decoded_with_dark = [&](const cv::Rect& dark) {
    cv::Mat picture = test::noise_picture({96, 64});
    picture(dark) = cv::Scalar::all(0);
    write_picture(folder / "a.tif", picture, {}, {cv::IMWRITE_TIFF_COMPRESSION, 1});
    return decode(frame_at(folder / "a.tif"));
  };
  const auto lost = decoded_with_dark({0, 20, 96, 12});
  ASSERT_FALSE(lost);
  EXPECT_THAT(one_line(lost.error()), HasSubstr("the picture data are damaged"));
  EXPECT_TRUE(decoded_with_dark({0, 0, 96, 40}));   // a dark ground above, or a border
  EXPECT_TRUE(decoded_with_dark({1, 20, 95, 12}));  // something dark in the middle
  EXPECT_TRUE(decoded_with_dark({0, 20, 96, 4}));
}

TEST(Decode, AnAlphaChannelIsLeftAway) {
  const TempFolder folder;
  write_picture(folder / "a.png", cv::Mat(2, 2, CV_8UC4, cv::Scalar(128, 128, 128, 3)));
  EXPECT_NEAR(decoded(folder / "a.png").luminance.at<float>(0, 0), .215861, 6.3e-7);
}

// The slow, obvious twin: convert every pixel on its own, then average blocks in linear light.
TEST(Decode, ReductionIsTheMeanOfBlocksInLinearLight) {
  const TempFolder folder;
  const cv::Mat picture = test::noise_picture({53, 37});
  write_picture(folder / "a.png", picture);
  for (const int reduction : {1, 2, 4, 8}) {
    const LinearFrame frame = decoded(folder / "a.png", {.reduction = reduction});
    ASSERT_EQ(frame.luminance.size(), cv::Size(53 / reduction, 37 / reduction));
    EXPECT_EQ(frame.full_size, cv::Size(53, 37));
    EXPECT_EQ(frame.full_px_per_px, reduction);
    for (int y = 0; y < frame.luminance.rows; ++y) {
      for (int x = 0; x < frame.luminance.cols; ++x) {
        double sum = 0.0;
        bool clipped = false;
        for (int v = y * reduction; v < (y + 1) * reduction; ++v) {
          for (int u = x * reduction; u < (x + 1) * reduction; ++u) {
            const auto& p = picture.at<cv::Vec3b>(v, u);
            sum += .2126 * linear_from_srgb(p[2] / 255.0) + .7152 * linear_from_srgb(p[1] / 255.0) +
                   .0722 * linear_from_srgb(p[0] / 255.0);
            clipped = clipped || std::max({p[0], p[1], p[2]}) >= 254;
          }
        }
        // 64 sums of floats below 1.
        ASSERT_NEAR(frame.luminance.at<float>(y, x), sum / (reduction * reduction), 64 * 6e-8);
        ASSERT_EQ(frame.clipped.at<std::uint8_t>(y, x), clipped ? 255 : 0);
      }
    }
  }
}

TEST(Decode, AJpegIsThePictureOpenCvSees) {
  const TempFolder folder;
  cv::Mat picture;
  cv::GaussianBlur(test::noise_picture({101, 67}), picture, {}, 3.0);
  write_picture(folder / "a.jpg", picture);
  const cv::Mat twin = cv::imread((folder / "a.jpg").string());
  const LinearFrame frame = decoded(folder / "a.jpg");
  ASSERT_EQ(frame.luminance.size(), twin.size());
  for (int y = 0; y < twin.rows; ++y) {
    for (int x = 0; x < twin.cols; ++x) {
      const auto& p = twin.at<cv::Vec3b>(y, x);
      const double expected = .2126 * linear_from_srgb(p[2] / 255.0) +
                              .7152 * linear_from_srgb(p[1] / 255.0) +
                              .0722 * linear_from_srgb(p[0] / 255.0);
      ASSERT_NEAR(frame.luminance.at<float>(y, x), expected, 2e-7);  // three floats near 1
    }
  }
}

TEST(DecodeView, AColourJpegIsThePictureOpenCvSees) {
  const TempFolder folder;
  cv::Mat picture;
  cv::GaussianBlur(test::noise_picture({101, 67}), picture, {}, 3.0);
  write_picture(folder / "a.jpg", picture);
  const auto view = decode_view(frame_at(folder / "a.jpg"));
  ASSERT_TRUE(view);
  EXPECT_EQ(cv::norm(view->bgr, cv::imread((folder / "a.jpg").string()), cv::NORM_INF), 0.0);
  EXPECT_EQ(view->full_size, cv::Size(101, 67));
  const auto small = decode_view(frame_at(folder / "a.jpg"), {.reduction = 4});
  ASSERT_TRUE(small);
  EXPECT_EQ(small->bgr.size(), cv::Size(25, 16));
  EXPECT_EQ(small->full_px_per_px, 4.0);
}

TEST(DecodeView, OtherColourPicturesAreInColourToo) {
  const TempFolder folder;
  const cv::Mat picture = test::noise_picture({101, 67});
  cv::Mat deep, linear;
  picture.convertTo(deep, CV_16U, 257.0);
  picture.convertTo(linear, CV_32F);
  for (int i = 0; i < linear.rows * linear.cols * 3; ++i) {
    float& v = linear.ptr<float>()[i];
    v = static_cast<float>(linear_from_srgb(static_cast<double>(v) / 255.0));
  }
  write_picture(folder / "a.png", picture);
  write_picture(folder / "a.bmp", picture);
  write_picture(folder / "deep.png", deep);
  write_picture(folder / "deep.tif", deep);
  write_picture(folder / "linear.tif", linear, {}, {cv::IMWRITE_TIFF_COMPRESSION, 1});
  for (const char* name : {"a.png", "a.bmp", "deep.png", "deep.tif", "linear.tif"}) {
    const FrameRef frame = frame_at(folder / name);
    const auto view = decode_view(frame);
    ASSERT_TRUE(view) << name;
    EXPECT_EQ(cv::norm(view->bgr, picture, cv::NORM_INF), 0.0) << name;
    ViewAlong along{.times = 2, .view = {}};
    ASSERT_TRUE(decode_along(frame, {.reduction = 2}, along));
    EXPECT_EQ(along.view.bgr.size(), cv::Size(25, 16)) << name;
    EXPECT_EQ(along.view.full_px_per_px, 4.0);
    EXPECT_EQ(along.view.full_size, cv::Size(101, 67));
    const auto small = decode_view(frame, {.reduction = 4});
    ASSERT_TRUE(small);
    EXPECT_EQ(cv::norm(small->bgr, along.view.bgr, cv::NORM_INF), 0.0) << name;
  }
}

// To the code: the codec's rounding.
TEST(DecodeView, AGreyPictureIsGrey) {
  const TempFolder folder;
  cv::Mat picture(16, 256, CV_8UC1);
  for (int x = 0; x < picture.cols; ++x) picture.col(x).setTo(x);
  for (const char* name : {"a.png", "a.jpg"}) {
    write_picture(folder / name, picture, {}, {cv::IMWRITE_JPEG_QUALITY, 100});
    const auto view = decode_view(frame_at(folder / name));
    ASSERT_TRUE(view);
    cv::Mat expected;
    cv::cvtColor(cv::imread((folder / name).string(), cv::IMREAD_GRAYSCALE), expected,
                 cv::COLOR_GRAY2BGR);
    EXPECT_LE(cv::norm(view->bgr, expected, cv::NORM_INF), 1.0) << name;  // rounding of the inverse
  }
}

TEST(DecodeView, ComesAlongWithAFrame) {
  const TempFolder folder;
  cv::Mat picture;
  cv::GaussianBlur(test::noise_picture({101, 67}), picture, {}, 3.0);
  write_picture(folder / "a.jpg", picture);
  for (const int reduction : {1, 4}) {
    const FrameRef frame = frame_at(folder / "a.jpg");
    ViewAlong same{.times = 1, .view = {}};
    const auto light = decode_along(frame, {.reduction = reduction}, same);
    const auto alone = decode(frame, {.reduction = reduction});
    const auto view = decode_view(frame, {.reduction = reduction});
    ASSERT_TRUE(light && alone && view);
    EXPECT_EQ(cv::norm(light->luminance, alone->luminance, cv::NORM_INF), 0.0);
    EXPECT_EQ(cv::norm(same.view.bgr, view->bgr, cv::NORM_INF), 0.0);
    EXPECT_EQ(same.view.full_size, view->full_size);
    EXPECT_EQ(same.view.full_px_per_px, view->full_px_per_px);
    for (const int times : {2, 3}) {
      ViewAlong smaller{.times = times, .view = {}};
      ASSERT_TRUE(decode_along(frame, {.reduction = reduction}, smaller));
      const cv::Size size(view->bgr.cols / times, view->bgr.rows / times);
      cv::Mat means;
      cv::resize(view->bgr(cv::Rect(0, 0, times * size.width, times * size.height)), means, size, 0,
                 0, cv::INTER_AREA);
      ASSERT_EQ(smaller.view.bgr.size(), size);
      EXPECT_LE(cv::norm(smaller.view.bgr, means, cv::NORM_INF), 1.0) << "rounded otherwise";
      EXPECT_EQ(smaller.view.full_px_per_px, times * view->full_px_per_px);
    }
  }
}

TEST(DecodeView, OfAGreyJpegThatComesAlongIsGrey) {
  const TempFolder folder;
  cv::Mat picture(16, 256, CV_8UC1);
  for (int x = 0; x < picture.cols; ++x) picture.col(x).setTo(x);
  write_picture(folder / "a.jpg", picture, {}, {cv::IMWRITE_JPEG_QUALITY, 100});
  for (const int times : {1, 2}) {
    ViewAlong along{.times = times, .view = {}};
    ASSERT_TRUE(decode_along(frame_at(folder / "a.jpg"), {}, along));
    ASSERT_EQ(along.view.bgr.cols, 256 / times);
    const auto p = along.view.bgr.at<cv::Vec3b>(3, 100);
    EXPECT_EQ(p, cv::Vec3b::all(p[0]));
    EXPECT_NEAR(p[0], times * 100 + (times - 1) * 0.5, 1.5) << "the codec's rounding, and ours";
  }
}

TEST(DecodeView, DoesNotComeAlongFromBrokenFiles) {
  const TempFolder folder;
  write_picture(folder / "a.png", test::noise_picture({101, 67}));
  write_picture(folder / "a.jpg", test::noise_picture({101, 67}));
  ViewAlong along{.times = 1, .view = {}};
  std::filesystem::resize_file(folder / "a.jpg", std::filesystem::file_size(folder / "a.jpg") / 2);
  EXPECT_FALSE(decode_along(frame_at(folder / "a.jpg"), {}, along));
  EXPECT_TRUE(along.view.bgr.empty());
  along.times = 0;
  EXPECT_THROW((void)decode_along(frame_at(folder / "a.png"), {}, along), std::invalid_argument);
}

TEST(DecodeView, SomeRowsOfAJpegAreThoseOfTheWhole) {
  const TempFolder folder;
  cv::Mat picture;
  cv::GaussianBlur(test::noise_picture({333, 517}), picture, {}, 2.0);
  cv::Mat grey;
  cv::cvtColor(picture, grey, cv::COLOR_BGR2GRAY);
  for (const bool colour : {true, false})
    for (const int progressive : {0, 1}) {
      write_picture(folder / "a.jpg", colour ? picture : grey, {},
                    {cv::IMWRITE_JPEG_PROGRESSIVE, progressive});
      const FrameRef frame = frame_at(folder / "a.jpg");
      for (const int reduction : {1, 2, 4, 8}) {
        const auto whole = decode_view(frame, {.reduction = reduction});
        ASSERT_TRUE(whole);
        for (const cv::Range rows : {cv::Range(0, 64), cv::Range(201, 283), cv::Range(430, 517),
                                     cv::Range(-50, 900), cv::Range(600, 700)}) {
          const auto some = decode_view(frame, {.reduction = reduction, .rows = rows});
          ASSERT_TRUE(some);
          EXPECT_EQ(some->full_px_per_px, whole->full_px_per_px);
          ASSERT_EQ(some->bgr.size(), whole->bgr.size());
          const cv::Range mine(std::clamp(rows.start / reduction, 0, some->bgr.rows - 1),
                               std::clamp(rows.end / reduction, 1, some->bgr.rows));
          if (mine.empty()) continue;
          EXPECT_EQ(cv::norm(some->bgr.rowRange(mine), whole->bgr.rowRange(mine), cv::NORM_INF),
                    0.0)
              << rows.start << " by " << reduction << (colour ? "" : ", grey");
        }
        const auto top = decode_view(frame, {.reduction = reduction, .rows = cv::Range(0, 64)});
        EXPECT_EQ(cv::norm(top->bgr.row(top->bgr.rows - 1)), 0.0) << "passed over";
      }
    }
}

TEST(DecodeView, ADamagedJpegIsAnErrorHereToo) {
  const TempFolder folder;
  write_picture(folder / "a.jpg", test::noise_picture({101, 67}));
  const auto size = std::filesystem::file_size(folder / "a.jpg");
  std::filesystem::resize_file(folder / "a.jpg", size / 2);
  EXPECT_FALSE(decode_view(frame_at(folder / "a.jpg")));
  EXPECT_FALSE(decode_view(frame_at(folder / "none.jpg")));
}

// Shrinking in the codec and shrinking afterwards see the same picture. On a slope of 1 code a
// pixel the tone curve is straight over a block; what is left is the rounding of both (half a code
// each, at a slope of up to 1 / 100 a code).
TEST(Decode, AReducedJpegIsThePictureAtASmallerScale) {
  const TempFolder folder;
  cv::Mat picture(64, 160, CV_8UC3);
  for (int y = 0; y < picture.rows; ++y)
    for (int x = 0; x < picture.cols; ++x)
      picture.at<cv::Vec3b>(y, x) = cv::Vec3b::all(static_cast<std::uint8_t>(40 + x));
  write_picture(folder / "a.jpg", picture, {}, {cv::IMWRITE_JPEG_QUALITY, 100});
  const cv::Mat full = decoded(folder / "a.jpg").luminance;
  for (const int reduction : {2, 4, 8}) {
    const LinearFrame frame = decoded(folder / "a.jpg", {.reduction = reduction});
    cv::Mat expected;
    cv::resize(full, expected, {160 / reduction, 64 / reduction}, 0, 0, cv::INTER_AREA);
    ASSERT_EQ(frame.luminance.size(), expected.size());
    EXPECT_EQ(frame.full_size, cv::Size(160, 64));
    EXPECT_EQ(frame.full_px_per_px, reduction);
    EXPECT_LT(cv::norm(frame.luminance, expected, cv::NORM_INF), 0.01) << reduction;
  }
}

TEST(Decode, APixelOfAReducedJpegIsAWholeBlock) {
  const TempFolder folder;
  write_picture(folder / "a.jpg", test::noise_picture({101, 67}));
  const LinearFrame frame = decoded(folder / "a.jpg", {.reduction = 4});
  EXPECT_EQ(frame.luminance.size(), cv::Size(25, 16));
  EXPECT_EQ(frame.full_size, cv::Size(101, 67));
  EXPECT_EQ(frame.full_px_per_px, 4.0);
  EXPECT_TRUE(frame.luminance.isContinuous());
}

// A third of 303 x 201: px are counted in those of the full size, and what is to be shrunk is
// counted from there.
TEST(Decode, AReducedCopyIsCountedInPxOfTheFullSize) {
  const TempFolder folder;
  write_picture(folder / "a.jpg", test::noise_picture({101, 67}));
  FrameRef frame = frame_at(folder / "a.jpg");
  frame.file_size = {101, 67};
  ASSERT_TRUE(take_full_size(frame, {303, 201}, FullSizeFrom::user));
  struct Case {
    int reduction;
    double full_px_per_px;
    int width;
  };
  for (const Case& c :
       {Case{1, 3.0, 101}, Case{2, 3.0, 101}, Case{4, 6.0, 50}, Case{8, 12.0, 25}}) {
    const auto picture = decode(frame, {.reduction = c.reduction});
    const auto view = decode_view(frame, {.reduction = c.reduction});
    ASSERT_TRUE(picture && view);
    EXPECT_EQ(picture->full_size, cv::Size(303, 201));
    EXPECT_EQ(picture->full_px_per_px, c.full_px_per_px) << c.reduction;
    EXPECT_EQ(picture->full_px_per_file_px, 3.0);
    EXPECT_EQ(picture->luminance.cols, c.width);
    EXPECT_EQ(view->full_size, cv::Size(303, 201));
    EXPECT_EQ(view->full_px_per_px, c.full_px_per_px);
  }
}

TEST(TakeFullSize, IsOfThePicturesShapeAndNotSmaller) {
  FrameRef frame;
  frame.file_size = frame.full_size = {600, 400};
  frame.full_size_from = FullSizeFrom::unknown;
  EXPECT_FALSE(take_full_size(frame, {300, 200}, FullSizeFrom::user));
  EXPECT_FALSE(take_full_size(frame, {6000, 6000}, FullSizeFrom::user));
  EXPECT_EQ(frame.full_size_from, FullSizeFrom::unknown);
  EXPECT_TRUE(take_full_size(frame, {4000, 6000}, FullSizeFrom::user));
  EXPECT_EQ(frame.full_size, cv::Size(6000, 4000));
  EXPECT_TRUE(take_full_size(frame, {606, 404}, FullSizeFrom::raw)) << "edges that were cut off";
  EXPECT_EQ(frame.full_size, cv::Size(600, 400));
  EXPECT_EQ(frame.full_size_from, FullSizeFrom::raw);
}

TEST(Decode, TheOrientationTagTurnsNothing) {
  const TempFolder folder;
  const cv::Mat picture = test::noise_picture({30, 20});
  for (const char* name : {"a.jpg", "a.tif"}) {
    write_picture(folder / name, picture);
    const LinearFrame before = decoded(folder / name);
    for (const char* orientation : {"3", "6"}) {
      write_picture(folder / name, picture, {{"Exif.Image.Orientation", orientation}});
      for (const int reduction : {1, 2}) {
        const LinearFrame after = decoded(folder / name, {.reduction = reduction});
        ASSERT_EQ(after.full_size, cv::Size(30, 20)) << name << orientation;
        ASSERT_EQ(after.luminance.size(), cv::Size(30 / reduction, 20 / reduction));
        if (reduction == 1) {
          EXPECT_EQ(cv::norm(after.luminance, before.luminance), 0.0) << name;
        }
      }
    }
  }
}

TEST(Decode, TheContentDecidesNotTheName) {
  const TempFolder folder;
  write_picture(folder / "a.png", test::noise_picture({30, 20}));
  std::filesystem::rename(folder / "a.png", folder / "a.jpg");
  EXPECT_TRUE(decode(frame_at(folder / "a.jpg")));
}

std::string error_of(const std::filesystem::path& path, const DecodeOptions& options = {}) {
  const auto frame = decode(frame_at(path), options);
  return frame ? "a picture" : one_line(frame.error());
}

// ITU-T T.81, table B.1: FFD9 ends an image. One inside the thumbnail of an Exif segment does not.
TEST(Decode, ATruncatedJpegIsAnErrorWhateverItsThumbnailEndsWith) {
  const TempFolder folder;
  write_picture(folder / "thumb.jpg", test::noise_picture({32, 24}));
  write_picture(folder / "a.jpg", test::noise_picture({320, 240}));
  const std::vector<unsigned char> thumb = test::read_bytes(folder / "thumb.jpg");
  const auto image = Exiv2::ImageFactory::open((folder / "a.jpg").string());
  image->readMetadata();
  Exiv2::ExifThumb(image->exifData())
      .setJpegThumbnail(thumb.data(), static_cast<long>(thumb.size()));
  image->writeMetadata();
  const std::vector<unsigned char> whole = test::read_bytes(folder / "a.jpg");
  ASSERT_TRUE(decode(frame_at(folder / "a.jpg")));

  constexpr unsigned char kEnd[] = {0xFF, 0xD9};
  for (const double share : {0.3, 0.6, 0.95, 1.0}) {
    auto size = static_cast<std::size_t>(share * static_cast<double>(whole.size()));
    if (share == 1.0) size -= 2;  // nothing lost but the end marker
    std::vector<unsigned char> part(whole.begin(),
                                    whole.begin() + static_cast<std::ptrdiff_t>(size));
    ASSERT_NE(std::search(part.begin(), part.end(), std::begin(kEnd), std::end(kEnd)), part.end());
    write_bytes(folder / "part.jpg", part);
    for (const int reduction : {1, 8})
      EXPECT_EQ(
          error_of(folder / "part.jpg", {.reduction = reduction}),
          "part.jpg: the picture data end too early; copy it again from the card, or leave it "
          "out.");
  }
}

TEST(Decode, WhatFollowsAJpegDoesNotMatter) {
  const TempFolder folder;
  write_picture(folder / "a.jpg", test::noise_picture({64, 48}));
  std::vector<unsigned char> bytes = test::read_bytes(folder / "a.jpg");
  bytes.resize(bytes.size() + 5000, 0);
  write_bytes(folder / "a.jpg", bytes);
  EXPECT_TRUE(decode(frame_at(folder / "a.jpg")));
}

TEST(Decode, DamageInTheMiddleIsAnError) {
  const TempFolder folder;
  write_picture(folder / "a.jpg", test::noise_picture({320, 240}));
  write_picture(folder / "a.png", test::noise_picture({320, 240}));
  for (const char* name : {"a.jpg", "a.png"}) {
    std::vector<unsigned char> bytes = test::read_bytes(folder / name);
    for (std::size_t i = bytes.size() / 2; i < bytes.size() / 2 + 512; ++i)
      bytes[i] = static_cast<unsigned char>(0xFF - i % 7);
    write_bytes(folder / name, bytes);
    EXPECT_THAT(error_of(folder / name), HasSubstr("the picture data are damaged"));
  }
}

TEST(Decode, TruncatedPngTiffAndBmpAreErrors) {
  const TempFolder folder;
  for (const char* name : {"a.png", "a.tif", "a.bmp"}) {
    write_picture(folder / name, test::noise_picture({320, 240}));
    std::vector<unsigned char> bytes = test::read_bytes(folder / name);
    bytes.resize(bytes.size() * 2 / 3);
    write_bytes(folder / name, bytes);
    testing::internal::CaptureStderr();
    const std::string error = error_of(folder / name);
    EXPECT_EQ(testing::internal::GetCapturedStderr(), "") << name;
    EXPECT_THAT(error, HasSubstr("copy it again from the card")) << name;
  }
}

TEST(Decode, AHeaderThatClaimsTooMuchIsRefused) {
  const TempFolder folder;
  for (const char* name : {"a.jpg", "a.png", "a.tif", "a.bmp"}) {
    write_picture(folder / name, test::noise_picture({320, 240}));
    EXPECT_THAT(error_of(folder / name, {.max_megapixels = 0.07}),
                HasSubstr("the header claims 320 x 240 px"))
        << name;
    EXPECT_EQ(error_of(folder / name, {.max_megapixels = 0.08}), "a picture");
  }
}

TEST(Decode, FloatTiffOfAnyButThreeColoursIsRefusedInSilence) {
  const TempFolder folder;
  for (const int type : {CV_32FC1, CV_32FC4}) {
    write_picture(folder / "a.tif", cv::Mat(5, 7, type, cv::Scalar::all(0.5)));
    testing::internal::CaptureStderr();
    const std::string error = error_of(folder / "a.tif");
    EXPECT_EQ(testing::internal::GetCapturedStderr(), "") << type;
    EXPECT_THAT(error, HasSubstr("this kind of TIFF cannot be read")) << type;
  }
}

/// A TIFF of 16 x 16 px whose only tile is `side` px wide and high, packed to a thousandth.
void write_tile(const std::filesystem::path& path, std::uint32_t side) {
  TIFF* tiff = TIFFOpen(path.c_str(), "w");
  ASSERT_NE(tiff, nullptr);
  for (const auto& [tag, value] :
       {std::pair{TIFFTAG_IMAGEWIDTH, 16U}, std::pair{TIFFTAG_IMAGELENGTH, 16U},
        std::pair{TIFFTAG_TILEWIDTH, side}, std::pair{TIFFTAG_TILELENGTH, side},
        std::pair{TIFFTAG_BITSPERSAMPLE, 8U}, std::pair{TIFFTAG_SAMPLESPERPIXEL, 3U},
        std::pair{TIFFTAG_COMPRESSION, unsigned{COMPRESSION_ADOBE_DEFLATE}},
        std::pair{TIFFTAG_PHOTOMETRIC, unsigned{PHOTOMETRIC_RGB}},
        std::pair{TIFFTAG_PLANARCONFIG, unsigned{PLANARCONFIG_CONTIG}}})
    TIFFSetField(tiff, static_cast<std::uint32_t>(tag), value);
  std::vector<unsigned char> pixels(std::size_t{3} * side * side, 128);
  EXPECT_GT(TIFFWriteEncodedTile(tiff, 0, pixels.data(), static_cast<tmsize_t>(pixels.size())), 0);
  TIFFClose(tiff);
}

// A small file of one tile is worth gigabytes of memory otherwise, whatever the picture's size.
TEST(Decode, ATileFarLargerThanItsPictureIsRefused) {
  const TempFolder folder;
  write_tile(folder / "a.tif", 1024);
  EXPECT_EQ(error_of(folder / "a.tif"), "a picture");
  write_tile(folder / "a.tif", 8192);
  EXPECT_THAT(error_of(folder / "a.tif"), HasSubstr("the picture data are damaged"));
}

TEST(Decode, WhatIsNoFileIsAnError) {
  const TempFolder folder;
  EXPECT_THAT(error_of(folder / "absent.jpg"), HasSubstr("absent.jpg: the file is not there"));
  EXPECT_THAT(error_of(folder.path()), HasSubstr("it is no ordinary file"));
  write_bytes(folder / "text.jpg", {'h', 'e', 'l', 'l', 'o'});
  EXPECT_THAT(error_of(folder / "text.jpg"), HasSubstr("there is no picture in it"));
}

// With the raw ones of raw_test.cpp a thousand.
TEST(Decode, WhateverIsDamagedIsAPictureOrAnError) {
  constexpr std::uint64_t kTimes = 350;
  const test::TempFolder folder;
  test::write_picture(folder / "good.jpg", test::noise_picture({320, 240}),
                      {{"Exif.Photo.DateTimeOriginal", test::morning(3)},
                       {"Exif.Photo.FocalPlaneXResolution", "2500/1"}});
  test::write_picture(folder / "good.tif", test::noise_picture({160, 120}));
  for (const std::string kind : {"jpg", "tif"}) {
    const std::vector<unsigned char> good = test::read_bytes(folder / ("good." + kind));
    for (std::uint64_t seed = 0; seed < kTimes; ++seed) {
      const auto file = folder / (kind + std::to_string(seed) + "." + kind);
      test::write_bytes(file, test::mutated(good, seed));
      test::expect_picture_or_error(file);
    }
  }
}

TEST(DecodeThumbnail, IsTheSmallPictureInTheFile) {
  const test::TempFolder folder;
  const auto file = folder / "a.jpg";
  const cv::Mat small = test::noise_picture({160, 120}, 5);
  test::write_picture(folder / "small.jpg", small);
  test::write_picture(file, test::noise_picture({640, 480}), {{"Exif.Image.Orientation", "1"}});
  EXPECT_FALSE(decode_thumbnail(test::frame_at(file)));
  {
    const auto image = Exiv2::ImageFactory::open(file.string());
    image->readMetadata();
    Exiv2::ExifThumb(image->exifData()).setJpegThumbnail((folder / "small.jpg").string());
    image->writeMetadata();
  }
  const auto seen = decode_thumbnail(test::frame_at(file));
  const auto expected = decode(test::frame_at(folder / "small.jpg"));
  ASSERT_TRUE(seen);
  ASSERT_TRUE(expected);
  EXPECT_EQ(cv::norm(seen->luminance, expected->luminance, cv::NORM_INF), 0.0);
}

TEST(DecodeThumbnail, OneThatIsDamagedIsNone) {
  const test::TempFolder folder;
  const auto file = folder / "a.jpg";
  test::write_picture(file, test::noise_picture({640, 480}), {{"Exif.Image.Orientation", "1"}});
  test::write_bytes(folder / "small.jpg",
                    {0xFF, 0xD8, 0xFF, 0xC0, 0, 17, 8, 0xFF, 0xFF, 0xFF, 0xFF});
  const auto image = Exiv2::ImageFactory::open(file.string());
  image->readMetadata();
  Exiv2::ExifThumb(image->exifData()).setJpegThumbnail((folder / "small.jpg").string());
  image->writeMetadata();
  EXPECT_FALSE(decode_thumbnail(test::frame_at(file)));
  EXPECT_FALSE(decode_thumbnail(test::frame_at(folder / "nowhere.jpg")));
}

TEST(Decode, AReductionThatIsNoneIsTheCallersMistake) {
  EXPECT_THROW(static_cast<void>(decode({}, {.reduction = 3})), std::invalid_argument);
  EXPECT_THROW(static_cast<void>(decode({}, {.max_megapixels = 0.0})), std::invalid_argument);
}

}  // namespace
}  // namespace ringsweep
