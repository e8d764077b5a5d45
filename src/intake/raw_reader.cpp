#include "raw_reader.h"

#include <libraw.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <memory>
#include <system_error>
#include <vector>

#include "file_kind.h"
#include "jpeg_reader.h"
#include "linear_light.h"
#include "messages.h"

namespace ringsweep {
namespace {

/// A LibRaw stream that notes where LibRaw reads past its end, and that ends a read without end: a
/// damaged header can send LibRaw round in circles. The bound counts bytes and calls, not seconds,
/// so that the answer does not depend on the machine.
template <class Stream>
class Guarded : public Stream {
 public:
  template <class... Arguments>
  explicit Guarded(INT64 budget, Arguments... arguments) : Stream(arguments...), budget_(budget) {}

  int read(void* out, size_t size, size_t count) override {
    spend(static_cast<INT64>(std::min<size_t>(size * count, 1U << 30U)));
    if (size * count > 0 && this->tell() >= this->size()) ++blocks_past_end_;
    bytes_read_ += std::min<INT64>(static_cast<INT64>(size * count),
                                   std::max<INT64>(0, this->size() - this->tell()));
    return Stream::read(out, size, count);
  }
  int seek(INT64 offset, int whence) override {
    spend(0);
    return Stream::seek(offset, whence);
  }
  int get_char() override {
    if (--budget_ < 0) give_up();
    const int c = Stream::get_char();
    if (c < 0)
      ++chars_past_end_;
    else
      ++bytes_read_;
    return c;
  }
  char* gets(char* out, int size) override {
    spend(size);
    return Stream::gets(out, size);
  }
  int scanf_one(const char* format, void* value) override {
    spend(64);
    return Stream::scanf_one(format, value);
  }

  void forget_reads() {
    blocks_past_end_ = chars_past_end_ = 0;
    bytes_read_ = 0;
  }

  /// Bytes that were really there.
  [[nodiscard]] INT64 bytes_read() const { return bytes_read_; }

  /// More than what a decoder of whole blocks, or one with a look-ahead of some bytes, asks for in
  /// vain at the end of a file that is complete.
  [[nodiscard]] bool ended_too_early() const {
    return blocks_past_end_ > 1 || chars_past_end_ > 16;
  }
  [[nodiscard]] bool read_past_end() const { return blocks_past_end_ + chars_past_end_ > 0; }

 private:
  void spend(INT64 bytes) {
    constexpr INT64 kCall = 8;  // a call costs about as much as so many bytes
    budget_ -= bytes + kCall;
    if (budget_ < 0) give_up();
  }
  // LibRaw catches its own exceptions and returns an error.
  [[noreturn]] static void give_up() { throw LIBRAW_EXCEPTION_CANCELLED_BY_CALLBACK; }

  INT64 budget_;
  INT64 bytes_read_ = 0;
  std::size_t blocks_past_end_ = 0;
  std::size_t chars_past_end_ = 0;
};

/// Decoders read every byte once or twice, two at a time at the least: 10 times the size with
/// calls.
INT64 picture_budget(std::size_t file_size) {
  return 16 * static_cast<INT64>(file_size) + 64'000'000;
}
constexpr INT64 kHeaderBudget = 4'000'000;  // hundreds of times what the tags of a header need

/// Without LibRaw's own handlers, which write to standard error.
std::unique_ptr<LibRaw> make_processor() {
  auto raw = std::make_unique<LibRaw>();
  raw->set_memerror_handler(nullptr, nullptr);
  raw->set_dataerror_handler(nullptr, nullptr);
  raw->imgdata.params.user_flip = 0;  // sensor orientation
  return raw;
}

Error no_picture(const std::string& file) {
  return {file, "no picture was found in the raw file", kCopyAgain};
}

Error not_understood(const std::string& file) {
  return {file, "this raw file cannot be read",
          "use the camera's JPEG of it, convert it to DNG, or leave it out"};
}

Error error_of(int code, const std::string& file) {
  switch (code) {
    case LIBRAW_IO_ERROR:
      return truncated(file);
    case LIBRAW_DATA_ERROR:
    case LIBRAW_CANCELLED_BY_CALLBACK:
      return damaged(file);
    case LIBRAW_UNSUFFICIENT_MEMORY:
    case LIBRAW_TOO_BIG:
      return {file, "there is not enough memory for it", "close other programs"};
    default:
      return not_understood(file);
  }
}

cv::Size visible_size(const LibRaw& raw) {
  return {raw.imgdata.sizes.width, raw.imgdata.sizes.height};
}

/// The bytes from `offset` on, at most `most`; fewer where the file ends.
std::vector<unsigned char> bytes_at(const std::string& path, std::size_t offset, std::size_t most) {
  std::ifstream in(path, std::ios::binary);
  std::vector<unsigned char> bytes(most);
  in.seekg(static_cast<std::streamoff>(offset));
  in.read(reinterpret_cast<char*>(bytes.data()), static_cast<std::streamsize>(most));
  bytes.resize(static_cast<std::size_t>(std::max<std::streamsize>(0, in.gcount())));
  return bytes;
}

/// Where LibRaw found a JPEG. Its bytes are taken from the file: LibRaw's own way to them lets a
/// damaged one write to standard error.
std::optional<RawPreview> find_preview(LibRaw& raw, const std::string& path,
                                       std::size_t file_size) {
  const INT64 offset = raw.get_internal_data_pointer()->internal_data.toffset;
  const std::size_t length = raw.imgdata.thumbnail.tlength;
  if (offset <= 0 || length == 0 || static_cast<std::size_t>(offset) > file_size ||
      length > file_size - static_cast<std::size_t>(offset))
    return std::nullopt;
  constexpr std::size_t kHeader = 256 * 1024;  // metadata come first, 64 kB for each of some kinds
  const auto from = static_cast<std::size_t>(offset);
  const std::vector<unsigned char> head = bytes_at(path, from, std::min(length, kHeader));
  if (content_kind(head) != ContentKind::jpeg) return std::nullopt;
  const auto size = jpeg_size(head);
  if (!size || size->width <= 0 || size->height <= 0) return std::nullopt;

  const cv::Size sensor = visible_size(raw);
  const double factor = static_cast<double>(sensor.width) / size->width;
  // A preview with another shape was turned or cut: its pixels are not where the sensor's are.
  // 4 %: cameras cut the edge of the sensor away. Common practice, no source.
  const double shape = factor * size->height / sensor.height;
  if (std::abs(shape - 1.0) > 0.04) return std::nullopt;
  // So one near the sensor's size is the camera's own full-size picture, and one near half of it is
  // half of that, to a hundredth.
  const int whole = std::max(1, cvRound(factor));
  const bool cut = factor < 1.1 || std::abs(factor / whole - 1.0) < 0.01;
  return RawPreview{.offset = from,
                    .length = length,
                    .size = *size,
                    .full_size = cut ? *size * whole : sensor,
                    .full_px_per_px = cut ? whole : factor};
}

bool is_bayer(LibRaw& raw) {
  const auto& data = raw.imgdata;
  if (data.rawdata.raw_image == nullptr || data.idata.filters < 1000 || data.idata.colors != 3)
    return false;
  if (raw.is_fuji_rotated() != 0) return false;
  // Two greens on one diagonal of every 2 x 2.
  int greens = 0;
  for (int i = 0; i < 4; ++i) greens += (raw.COLOR(i / 2, i % 2) & 1) != 0 ? 1 : 0;
  const bool diagonal = (raw.COLOR(0, 0) & 1) == (raw.COLOR(1, 1) & 1);
  return greens == 2 && diagonal;
}

/// Black level of a pixel of the visible area, in the units of the mosaic: the common one, the
/// colour's, and that of a repeating pattern (LibRaw's documentation of `cblack`).
double black_level(LibRaw& raw, int row, int col) {
  const auto& color = raw.imgdata.color;
  double black = color.black;
  black += color.cblack[raw.COLOR(row, col) & 3];
  const unsigned rows = color.cblack[4];
  const unsigned cols = color.cblack[5];
  if (rows > 0 && cols > 0 && rows * cols <= LIBRAW_CBLACK_SIZE - 6)
    black += color.cblack[6 + (static_cast<unsigned>(row) % rows) * cols +
                          static_cast<unsigned>(col) % cols];
  return black;
}

/// The first pixel of a row of the mosaic's visible area.
const ushort* row_of(LibRaw& raw, int row) {
  const auto& sizes = raw.imgdata.sizes;
  const std::size_t pitch = sizes.raw_pitch / 2U;
  return raw.imgdata.rawdata.raw_image +
         (static_cast<std::size_t>(row) + sizes.top_margin) * pitch + sizes.left_margin;
}

/// Data that end too early leave the rest of the mosaic as it was: one value. Real sensors are
/// noisy.
bool is_flat(LibRaw& raw, int first_row, int last_row) {
  const ushort value = *row_of(raw, first_row);
  for (int row = first_row; row < last_row; ++row) {
    const ushort* line = row_of(raw, row);
    if (std::any_of(line, line + raw.imgdata.sizes.width, [&](ushort v) { return v != value; }))
      return false;
  }
  return true;
}

/// Rows of one value in the midst of others were never written, or were lost on the card (erased
/// memory reads as all ones). Only light that is clipped makes a sensor's rows alike.
bool has_lost_rows(LibRaw& raw, ushort clip) {
  constexpr int kRows = 8;  // 40 kB and more of a camera's mosaic: ours, no source
  for (int row = 0; row + kRows <= raw.imgdata.sizes.height; ++row) {
    const ushort value = *row_of(raw, row);
    const bool clipped = value >= clip && value <= raw.imgdata.color.maximum;
    if (!clipped && is_flat(raw, row, row + kRows)) return true;
  }
  return false;
}

Result<LinearFrame> green_of_mosaic(LibRaw& raw, bool read_past_end, const std::string& file,
                                    const DecodeOptions& options) {
  const auto& sizes = raw.imgdata.sizes;
  const cv::Size half(sizes.width / 2, sizes.height / 2);
  if (half.width < 1 || half.height < 1 || sizes.left_margin + sizes.width > sizes.raw_width ||
      sizes.top_margin + sizes.height > sizes.raw_height)
    return tl::unexpected(no_picture(file));
  if (is_flat(raw, 0, sizes.height)) return tl::unexpected(no_picture(file));
  if (read_past_end && is_flat(raw, std::max(0, sizes.height - 8), sizes.height))
    return tl::unexpected(truncated(file));

  // The offsets of the two greens in a block of 2 x 2, and what turns a value into 0..1. The
  // pattern of black levels may be larger than 2 x 2; its greens repeat at that distance in all but
  // exotic files, whose black then is off by less than a level.
  const int first_col = (raw.COLOR(0, 0) & 1) != 0 ? 0 : 1;
  const double white = raw.imgdata.color.maximum;
  const double black_upper = black_level(raw, 0, first_col);
  const double black_lower = black_level(raw, 1, 1 - first_col);
  if (white <= std::max(black_upper, black_lower)) return tl::unexpected(damaged(file));
  const auto scale_upper = static_cast<float>(0.5 / (white - black_upper));
  const auto scale_lower = static_cast<float>(0.5 / (white - black_lower));
  // A sensor's white level scatters from pixel to pixel. Common practice, no source.
  const auto clip =
      static_cast<ushort>(std::min(65535.0, black_upper + 0.98 * (white - black_upper)));
  if (has_lost_rows(raw, clip)) return tl::unexpected(damaged(file));

  LinearRows rows(half, std::max(1, options.reduction / 2));
  std::vector<float> line(static_cast<std::size_t>(half.width));
  std::vector<std::uint8_t> marks(line.size());
  for (int y = 0; y < half.height; ++y) {
    const ushort* upper = row_of(raw, 2 * y);
    const ushort* lower = row_of(raw, 2 * y + 1);
    for (std::size_t x = 0; x < line.size(); ++x, upper += 2, lower += 2) {
      const float value =
          scale_upper * (static_cast<float>(upper[first_col]) - static_cast<float>(black_upper)) +
          scale_lower *
              (static_cast<float>(lower[1 - first_col]) - static_cast<float>(black_lower));
      line[x] = std::clamp(value, 0.0F, 1.0F);
      marks[x] = std::max({upper[0], upper[1], lower[0], lower[1]}) >= clip ? 255 : 0;
    }
    rows.add_luminance(line.data(), marks.data());
  }
  LinearFrame frame = rows.finish();
  frame.full_size = visible_size(raw);
  frame.full_px_per_px *= 2.0;
  return frame;
}

/// LibRaw's own picture: linear (gamma 1), primaries of sRGB, no automatic brightening, half size.
Result<LinearFrame> linear_picture(LibRaw& raw, const std::string& file,
                                   const DecodeOptions& options) {
  const cv::Size full = visible_size(raw);  // LibRaw halves its own record of it
  auto& params = raw.imgdata.params;
  params.half_size = 1;
  params.output_bps = 16;
  params.gamm[0] = params.gamm[1] = 1.0;
  params.no_auto_bright = 1;
  params.use_camera_wb = 1;
  params.output_color = 1;
  params.user_qual = 0;
  if (const int code = raw.dcraw_process(); code != LIBRAW_SUCCESS)
    return tl::unexpected(error_of(code, file));
  int code = LIBRAW_SUCCESS;
  const std::unique_ptr<libraw_processed_image_t, decltype(&LibRaw::dcraw_clear_mem)> picture(
      raw.dcraw_make_mem_image(&code), &LibRaw::dcraw_clear_mem);
  if (!picture || picture->type != LIBRAW_IMAGE_BITMAP || picture->bits != 16 ||
      (picture->colors != 1 && picture->colors != 3) || picture->width < 1 || picture->height < 1)
    return tl::unexpected(code == LIBRAW_SUCCESS ? not_understood(file) : error_of(code, file));

  const auto* data = reinterpret_cast<const std::uint16_t*>(picture->data);
  const std::size_t count = std::size_t{picture->width} * picture->height * picture->colors;
  if (std::all_of(data, data + count, [&](std::uint16_t v) { return v == data[0]; }))
    return tl::unexpected(no_picture(file));
  const double factor = static_cast<double>(full.width) / picture->width;
  const int done = factor > 1.5 ? 2 : 1;
  LinearRows rows({picture->width, picture->height}, std::max(1, options.reduction / done));
  const Samples samples = picture->colors == 1 ? Samples::grey : Samples::rgb;
  for (int y = 0; y < picture->height; ++y, data += std::size_t{picture->width} * picture->colors)
    rows.add_linear16(data, samples);
  LinearFrame frame = rows.finish();
  frame.full_size = full;
  frame.full_px_per_px *= std::abs(factor - done) < 0.01 ? done : factor;
  return frame;
}

}  // namespace

bool is_large_enough(const RawPreview& preview) { return preview.full_px_per_px <= 2.0; }

std::optional<RawOffer> look_into_raw(const std::string& path) {
  std::error_code failed;
  const std::uintmax_t size = std::filesystem::file_size(path, failed);
  if (failed) return std::nullopt;
  Guarded<LibRaw_file_datastream> stream(kHeaderBudget, path.c_str());
  if (stream.valid() == 0) return std::nullopt;
  const auto raw = make_processor();
  if (raw->open_datastream(&stream) != LIBRAW_SUCCESS) return std::nullopt;
  const cv::Size sensor = visible_size(*raw);
  if (sensor.empty()) return std::nullopt;
  return RawOffer{.sensor = sensor, .preview = find_preview(*raw, path, size)};
}

Result<LinearFrame> read_sensor_data(std::span<const unsigned char> bytes, const std::string& file,
                                     const DecodeOptions& options) {
  // Outlives the processor that reads from it.
  Guarded<LibRaw_buffer_datastream> stream(picture_budget(bytes.size()),
                                           const_cast<unsigned char*>(bytes.data()), bytes.size());
  const auto raw = make_processor();
  if (const int code = raw->open_datastream(&stream); code != LIBRAW_SUCCESS)
    return tl::unexpected(error_of(code, file));
  const auto& sizes = raw->imgdata.sizes;
  if (sizes.width == 0 || sizes.height == 0) return tl::unexpected(no_picture(file));
  const cv::Size claimed(std::max(sizes.raw_width, sizes.width),
                         std::max(sizes.raw_height, sizes.height));
  if (too_large(claimed, options)) return tl::unexpected(too_many_pixels(file, claimed));

  stream.forget_reads();
  if (const int code = raw->unpack(); code != LIBRAW_SUCCESS)
    return tl::unexpected(error_of(code, file));
  // LibRaw reports success all the same.
  if (stream.ended_too_early()) return tl::unexpected(truncated(file));
  // Nor does it say that it read nothing and left the memory as it found it. No raw codec gets by
  // with an eighth of a bit a pixel.
  if (stream.bytes_read() < static_cast<INT64>(claimed.width) * claimed.height / 64)
    return tl::unexpected(no_picture(file));
  if (raw->error_count() > 0)
    return tl::unexpected(stream.read_past_end() ? truncated(file) : damaged(file));
  if (is_bayer(*raw)) return green_of_mosaic(*raw, stream.read_past_end(), file, options);
  return linear_picture(*raw, file, options);
}

std::optional<RawMetadata> read_raw_metadata(const std::string& path) {
  Guarded<LibRaw_file_datastream> stream(kHeaderBudget, path.c_str());
  if (stream.valid() == 0) return std::nullopt;
  const auto raw = make_processor();
  if (raw->open_datastream(&stream) != LIBRAW_SUCCESS) return std::nullopt;
  const auto& other = raw->imgdata.other;
  RawMetadata metadata;
  metadata.camera = std::string(raw->imgdata.idata.make) + '/' + raw->imgdata.idata.model;
  const auto positive = [](double value) {
    return std::isfinite(value) && value > 0.0 ? std::optional(value) : std::nullopt;
  };
  metadata.exposure_time_s = positive(other.shutter);
  metadata.f_number = positive(other.aperture);
  metadata.focal_length_mm = positive(other.focal_len);
  metadata.iso = positive(other.iso_speed);
  // LibRaw took the camera's clock for local time of this machine; take that back.
  std::tm local{};
  if (other.timestamp > 0 && localtime_r(&other.timestamp, &local) != nullptr) {
    using namespace std::chrono;
    const sys_days day = year{local.tm_year + 1900} /
                         month{static_cast<unsigned>(local.tm_mon + 1)} /
                         std::chrono::day{static_cast<unsigned>(local.tm_mday)};
    metadata.time_s = static_cast<double>(day.time_since_epoch().count()) * 86400.0 +
                      local.tm_hour * 3600.0 + local.tm_min * 60.0 + local.tm_sec;
  }
  switch (raw->imgdata.sizes.flip) {  // LibRaw: 3 half a turn, 5 a quarter left, 6 a quarter right
    case 3:
      metadata.orientation = 3;
      break;
    case 5:
      metadata.orientation = 8;
      break;
    case 6:
      metadata.orientation = 6;
      break;
    default:
      break;
  }
  return metadata;
}

}  // namespace ringsweep
