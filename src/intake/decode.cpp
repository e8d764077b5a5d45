#include "ringsweep/decode.h"

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <limits>
#include <memory>
#include <new>
#include <stdexcept>
#include <system_error>
#include <utility>
#include <vector>

#include "file_kind.h"
#include "jpeg_reader.h"
#include "linear_light.h"
#include "messages.h"
#include "metadata.h"
#include "opencv_reader.h"
#include "raw_reader.h"

namespace ringsweep {
namespace {

struct Bytes {
  std::unique_ptr<unsigned char[]> data;
  std::size_t size = 0;
  [[nodiscard]] std::span<unsigned char> span() const { return {data.get(), size}; }
};

/// The whole file, read at once: a card that is pulled out is then an error here, not a crash
/// later.
Result<Bytes> read_file(const FrameRef& frame, const DecodeOptions& options) {
  std::error_code code;
  const auto status = std::filesystem::status(frame.path, code);
  if (!std::filesystem::exists(status))
    return tl::unexpected(Error{frame.file, "the file is not there any more",
                                "check that the card is in, and try again"});
  if (!std::filesystem::is_regular_file(status))  // reading a pipe might never end
    return tl::unexpected(Error{frame.file, "it is no ordinary file", "leave it out"});
  const auto size = std::filesystem::file_size(frame.path, code);
  const auto cannot_open = [&](int reason) {
    return Error{frame.file,
                 "the file cannot be opened (" + std::generic_category().message(reason) + ")",
                 "check its permissions and the card"};
  };
  if (code) return tl::unexpected(cannot_open(code.value()));
  if (size == 0) return tl::unexpected(Error{frame.file, "the file is empty", kCopyAgain});
  // 4 channels of 4 bytes a pixel, the most that any reader here takes.
  if (static_cast<double>(size) > 16.0 * 1.0e6 * options.max_megapixels + 1.0e6 ||
      size > static_cast<std::uintmax_t>(std::numeric_limits<int>::max()))
    return tl::unexpected(Error{frame.file, "the file is too large for a picture", kCopyAgain});
  errno = 0;
  std::ifstream in(frame.path, std::ios::binary);
  if (!in) return tl::unexpected(cannot_open(errno));
  Bytes bytes{.data = std::make_unique_for_overwrite<unsigned char[]>(size), .size = size};
  in.read(reinterpret_cast<char*>(bytes.data.get()), static_cast<std::streamsize>(size));
  if (in.gcount() != static_cast<std::streamsize>(size))
    return tl::unexpected(Error{frame.file, "the file cannot be read to its end",
                                "check the card, and copy the file again"});
  return bytes;
}

Result<LinearFrame> read_picture(const FrameRef& frame, const DecodeOptions& options) {
  Result<Bytes> bytes = read_file(frame, options);
  if (!bytes) return tl::unexpected(std::move(bytes.error()));
  const std::span<unsigned char> data = bytes->span();
  const ContentKind kind = content_kind(data);
  switch (kind) {
    case ContentKind::jpeg:
      return read_jpeg(data, frame.file, options);
    case ContentKind::png:
      return read_png(data, frame.file, options);
    case ContentKind::bmp:
      return read_bmp(data, frame.file, options);
    default:
      break;
  }
  // Many raw files are TIFF containers; a TIFF reader would return their thumbnail as the picture.
  if (kind == ContentKind::raw || name_kind(frame.path) == NameKind::raw)
    return read_raw(data, frame.file, options);
  if (kind == ContentKind::tiff) return read_tiff(data, frame.file, options);
  return tl::unexpected(
      Error{frame.file, "there is no picture in it, whatever its name says", kCopyAgain});
}

/// Linear light as eyes see it.
ViewFrame grey_view(const LinearFrame& frame) {
  static const std::vector<std::uint8_t> tones = [] {
    std::vector<std::uint8_t> table(1U << 16U);
    for (std::size_t i = 0; i < table.size(); ++i)
      table[i] = cv::saturate_cast<std::uint8_t>(
          255.0 * srgb_from_linear(static_cast<double>(i) / static_cast<double>(table.size() - 1)));
    return table;
  }();
  ViewFrame view{.bgr = cv::Mat(frame.luminance.size(), CV_8UC3),
                 .full_size = frame.full_size,
                 .full_px_per_px = frame.full_px_per_px};
  for (int y = 0; y < view.bgr.rows; ++y)
    for (int x = 0; x < view.bgr.cols; ++x)
      view.bgr.at<cv::Vec3b>(y, x) = cv::Vec3b::all(
          tones[cv::saturate_cast<std::uint16_t>(65535.0F * frame.luminance.at<float>(y, x))]);
  return view;
}

Result<ViewFrame> read_view(const FrameRef& frame, const DecodeOptions& options) {
  Result<Bytes> bytes = read_file(frame, options);
  if (!bytes) return tl::unexpected(std::move(bytes.error()));
  if (content_kind(bytes->span()) == ContentKind::jpeg)
    return view_jpeg(bytes->span(), frame.file, options);
  return read_picture(frame, options).map(grey_view);
}

/// What `read` makes of the file; a codec's exceptions are the file's fault.
template <class Read>
auto guarded(const Read& read, const FrameRef& frame, const DecodeOptions& options)
    -> decltype(read(frame, options)) {
  if (options.reduction != 1 && options.reduction != 2 && options.reduction != 4 &&
      options.reduction != 8)
    throw std::invalid_argument("DecodeOptions::reduction must be 1, 2, 4 or 8");
  if (!(options.max_megapixels > 0.0))
    throw std::invalid_argument("DecodeOptions::max_megapixels must be above 0");
  try {
    return read(frame, options);
  } catch (const std::bad_alloc&) {
    return tl::unexpected(
        Error{frame.file, "there is not enough memory for it", "close other programs"});
  } catch (...) {  // a codec's own kind of exception: the file is at fault
    return tl::unexpected(damaged(frame.file));
  }
}

}  // namespace

Result<LinearFrame> decode(const FrameRef& frame, const DecodeOptions& options) {
  return guarded(read_picture, frame, options);
}

Result<ViewFrame> decode_view(const FrameRef& frame, const DecodeOptions& options) {
  return guarded(read_view, frame, options);
}

std::optional<LinearFrame> decode_thumbnail(const FrameRef& frame) {
  // Exif data hold no more than 64 kB, and a thumbnail has 160 x 120 px (CIPA DC-008).
  constexpr double kMaxMegapixels = 1.0;
  const std::vector<unsigned char> bytes = embedded_thumbnail(frame.path);
  const auto read = [&](const FrameRef& of, const DecodeOptions& options) {
    return read_jpeg(bytes, of.file, options);
  };
  if (bytes.empty()) return std::nullopt;
  Result<LinearFrame> picture = guarded(read, frame, {.max_megapixels = kMaxMegapixels});
  return picture ? std::optional(std::move(*picture)) : std::nullopt;
}

}  // namespace ringsweep
