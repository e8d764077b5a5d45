#include "maker/sensor.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <exiv2/exiv2.hpp>
#include <opencv2/imgcodecs.hpp>
#include <stdexcept>

#include "maker/random.h"

namespace ringsweep::maker {

float srgb_encode(float linear) {
  return linear <= 0.0031308F ? 12.92F * linear : 1.055F * std::pow(linear, 1.0F / 2.4F) - 0.055F;
}

cv::Mat develop(const cv::Mat& linear_rgb, double gain, const Sensor& sensor,
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
  const auto well = static_cast<float>(sensor.full_well_e);
  const auto read_variance = static_cast<float>(sensor.read_noise_e * sensor.read_noise_e);
  const auto exposure = static_cast<float>(gain);
  cv::Mat bgr(linear_rgb.size(), CV_8UC3);
  tbb::parallel_for(0, bgr.rows, [&](int y) {
    const auto* in = linear_rgb.ptr<cv::Vec3f>(y);
    auto* out = bgr.ptr<cv::Vec3b>(y);
    for (int x = 0; x < bgr.cols; ++x) {
      for (int c = 0; c < 3; ++c) {
        const auto place =
            (static_cast<std::uint64_t>(y) << 32U) | static_cast<std::uint64_t>(x * 3 + c);
        const float electrons = std::max(0.0F, in[x][c] * exposure) * well;
        // Photon noise as a normal deviate of the same variance: thousands of electrons per pixel.
        const float noisy = electrons + std::sqrt(electrons + read_variance) *
                                            normal_from_hash(hash(noise_seed, place));
        const float level = std::clamp(noisy / well, 0.0F, 1.0F) * kLevels;
        out[x][2 - c] = codes[static_cast<std::size_t>(std::lround(level))];
      }
    }
  });
  return bgr;
}

std::vector<unsigned char> jpeg_with_exif(const cv::Mat& bgr, const Sensor& sensor,
                                          const std::string& time) {
  std::vector<unsigned char> bytes;
  // OpenCV leaves the sampling to the library's default, 2 x 2 for both chroma planes: 4:2:0.
  if (!cv::imencode(".jpg", bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, sensor.jpeg_quality})) {
    throw std::runtime_error("the picture cannot be encoded as JPEG");
  }
  try {
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
    exif["Exif.Photo.PixelXDimension"] = static_cast<std::uint32_t>(bgr.cols);
    exif["Exif.Photo.PixelYDimension"] = static_cast<std::uint32_t>(bgr.rows);
    auto image = Exiv2::ImageFactory::open(bytes.data(), static_cast<long>(bytes.size()));
    image->setExifData(exif);
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

}  // namespace ringsweep::maker
