#include "opencv_reader.h"

#include <tiffio.h>
#include <zlib.h>

#include <algorithm>
#include <array>
#include <cstdlib>
#include <cstring>
#include <memory>
#include <mutex>
#include <new>
#include <opencv2/core/utils/logger.hpp>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <vector>

#include "file_kind.h"
#include "linear_light.h"
#include "messages.h"
#include "view_rows.h"

namespace ringsweep {
namespace {

void silence_codecs() {
  static std::once_flag once;
  std::call_once(once, [] {
    cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT);
    TIFFSetWarningHandler(nullptr);
    TIFFSetErrorHandler(nullptr);
  });
}

/// A row for eyes, 8 bit.
void to_8_bit(const cv::Mat& row, cv::Mat& out) {
  constexpr double kPer16Bit = 1.0 / 257.0;
  if (row.depth() != CV_32F) {
    row.convertTo(out, CV_8U, row.depth() == CV_16U ? kPer16Bit : 1.0);
    return;
  }
  out.create(row.size(), CV_8UC3);
  const auto* light = row.ptr<float>();  // linear: see LinearRows::add_float()
  auto* tone = out.ptr<std::uint8_t>();
  for (int i = 0; i < 3 * row.cols; ++i)
    tone[i] = cv::saturate_cast<std::uint8_t>(
        255.0 * srgb_from_linear(light[i] > 0.0F ? std::min(light[i], 1.0F) : 0.0F));
}

/// Rows without light in the midst of rows full of it: lost on the card, where the format has no
/// checks of its own. What is dark in a picture does not begin and end with whole rows.
bool has_lost_rows(const cv::Mat& picture) {
  constexpr int kRows = 8;    // ours, no source
  constexpr int kPartly = 2;  // rows on either side that may be lost in part
  const int samples = picture.cols * picture.channels();
  const auto lit = [&](int y) { return cv::countNonZero(picture.row(y).reshape(1)); };
  int first = -1;  // row of those without light
  for (int y = 0; y < picture.rows; ++y) {
    if (lit(y) == 0) {
      if (first < 0) first = y;
      continue;
    }
    if (first >= kPartly && y - first >= kRows && y + 1 < picture.rows &&
        2 * std::min(lit(first - kPartly), lit(y + kPartly - 1)) > samples)
      return true;
    first = -1;
  }
  return false;
}

/// A file that passed the check: OpenCV unpacks it, its rows become linear light.
Result<LinearFrame> through_opencv(std::span<const unsigned char> bytes, const std::string& file,
                                   const DecodeOptions& options, ViewAlong* along) {
  silence_codecs();
  cv::Mat picture;
  try {
    const cv::Mat buffer(1, static_cast<int>(bytes.size()), CV_8UC1,
                         const_cast<unsigned char*>(bytes.data()));
    picture = cv::imdecode(buffer,
                           cv::IMREAD_ANYDEPTH | cv::IMREAD_COLOR | cv::IMREAD_IGNORE_ORIENTATION);
  } catch (const cv::Exception&) {
    picture.release();
  } catch (const std::bad_alloc&) {
    return tl::unexpected(Error{file, "there is not enough memory for it", "close other programs"});
  }
  if (picture.empty() || has_lost_rows(picture)) return tl::unexpected(damaged(file));

  LinearRows rows(picture.size(), options.reduction);
  for (int y = 0; y < picture.rows; ++y) {
    switch (picture.type()) {
      case CV_8UC3:
        rows.add_srgb8(picture.ptr<std::uint8_t>(y), Samples::bgr);
        break;
      case CV_16UC3:
        rows.add_srgb16(picture.ptr<std::uint16_t>(y), Samples::bgr);
        break;
      case CV_32FC3:
        rows.add_float(picture.ptr<float>(y), Samples::bgr);
        break;
      default:
        return tl::unexpected(
            Error{file, "its kind of pixels cannot be read", kSaveAsOrdinaryJpeg});
    }
  }
  LinearFrame frame = rows.finish();
  if (along != nullptr) {
    ViewRows view(picture.size(), along->times * cvRound(frame.full_px_per_px), false);
    cv::Mat tones;
    for (int y = 0; y < picture.rows; ++y) {
      to_8_bit(picture.row(y), tones);
      view.add(tones.ptr<std::uint8_t>());
    }
    along->view.bgr = view.bgr();
  }
  return frame;
}

Error unsupported(const std::string& file, const char* format) {
  return {file, std::string("this kind of ") + format + " cannot be read", kSaveAsOrdinaryJpeg};
}

// ---------------------------------------------------------------- PNG
// ISO/IEC 15948: 8 bytes of signature, then chunks of length, type, data, CRC over type and data.

struct PngHeader {
  cv::Size size;
  int bit_depth = 0;
  int samples = 0;
  bool interlaced = false;
};

std::uint32_t big_endian32(const unsigned char* p) {
  return (static_cast<std::uint32_t>(p[0]) << 24U) | (static_cast<std::uint32_t>(p[1]) << 16U) |
         (static_cast<std::uint32_t>(p[2]) << 8U) | p[3];
}

std::optional<PngHeader> png_header(std::span<const unsigned char> data) {
  if (data.size() != 13) return std::nullopt;
  const std::uint32_t width = big_endian32(data.data());
  const std::uint32_t height = big_endian32(data.data() + 4);
  if (width == 0 || height == 0 || width > 1'000'000 || height > 1'000'000) return std::nullopt;
  PngHeader header{.size = {static_cast<int>(width), static_cast<int>(height)},
                   .bit_depth = data[8],
                   .interlaced = data[12] == 1};
  const int depth = header.bit_depth;
  const bool deep = depth == 8 || depth == 16;
  const bool shallow = depth == 1 || depth == 2 || depth == 4;
  switch (data[9]) {  // colour type and the depths it may have
    case 0:
      header.samples = deep || shallow ? 1 : 0;
      break;
    case 2:
      header.samples = deep ? 3 : 0;
      break;
    case 3:
      header.samples = depth == 8 || shallow ? 1 : 0;
      break;
    case 4:
      header.samples = deep ? 2 : 0;
      break;
    case 6:
      header.samples = deep ? 4 : 0;
      break;
    default:
      break;
  }
  if (header.samples == 0 || data[10] != 0 || data[11] != 0 || data[12] > 1) return std::nullopt;
  return header;
}

/// Checks that the unpacked data hold every row, each after a valid filter type (0 to 4).
class PngRows {
 public:
  explicit PngRows(const PngHeader& header) {
    struct Pass {
      int x, y, dx, dy;
    };
    constexpr std::array<Pass, 7> kAdam7 = {{{0, 0, 8, 8},
                                             {4, 0, 8, 8},
                                             {0, 4, 4, 8},
                                             {2, 0, 4, 4},
                                             {0, 2, 2, 4},
                                             {1, 0, 2, 2},
                                             {0, 1, 1, 2}}};
    constexpr std::array<Pass, 1> kAll = {{{0, 0, 1, 1}}};
    const std::span<const Pass> passes =
        header.interlaced ? std::span<const Pass>(kAdam7) : std::span<const Pass>(kAll);
    for (const Pass& pass : passes) {
      const int width = (header.size.width - pass.x + pass.dx - 1) / pass.dx;
      const int height = (header.size.height - pass.y + pass.dy - 1) / pass.dy;
      if (width <= 0 || height <= 0) continue;
      const std::size_t bits = static_cast<std::size_t>(width) *
                               static_cast<std::size_t>(header.samples * header.bit_depth);
      runs_.push_back({1 + (bits + 7) / 8, static_cast<std::size_t>(height)});
    }
  }

  /// @return false where a filter type is wrong.
  bool take(std::span<const unsigned char> data) {
    std::size_t at = 0;
    while (at < data.size() && run_ < runs_.size()) {
      if (in_row_ == 0 && data[at] > 4) return false;
      const std::size_t step = std::min(data.size() - at, runs_[run_].row_bytes - in_row_);
      at += step;
      in_row_ += step;
      if (in_row_ < runs_[run_].row_bytes) continue;
      in_row_ = 0;
      if (++row_ == runs_[run_].rows) {
        row_ = 0;
        ++run_;
      }
    }
    return true;
  }
  [[nodiscard]] bool complete() const { return run_ == runs_.size(); }

 private:
  struct Run {
    std::size_t row_bytes, rows;
  };
  std::vector<Run> runs_;
  std::size_t run_ = 0, row_ = 0, in_row_ = 0;
};

struct Inflate {
  z_stream stream{};
  Inflate() { inflateInit(&stream); }
  Inflate(const Inflate&) = delete;
  Inflate& operator=(const Inflate&) = delete;
  ~Inflate() { inflateEnd(&stream); }
};

enum class Check { good, truncated, damaged };

Check check_pixels(const PngHeader& header,
                   const std::vector<std::span<const unsigned char>>& data) {
  Inflate inflater;
  z_stream& stream = inflater.stream;
  PngRows rows(header);
  std::vector<unsigned char> out(1U << 17U);
  for (const auto& part : data) {
    stream.next_in = const_cast<unsigned char*>(part.data());
    stream.avail_in = static_cast<uInt>(part.size());
    do {
      stream.next_out = out.data();
      stream.avail_out = static_cast<uInt>(out.size());
      const int status = inflate(&stream, Z_NO_FLUSH);
      if (status != Z_OK && status != Z_STREAM_END && status != Z_BUF_ERROR) return Check::damaged;
      if (!rows.take({out.data(), out.size() - stream.avail_out})) return Check::damaged;
      if (status == Z_STREAM_END) return rows.complete() ? Check::good : Check::damaged;
      if (rows.complete()) break;
    } while (stream.avail_out == 0);
  }
  // No end of the packed stream: its checksum is missing, and the decoder would complain about
  // that.
  return Check::truncated;
}

// ---------------------------------------------------------------- TIFF

/// A file in memory for libtiff.
struct TiffMemory {
  std::span<const unsigned char> bytes;
  std::uint64_t at = 0;

  static tmsize_t read(thandle_t handle, void* out, tmsize_t size) {
    auto& self = *static_cast<TiffMemory*>(handle);
    if (self.at >= self.bytes.size()) return 0;
    const std::size_t n =
        std::min<std::size_t>(static_cast<std::size_t>(size), self.bytes.size() - self.at);
    std::memcpy(out, self.bytes.data() + self.at, n);
    self.at += n;
    return static_cast<tmsize_t>(n);
  }
  static tmsize_t write(thandle_t, void*, tmsize_t) { return 0; }
  static toff_t seek(thandle_t handle, toff_t offset, int whence) {
    auto& self = *static_cast<TiffMemory*>(handle);
    const std::uint64_t base =
        whence == SEEK_SET ? 0 : (whence == SEEK_CUR ? self.at : self.bytes.size());
    self.at = base + offset;
    return self.at;
  }
  static int close(thandle_t) { return 0; }
  static toff_t size(thandle_t handle) { return static_cast<TiffMemory*>(handle)->bytes.size(); }
};

struct TiffClose {
  void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};

template <class T>
std::optional<T> tiff_field(TIFF* tiff, std::uint32_t tag) {
  T value{};
  if (TIFFGetFieldDefaulted(tiff, tag, &value) != 1) return std::nullopt;
  return value;
}

constexpr double kMostPixelBytes = 16.0;  // the largest pixel here has 4 samples of 4 bytes

/// How many pixels a strip or tile may have: a strip is no larger than its picture, a tile may be
/// larger than a small one. 2048 x 2048: twice the side of the largest tiles that programs write.
/// Common practice, no source. All of them together hold a picture and what sticks out of it, at
/// most four times as much; else a small file keeps the reader unpacking for minutes.
double most_pixels(cv::Size picture) {
  constexpr double kLargestTile = 2048.0 * 2048.0;
  return std::max(kLargestTile, 1.0 * picture.width * picture.height);
}

/// Everything that OpenCV needs from the file, tried once.
std::optional<Error> check_tiff(std::span<const unsigned char> bytes, const std::string& file,
                                const DecodeOptions& options) {
  TiffMemory memory{.bytes = bytes};
  const std::unique_ptr<TIFF, TiffClose> tiff(
      TIFFClientOpen("picture", "rm", &memory, TiffMemory::read, TiffMemory::write,
                     TiffMemory::seek, TiffMemory::close, TiffMemory::size, nullptr, nullptr));
  if (!tiff) return damaged(file);
  const auto width = tiff_field<std::uint32_t>(tiff.get(), TIFFTAG_IMAGEWIDTH);
  const auto height = tiff_field<std::uint32_t>(tiff.get(), TIFFTAG_IMAGELENGTH);
  const auto photometric = tiff_field<std::uint16_t>(tiff.get(), TIFFTAG_PHOTOMETRIC);
  if (!width || !height || *width == 0 || *height == 0 || !photometric) return damaged(file);
  if (*width > 1'000'000 || *height > 1'000'000) return damaged(file);
  const cv::Size size(static_cast<int>(*width), static_cast<int>(*height));
  if (too_large(size, options)) return too_many_pixels(file, size);

  const auto bits = tiff_field<std::uint16_t>(tiff.get(), TIFFTAG_BITSPERSAMPLE).value_or(1);
  const auto samples = tiff_field<std::uint16_t>(tiff.get(), TIFFTAG_SAMPLESPERPIXEL).value_or(1);
  const auto format = tiff_field<std::uint16_t>(tiff.get(), TIFFTAG_SAMPLEFORMAT)
                          .value_or(static_cast<std::uint16_t>(SAMPLEFORMAT_UINT));
  const auto planes = tiff_field<std::uint16_t>(tiff.get(), TIFFTAG_PLANARCONFIG)
                          .value_or(static_cast<std::uint16_t>(PLANARCONFIG_CONTIG));
  const bool shallow = bits == 1 || bits == 2 || bits == 4 || bits == 8;
  const bool is_uint = format == SAMPLEFORMAT_UINT && (shallow || bits == 16);
  // Of floats OpenCV reads no other as colour, and says so on standard error.
  const bool is_float = format == SAMPLEFORMAT_IEEEFP && bits == 32 && samples == 3;
  const bool is_grey_or_rgb = *photometric == PHOTOMETRIC_MINISBLACK ||
                              *photometric == PHOTOMETRIC_MINISWHITE ||
                              *photometric == PHOTOMETRIC_RGB;
  if (!is_uint && !is_float) return unsupported(file, "TIFF");
  // Deep samples are read as they are: one, three or four of them side by side, black at 0.
  if (bits > 8 && (!is_grey_or_rgb || *photometric == PHOTOMETRIC_MINISWHITE ||
                   planes != PLANARCONFIG_CONTIG || samples == 2 || samples > 4))
    return unsupported(file, "TIFF");
  std::array<char, 1024> why{};
  if (bits <= 8 && TIFFRGBAImageOK(tiff.get(), why.data()) != 1) return unsupported(file, "TIFF");

  const bool tiled = TIFFIsTiled(tiff.get()) != 0;
  const tmsize_t chunk = tiled ? TIFFTileSize(tiff.get()) : TIFFStripSize(tiff.get());
  const std::uint32_t count =
      tiled ? TIFFNumberOfTiles(tiff.get()) : TIFFNumberOfStrips(tiff.get());
  if (chunk <= 0 || static_cast<double>(chunk) > kMostPixelBytes * most_pixels(size) ||
      static_cast<double>(chunk) * count > 4.0 * kMostPixelBytes * most_pixels(size))
    return damaged(file);
  std::unique_ptr<unsigned char, decltype(&std::free)> buffer(
      static_cast<unsigned char*>(std::malloc(static_cast<std::size_t>(chunk))), &std::free);
  if (!buffer) return damaged(file);
  for (std::uint32_t i = 0; i < count; ++i) {
    const tmsize_t got = tiled ? TIFFReadEncodedTile(tiff.get(), i, buffer.get(), chunk)
                               : TIFFReadEncodedStrip(tiff.get(), i, buffer.get(), chunk);
    if (got < 0) return damaged(file);
  }
  return std::nullopt;
}

std::uint32_t little_endian(std::span<const unsigned char> bytes, std::size_t at, std::size_t n) {
  std::uint32_t value = 0;
  for (std::size_t i = n; i-- > 0;) value = (value << 8U) | bytes[at + i];
  return value;
}

}  // namespace

Result<LinearFrame> read_png(std::span<const unsigned char> bytes, const std::string& file,
                             const DecodeOptions& options, ViewAlong* along) {
  // The same file with nothing in it but what the pixels need: comments, profiles and times, which
  // decoders complain about, stay out.
  std::vector<unsigned char> essential(bytes.begin(), bytes.begin() + 8);
  std::vector<std::span<const unsigned char>> data;
  std::optional<PngHeader> header;
  bool has_palette = false;
  std::size_t at = 8;
  while (true) {
    if (at + 12 > bytes.size()) return tl::unexpected(truncated(file));
    const std::size_t length = big_endian32(bytes.data() + at);
    if (length > bytes.size() - at - 12) return tl::unexpected(truncated(file));
    const auto chunk = bytes.subspan(at, length + 12);
    const std::string_view type(reinterpret_cast<const char*>(chunk.data() + 4), 4);
    at += chunk.size();
    if (type != "IHDR" && !header) return tl::unexpected(damaged(file));
    const bool essential_chunk =
        type == "IHDR" || type == "PLTE" || type == "IDAT" || type == "IEND";
    if (!essential_chunk) continue;
    const auto crc = crc32(0, chunk.data() + 4, static_cast<uInt>(length + 4));
    if (crc != big_endian32(chunk.data() + 8 + length)) return tl::unexpected(damaged(file));
    if (type == "IHDR") {
      if (header) return tl::unexpected(damaged(file));
      header = png_header(chunk.subspan(8, length));
      if (!header) return tl::unexpected(damaged(file));
      if (too_large(header->size, options))
        return tl::unexpected(too_many_pixels(file, header->size));
    }
    if (type == "PLTE") {
      if (has_palette || !data.empty() || length == 0 || length % 3 != 0 || length > 768)
        return tl::unexpected(damaged(file));
      has_palette = true;
    }
    if (type == "IDAT") data.push_back(chunk.subspan(8, length));
    essential.insert(essential.end(), chunk.begin(), chunk.end());
    if (type == "IEND") break;
  }
  const bool needs_palette = bytes[25] == 3;  // the colour type in the header
  if (data.empty() || (needs_palette && !has_palette)) return tl::unexpected(damaged(file));
  switch (check_pixels(*header, data)) {
    case Check::truncated:
      return tl::unexpected(truncated(file));
    case Check::damaged:
      return tl::unexpected(damaged(file));
    case Check::good:
      break;
  }
  return through_opencv(essential, file, options, along);
}

Result<LinearFrame> read_tiff(std::span<unsigned char> bytes, const std::string& file,
                              const DecodeOptions& options, ViewAlong* along) {
  silence_codecs();
  // The pixels are wanted as the sensor had them; OpenCV turns them as this tag says.
  constexpr std::uint16_t kOrientation = 0x0112;
  if (const auto offset = tiff_value_offset(bytes, kOrientation)) {
    const bool big_endian = bytes[0] == 'M';
    bytes[*offset] = big_endian ? 0 : 1;
    bytes[*offset + 1] = big_endian ? 1 : 0;
  }
  if (auto error = check_tiff(bytes, file, options)) return tl::unexpected(std::move(*error));
  return through_opencv(bytes, file, options, along);
}

Result<LinearFrame> read_bmp(std::span<const unsigned char> bytes, const std::string& file,
                             const DecodeOptions& options, ViewAlong* along) {
  // File header of 14 bytes (offset of the pixels at 10), then the info header: its size, width,
  // height (negative: top row first), planes, bits, compression, ..., colours used at 46.
  if (bytes.size() < 54) return tl::unexpected(truncated(file));
  const std::uint32_t offset = little_endian(bytes, 10, 4);
  const std::uint32_t info = little_endian(bytes, 14, 4);
  const auto width = static_cast<std::int32_t>(little_endian(bytes, 18, 4));
  const auto height = static_cast<std::int32_t>(little_endian(bytes, 22, 4));
  const std::uint32_t bits = little_endian(bytes, 28, 2);
  const std::uint32_t compression = little_endian(bytes, 30, 4);
  const std::uint32_t colours = little_endian(bytes, 46, 4);
  if (info < 40 || info > 124 || width <= 0 || height == 0 || height < -1'000'000 ||
      height > 1'000'000 || width > 1'000'000)
    return tl::unexpected(damaged(file));
  const cv::Size size(width, std::abs(height));
  if (too_large(size, options)) return tl::unexpected(too_many_pixels(file, size));
  if (compression != 0 || (bits != 8 && bits != 24 && bits != 32))
    return tl::unexpected(unsupported(file, "BMP"));
  const std::size_t palette = bits == 8 ? 4 * std::size_t{colours == 0 ? 256U : colours} : 0;
  if (colours > 256 || offset < 14 + info + palette) return tl::unexpected(damaged(file));
  const std::size_t row = (static_cast<std::size_t>(size.width) * bits / 8 + 3) / 4 * 4;
  if (bytes.size() < offset || bytes.size() - offset < row * static_cast<std::size_t>(size.height))
    return tl::unexpected(truncated(file));
  return through_opencv(bytes, file, options, along);
}

}  // namespace ringsweep
