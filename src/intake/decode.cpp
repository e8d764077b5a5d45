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
#include "reduced_copy.h"

namespace ringsweep {
namespace {

struct Bytes {
  std::unique_ptr<unsigned char[]> data;
  std::size_t size = 0;
  [[nodiscard]] std::span<unsigned char> span() const { return {data.get(), size}; }
};

Error cannot_open(const FrameRef& frame, int reason) {
  return {frame.file, "the file cannot be opened (" + std::generic_category().message(reason) + ")",
          "check its permissions and the card"};
}

/// What is no file that a picture may be in.
Result<std::uintmax_t> size_of_file(const FrameRef& frame) {
  std::error_code code;
  const auto status = std::filesystem::status(frame.path, code);
  if (!std::filesystem::exists(status))
    return tl::unexpected(Error{frame.file, "the file is not there any more",
                                "check that the card is in, and try again"});
  if (!std::filesystem::is_regular_file(status))  // reading a pipe might never end
    return tl::unexpected(Error{frame.file, "it is no ordinary file", "leave it out"});
  const auto size = std::filesystem::file_size(frame.path, code);
  if (code) return tl::unexpected(cannot_open(frame, code.value()));
  if (size == 0) return tl::unexpected(Error{frame.file, "the file is empty", kCopyAgain});
  return size;
}

/// A piece of the file, read at once: a card that is pulled out is then an error here, not a crash
/// later.
Result<Bytes> read_bytes(const FrameRef& frame, std::size_t offset, std::size_t size) {
  errno = 0;
  std::ifstream in(frame.path, std::ios::binary);
  if (!in) return tl::unexpected(cannot_open(frame, errno));
  Bytes bytes{.data = std::make_unique_for_overwrite<unsigned char[]>(size), .size = size};
  in.seekg(static_cast<std::streamoff>(offset));
  in.read(reinterpret_cast<char*>(bytes.data.get()), static_cast<std::streamsize>(size));
  if (in.gcount() != static_cast<std::streamsize>(size))
    return tl::unexpected(Error{frame.file, "the file cannot be read to its end",
                                "check the card, and copy the file again"});
  return bytes;
}

Result<Bytes> read_file(const FrameRef& frame, const DecodeOptions& options) {
  const Result<std::uintmax_t> size = size_of_file(frame);
  if (!size) return tl::unexpected(size.error());
  // 4 channels of 4 bytes a pixel, the most that any reader here takes.
  if (static_cast<double>(*size) > 16.0 * 1.0e6 * options.max_megapixels + 1.0e6 ||
      *size > static_cast<std::uintmax_t>(std::numeric_limits<int>::max()))
    return tl::unexpected(Error{frame.file, "the file is too large for a picture", kCopyAgain});
  return read_bytes(frame, 0, static_cast<std::size_t>(*size));
}

/// What the first bytes of the file say, and its name: many raw files are TIFF containers; a TIFF
/// reader would return their thumbnail as the picture.
ContentKind kind_of(std::span<const unsigned char> bytes, const FrameRef& frame) {
  const ContentKind kind = content_kind(bytes);
  const bool by_content =
      kind == ContentKind::jpeg || kind == ContentKind::png || kind == ContentKind::bmp;
  return !by_content && name_kind(frame.path) == NameKind::raw ? ContentKind::raw : kind;
}

/// What is asked for in full-size px, asked of a picture of which one px is `full_px` of them.
DecodeOptions in_its_px(DecodeOptions options, double full_px) {
  options.reduction = left_to_shrink(options.reduction, full_px);
  if (options.rows)
    options.rows =
        cv::Range(cvFloor(options.rows->start / full_px), cvCeil(options.rows->end / full_px));
  return options;
}

/// The preview of a raw file as a picture, where it is asked for and whole: no more of the file is
/// read. @param read  read_jpeg() or view_jpeg()
template <class Read>
auto read_preview(const Read& read, const FrameRef& frame, const DecodeOptions& options)
    -> std::optional<typename decltype(read({}, frame.file, options))::value_type> {
  constexpr std::size_t kHead = 4096;  // the first directory of a TIFF container, most likely
  if (frame.raw_picture == RawPicture::sensor) return std::nullopt;
  const Result<std::uintmax_t> size = size_of_file(frame);
  if (!size) return std::nullopt;
  const auto head = read_bytes(frame, 0, std::min<std::size_t>(kHead, *size));
  if (!head || (!frame.is_raw && kind_of(head->span(), frame) != ContentKind::raw))
    return std::nullopt;
  const auto offer = look_into_raw(frame.path);
  if (!offer || !offer->preview) return std::nullopt;
  const RawPreview& preview = *offer->preview;
  if (frame.raw_picture == RawPicture::by_size && !is_large_enough(preview)) return std::nullopt;
  const auto bytes = read_bytes(frame, preview.offset, preview.length);
  if (!bytes) return std::nullopt;
  auto picture = read(bytes->span(), frame.file, in_its_px(options, preview.full_px_per_px));
  if (!picture) return std::nullopt;
  picture->full_size = preview.full_size;
  picture->full_px_per_px *= preview.full_px_per_px;
  picture->full_px_per_file_px = preview.full_px_per_px;
  return std::move(*picture);
}

/// @param data   the whole file's bytes; may be changed
/// @param along  a view that is wanted too, or nullptr
Result<LinearFrame> read_picture_in(std::span<unsigned char> data, const FrameRef& frame,
                                    const DecodeOptions& options, ViewAlong* along) {
  switch (kind_of(data, frame)) {
    case ContentKind::jpeg:
      return read_jpeg(data, frame.file, options, along);
    case ContentKind::png:
      return read_png(data, frame.file, options, along);
    case ContentKind::bmp:
      return read_bmp(data, frame.file, options, along);
    case ContentKind::raw:
      return read_sensor_data(data, frame.file, options);
    case ContentKind::tiff:
      return read_tiff(data, frame.file, options, along);
    case ContentKind::unknown:
      break;
  }
  return tl::unexpected(
      Error{frame.file, "there is no picture in it, whatever its name says", kCopyAgain});
}

Result<LinearFrame> read_picture(const FrameRef& frame, const DecodeOptions& options,
                                 ViewAlong* along) {
  const auto jpeg = [along](std::span<const unsigned char> bytes, const std::string& file,
                            const DecodeOptions& of) { return read_jpeg(bytes, file, of, along); };
  if (auto preview = read_preview(jpeg, frame, options)) return std::move(*preview);
  Result<Bytes> bytes = read_file(frame, options);
  if (!bytes) return tl::unexpected(std::move(bytes.error()));
  return read_picture_in(bytes->span(), frame, options, along);
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
                 .full_px_per_px = frame.full_px_per_px,
                 .full_px_per_file_px = frame.full_px_per_file_px};
  for (int y = 0; y < view.bgr.rows; ++y)
    for (int x = 0; x < view.bgr.cols; ++x)
      view.bgr.at<cv::Vec3b>(y, x) = cv::Vec3b::all(
          tones[cv::saturate_cast<std::uint16_t>(65535.0F * frame.luminance.at<float>(y, x))]);
  return view;
}

/// Of the frame that it came along with.
void put_sizes(ViewAlong& along, const LinearFrame& picture) {
  along.view.full_size = picture.full_size;
  along.view.full_px_per_px = along.times * picture.full_px_per_px;
  along.view.full_px_per_file_px = picture.full_px_per_file_px;
}

Result<ViewFrame> read_view(const FrameRef& frame, const DecodeOptions& options) {
  if (auto preview = read_preview(view_jpeg, frame, options)) return std::move(*preview);
  Result<Bytes> bytes = read_file(frame, options);
  if (!bytes) return tl::unexpected(std::move(bytes.error()));
  if (content_kind(bytes->span()) == ContentKind::jpeg)
    return view_jpeg(bytes->span(), frame.file, options);
  ViewAlong along;
  return read_picture_in(bytes->span(), frame, options, &along)
      .map([&](const LinearFrame& picture) {
        if (along.view.bgr.empty()) return grey_view(picture);
        put_sizes(along, picture);
        return std::move(along.view);
      });
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

/// Reads a picture that may be a reduced copy, and counts its px in those of the full size.
template <class Read>
auto in_full_size_px(const Read& read, const FrameRef& frame, const DecodeOptions& options)
    -> decltype(read(frame, options)) {
  const bool known = !frame.is_raw && frame.full_size && frame.file_size;
  // 0: it is none.
  const double times = known ? reduced_by(*frame.file_size, *frame.full_size).value_or(0.0) : 0.0;
  auto picture = guarded(read, frame, times > 0.0 ? in_its_px(options, times) : options);
  if (!picture || times <= 0.0 || picture->full_size != *frame.file_size) return picture;
  picture->full_size = *frame.full_size;
  picture->full_px_per_px *= times;
  picture->full_px_per_file_px = times;
  return picture;
}

Result<LinearFrame> decode_with(const FrameRef& frame, const DecodeOptions& options,
                                ViewAlong* along) {
  const auto read = [along](const FrameRef& of, const DecodeOptions& how) {
    return read_picture(of, how, along);
  };
  return in_full_size_px(read, frame, options);
}

}  // namespace

Result<LinearFrame> decode(const FrameRef& frame, const DecodeOptions& options) {
  return decode_with(frame, options, nullptr);
}

Result<LinearFrame> decode_along(const FrameRef& frame, const DecodeOptions& options,
                                 ViewAlong& along) {
  if (along.times < 1) throw std::invalid_argument("ViewAlong::times must be at least 1");
  along.view = {};
  Result<LinearFrame> picture = decode_with(frame, options, &along);
  if (!picture) along.view = {};
  if (!along.view.bgr.empty()) put_sizes(along, *picture);
  return picture;
}

Result<ViewFrame> decode_view(const FrameRef& frame, const DecodeOptions& options) {
  return in_full_size_px(read_view, frame, options);
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
