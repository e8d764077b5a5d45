#include "maker/dng.h"

#include <tiffio.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <memory>
#include <stdexcept>

namespace ringsweep::maker {
namespace {

/// A file in memory, as the library wants it.
struct Memory {
  std::vector<unsigned char> bytes;
  std::size_t at = 0;

  static tmsize_t read(thandle_t handle, void* to, tmsize_t size) {
    auto& m = *static_cast<Memory*>(handle);
    const std::size_t left = m.bytes.size() > m.at ? m.bytes.size() - m.at : 0;
    const std::size_t got = std::min(left, static_cast<std::size_t>(size));
    if (got > 0) std::memcpy(to, m.bytes.data() + m.at, got);
    m.at += got;
    return static_cast<tmsize_t>(got);
  }
  static tmsize_t write(thandle_t handle, void* from, tmsize_t size) {
    auto& m = *static_cast<Memory*>(handle);
    const std::size_t end = m.at + static_cast<std::size_t>(size);
    if (end > m.bytes.size()) m.bytes.resize(end);
    std::memcpy(m.bytes.data() + m.at, from, static_cast<std::size_t>(size));
    m.at = end;
    return size;
  }
  static toff_t seek(thandle_t handle, toff_t offset, int whence) {
    auto& m = *static_cast<Memory*>(handle);
    const std::size_t base = whence == SEEK_SET ? 0 : (whence == SEEK_CUR ? m.at : m.bytes.size());
    m.at = base + static_cast<std::size_t>(offset);
    return m.at;
  }
  static int close(thandle_t) { return 0; }
  static toff_t size(thandle_t handle) { return static_cast<Memory*>(handle)->bytes.size(); }
  static int map(thandle_t, void**, toff_t*) { return 0; }
  static void unmap(thandle_t, void*, toff_t) {}
};

using Tiff = std::unique_ptr<TIFF, decltype(&TIFFClose)>;

void require(int done, const char* what) {
  if (done != 1) throw std::runtime_error(std::string("the DNG file cannot be written: ") + what);
}

template <class... Values>
void set(const Tiff& tiff, std::uint32_t tag, Values... values) {
  require(TIFFSetField(tiff.get(), tag, values...), "a field is refused");
}

/// Writes the directory of times and leaves its place to the main one.
std::uint64_t write_exif(const Tiff& tiff, const std::string& time) {
  require(TIFFCreateEXIFDirectory(tiff.get()) == 0 ? 1 : 0, "no Exif directory");
  const std::string date = time.substr(0, 19), milli = time.substr(20);
  constexpr std::array<std::uint16_t, 1> kSpeed{200};
  set(tiff, EXIFTAG_EXPOSURETIME, 1.0 / 200.0);
  set(tiff, EXIFTAG_ISOSPEEDRATINGS, 1, kSpeed.data());
  set(tiff, EXIFTAG_DATETIMEORIGINAL, date.c_str());
  set(tiff, EXIFTAG_DATETIMEDIGITIZED, date.c_str());
  set(tiff, EXIFTAG_SUBSECTIMEORIGINAL, milli.c_str());
  set(tiff, EXIFTAG_SUBSECTIMEDIGITIZED, milli.c_str());
  std::uint64_t place = 0;
  require(TIFFWriteCustomDirectory(tiff.get(), &place), "the Exif directory");
  return place;
}

/// What holds for the whole file: version, camera, colours, when it was shot.
void set_camera(const Tiff& tiff, const std::string& time, std::uint64_t exif) {
  constexpr std::array<std::uint8_t, 4> kVersion{1, 4, 0, 0}, kBackward{1, 1, 0, 0};
  // XYZ to linear sRGB (IEC 61966-2-1:1999): the sensor's colours are sRGB's own.
  constexpr std::array<float, 9> kMatrix{3.2406F, -1.5372F, -0.4986F, -0.9689F, 1.8758F,
                                         0.0415F, 0.0557F,  -0.2040F, 1.0570F};
  constexpr std::array<float, 3> kNeutral{1.0F, 1.0F, 1.0F};
  constexpr std::uint16_t kD65 = 21;  // Exif LightSource
  set(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
  set(tiff, TIFFTAG_DATETIME, time.substr(0, 19).c_str());
  set(tiff, TIFFTAG_DNGVERSION, kVersion.data());
  set(tiff, TIFFTAG_DNGBACKWARDVERSION, kBackward.data());
  set(tiff, TIFFTAG_UNIQUECAMERAMODEL, "Burst maker");
  set(tiff, TIFFTAG_COLORMATRIX1, 9, kMatrix.data());
  set(tiff, TIFFTAG_ASSHOTNEUTRAL, 3, kNeutral.data());
  set(tiff, TIFFTAG_CALIBRATIONILLUMINANT1, kD65);
  set(tiff, TIFFTAG_EXIFIFD, exif);
}

void set_size(const Tiff& tiff, cv::Size size, int bits, int samples) {
  set(tiff, TIFFTAG_IMAGEWIDTH, static_cast<std::uint32_t>(size.width));
  set(tiff, TIFFTAG_IMAGELENGTH, static_cast<std::uint32_t>(size.height));
  set(tiff, TIFFTAG_BITSPERSAMPLE, bits);
  set(tiff, TIFFTAG_SAMPLESPERPIXEL, samples);
  set(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  set(tiff, TIFFTAG_ROWSPERSTRIP, static_cast<std::uint32_t>(size.height));
}

/// The first directory, with the mosaic's below it.
void write_preview(const Tiff& tiff, const DngPreview& preview) {
  constexpr std::array<toff_t, 1> kBelow{0};
  set(tiff, TIFFTAG_SUBFILETYPE, FILETYPE_REDUCEDIMAGE);
  set_size(tiff, preview.size, 8, 3);
  set(tiff, TIFFTAG_COMPRESSION, COMPRESSION_JPEG);
  set(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_YCBCR);
  set(tiff, TIFFTAG_SUBIFD, 1, kBelow.data());
  auto jpeg = preview.jpeg;  // the library takes them as writable
  const auto size = static_cast<tmsize_t>(jpeg.size());
  require(TIFFWriteRawStrip(tiff.get(), 0, jpeg.data(), size) == size ? 1 : 0, "the preview");
  require(TIFFWriteDirectory(tiff.get()), "the preview's directory");
}

void write_mosaic(const Tiff& tiff, const cv::Mat& mosaic) {
  constexpr std::array<std::uint16_t, 2> kRepeat{2, 2};
  constexpr std::array<std::uint8_t, 4> kPattern{0, 1, 1, 2};
  constexpr std::array<float, 1> kBlack{kDngBlack};
  constexpr std::array<std::uint32_t, 1> kWhite{kDngWhite};
  set(tiff, TIFFTAG_SUBFILETYPE, 0);
  set_size(tiff, mosaic.size(), 16, 1);
  set(tiff, TIFFTAG_COMPRESSION, COMPRESSION_NONE);
  set(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_CFA);
  set(tiff, TIFFTAG_CFAREPEATPATTERNDIM, kRepeat.data());
  set(tiff, TIFFTAG_CFAPATTERN, static_cast<int>(kPattern.size()), kPattern.data());
  set(tiff, TIFFTAG_BLACKLEVEL, 1, kBlack.data());
  set(tiff, TIFFTAG_WHITELEVEL, 1, kWhite.data());
  std::vector<std::uint16_t> line(static_cast<std::size_t>(mosaic.cols));
  for (int y = 0; y < mosaic.rows; ++y) {
    const auto* row = mosaic.ptr<float>(y);
    std::ranges::transform(row, row + mosaic.cols, line.begin(), [](float share) {
      const long level = kDngBlack + std::lround(share * static_cast<float>(kDngWhite - kDngBlack));
      return static_cast<std::uint16_t>(std::clamp(level, 0L, static_cast<long>(kDngWhite)));
    });
    require(TIFFWriteScanline(tiff.get(), line.data(), static_cast<std::uint32_t>(y), 0), "a row");
  }
  require(TIFFWriteDirectory(tiff.get()), "the directory");
}

}  // namespace

std::vector<unsigned char> dng_of(const cv::Mat& mosaic, const std::string& time,
                                  const DngPreview& preview) {
  Memory memory;
  {
    const Tiff tiff(
        TIFFClientOpen("frame", "wl", &memory, Memory::read, Memory::write, Memory::seek,
                       Memory::close, Memory::size, Memory::map, Memory::unmap),
        TIFFClose);
    if (!tiff) throw std::runtime_error("the DNG file cannot be begun");
    const std::uint64_t exif = write_exif(tiff, time);
    TIFFFreeDirectory(tiff.get());
    require(TIFFCreateDirectory(tiff.get()) == 0 ? 1 : 0, "no directory");
    set_camera(tiff, time, exif);
    if (!preview.jpeg.empty()) write_preview(tiff, preview);
    write_mosaic(tiff, mosaic);
  }
  return memory.bytes;
}

}  // namespace ringsweep::maker
