#include "maker/sensor.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <exiv2/exiv2.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

#include "maker/dng.h"
#include "maker/mosaic.h"
#include "maker/random.h"

namespace ringsweep::maker {

float srgb_encode(float linear) {
  return linear <= 0.0031308F ? 12.92F * linear : 1.055F * std::pow(linear, 1.0F / 2.4F) - 0.055F;
}

float tone_curve(float code, double strength) {
  const auto power = static_cast<float>(1.0 + strength);
  const float grey = srgb_encode(0.18F);
  if (code < grey) return grey * std::pow(std::max(0.0F, code) / grey, power);
  return 1.0F - (1.0F - grey) * std::pow(std::max(0.0F, 1.0F - code) / (1.0F - grey), power);
}

namespace {

/// What most recipes ask for: no mosaic, no change of tone or sharpness.
cv::Mat develop_plainly(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                        std::uint64_t noise_seed) {
  // 8-bit code of the linear level i / kLevels; steps of 1/65536 are finer than any code.
  constexpr int kLevels = 65536;
  static const std::vector<unsigned char> codes = [] {
    std::vector<unsigned char> table(kLevels + 1);
    for (int i = 0; i <= kLevels; ++i) {
      const float code = srgb_encode(static_cast<float>(i) / static_cast<float>(kLevels));
      table[static_cast<std::size_t>(i)] = static_cast<unsigned char>(std::lround(255.0F * code));
    }
    return table;
  }();
  const Photosite photosite(sensor);
  const auto exposure = static_cast<float>(gain);
  cv::Mat bgr(linear_rgb.size(), CV_8UC3);
  tbb::parallel_for(0, bgr.rows, [&](int y) {
    const auto* in = linear_rgb.ptr<cv::Vec3f>(y);
    auto* out = bgr.ptr<cv::Vec3b>(y);
    for (int x = 0; x < bgr.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const float share = photosite(in[x][c] * exposure, hash(noise_seed, place_of(x, y, c)));
        const float level = std::clamp(share, 0.0F, 1.0F) * kLevels;
        out[x][2 - c] = codes[static_cast<std::size_t>(std::lround(level))];
      }
    }
  });
  return bgr;
}

/// Linear RGB as the camera sees it, noise included, 0..1.
cv::Mat seen(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
             std::uint64_t noise_seed) {
  cv::Mat rgb;
  if (sensor.mosaic) {
    rgb = interpolated(mosaic_of(linear_rgb, gain, sensor, noise_seed));
  } else {
    const Photosite photosite(sensor);
    const auto exposure = static_cast<float>(gain);
    rgb.create(linear_rgb.size(), CV_32FC3);
    tbb::parallel_for(0, rgb.rows, [&](int y) {
      const auto* in = linear_rgb.ptr<cv::Vec3f>(y);
      auto* out = rgb.ptr<cv::Vec3f>(y);
      for (int x = 0; x < rgb.cols; ++x) {
        for (int c = 0; c < 3; ++c) {
          out[x][c] = photosite(in[x][c] * exposure, hash(noise_seed, place_of(x, y, c)));
        }
      }
    });
  }
  cv::min(rgb, 1.0, rgb);
  cv::max(rgb, 0.0, rgb);
  return rgb;
}

/// Unsharp mask: every channel gets `amount` times what a Gaussian takes from the luma.
void sharpen(cv::Mat& rgb, double amount, double sigma_px) {
  cv::Mat luma, soft;
  cv::cvtColor(rgb, luma, cv::COLOR_RGB2GRAY);  // ITU-R BT.601 weights, as JPEG's
  cv::GaussianBlur(luma, soft, {0, 0}, sigma_px, sigma_px, cv::BORDER_REFLECT_101);
  const cv::Mat detail = amount * (luma - soft);
  cv::Mat three;
  cv::cvtColor(detail, three, cv::COLOR_GRAY2RGB);
  rgb += three;
}

/// Encoded RGB, CV_32FC3, 0..1 but for what sharpening adds.
cv::Mat encoded(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                std::uint64_t noise_seed) {
  cv::Mat rgb = seen(linear_rgb, gain, sensor, noise_seed);
  tbb::parallel_for(0, rgb.rows, [&](int y) {
    auto* row = rgb.ptr<cv::Vec3f>(y);
    for (int x = 0; x < rgb.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const float code = srgb_encode(row[x][c]);
        row[x][c] = sensor.tone_curve == 0.0 ? code : tone_curve(code, sensor.tone_curve);
      }
    }
  });
  if (sensor.sharpening != 0.0) sharpen(rgb, sensor.sharpening, sensor.sharpening_px);
  return rgb;
}

cv::Mat as_bgr(const cv::Mat& rgb, int depth, double white) {
  cv::Mat codes, bgr;
  rgb.convertTo(codes, depth, white);  // rounds, and stops at the ends
  cv::cvtColor(codes, bgr, cv::COLOR_RGB2BGR);
  return bgr;
}

/// The fields a camera behind a manual lens writes.
Exiv2::ExifData exif_of(const std::string& time, const cv::Size& size) {
  Exiv2::ExifData exif;
  const std::string date = time.substr(0, 19);
  exif["Exif.Image.Orientation"] = std::uint16_t{1};
  exif["Exif.Image.DateTime"] = date;
  exif["Exif.Photo.DateTimeOriginal"] = date;
  exif["Exif.Photo.DateTimeDigitized"] = date;
  exif["Exif.Photo.SubSecTimeOriginal"] = time.substr(20);
  exif["Exif.Photo.SubSecTimeDigitized"] = time.substr(20);
  exif["Exif.Photo.ExposureTime"] = Exiv2::Rational(1, 200);
  exif["Exif.Photo.ISOSpeedRatings"] = std::uint16_t{200};
  exif["Exif.Photo.ColorSpace"] = std::uint16_t{1};
  exif["Exif.Photo.PixelXDimension"] = static_cast<std::uint32_t>(size.width);
  exif["Exif.Photo.PixelYDimension"] = static_cast<std::uint32_t>(size.height);
  return exif;
}

/// A file's bytes with the fields added; what the encoder has written itself stays.
std::vector<unsigned char> with_exif(const std::vector<unsigned char>& bytes,
                                     const Exiv2::ExifData& fields) {
  try {
    auto image = Exiv2::ImageFactory::open(bytes.data(), static_cast<long>(bytes.size()));
    image->readMetadata();
    for (const Exiv2::Exifdatum& field : fields) {
      image->exifData()[field.key()].setValue(&field.value());
    }
    image->writeMetadata();
    Exiv2::BasicIo& io = image->io();
    if (io.open() != 0) throw std::runtime_error("the Exif data cannot be read back");
    std::vector<unsigned char> written(io.size());
    const auto got = io.read(written.data(), static_cast<long>(written.size()));
    io.close();
    if (static_cast<std::size_t>(got) != written.size()) {
      throw std::runtime_error("the Exif data cannot be read back");
    }
    return written;
  } catch (const Exiv2::AnyError& e) {
    throw std::runtime_error(std::string("the Exif data cannot be written: ") + e.what());
  }
}

}  // namespace

cv::Mat develop(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                std::uint64_t noise_seed) {
  if (!sensor.mosaic && sensor.sharpening == 0.0 && sensor.tone_curve == 0.0) {
    return develop_plainly(linear_rgb, gain, sensor, noise_seed);
  }
  return as_bgr(encoded(linear_rgb, gain, sensor, noise_seed), CV_8U, 255.0);
}

cv::Mat develop_16_bit(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                       std::uint64_t noise_seed) {
  return as_bgr(encoded(linear_rgb, gain, sensor, noise_seed), CV_16U, 65535.0);
}

namespace {

std::vector<unsigned char> jpeg_of(const cv::Mat& bgr, const Sensor& sensor) {
  std::vector<unsigned char> bytes;
  // OpenCV leaves the sampling to the library's default, 2 x 2 for both chroma planes: 4:2:0.
  if (!cv::imencode(".jpg", bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, sensor.jpeg_quality})) {
    throw std::runtime_error("the picture cannot be encoded as JPEG");
  }
  return bytes;
}

/// The picture that the camera develops of the same mosaic, shrunk.
DngPreview preview_of(const cv::Mat& linear_rgb, double gain, Sensor sensor,
                      std::uint64_t noise_seed) {
  if (sensor.preview == 0.0) return {};
  sensor.mosaic = true;
  cv::Mat bgr;
  cv::resize(develop(linear_rgb, gain, sensor, noise_seed), bgr, {}, sensor.preview, sensor.preview,
             cv::INTER_AREA);
  return {.jpeg = jpeg_of(bgr, sensor), .size = bgr.size()};
}

}  // namespace

std::vector<unsigned char> jpeg_with_exif(const cv::Mat& bgr, const Sensor& sensor,
                                          const std::string& time) {
  return with_exif(jpeg_of(bgr, sensor), exif_of(time, bgr.size()));
}

std::vector<unsigned char> tiff_with_exif(const cv::Mat& bgr, const std::string& time) {
  std::vector<unsigned char> bytes;
  if (!cv::imencode(".tiff", bgr, bytes)) {
    throw std::runtime_error("the picture cannot be encoded as TIFF");
  }
  return with_exif(bytes, exif_of(time, bgr.size()));
}

std::vector<unsigned char> frame_file(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
                                      std::uint64_t noise_seed, const std::string& time) {
  switch (sensor.format) {
    case FileFormat::tiff16:
      return tiff_with_exif(develop_16_bit(linear_rgb, gain, sensor, noise_seed), time);
    case FileFormat::dng:
      return dng_of(mosaic_of(linear_rgb, gain, sensor, noise_seed), time,
                    preview_of(linear_rgb, gain, sensor, noise_seed));
    case FileFormat::jpeg:
      break;
  }
  return jpeg_with_exif(develop(linear_rgb, gain, sensor, noise_seed), sensor, time);
}

}  // namespace ringsweep::maker
