#include "jpeg_reader.h"

#include <algorithm>
#include <csetjmp>
#include <cstdio>
// Needs size_t and FILE declared before it.
#include <jpeglib.h>
// Needs jpeglib.h before it.
#include <jerror.h>

#include <vector>

#include "linear_light.h"
#include "messages.h"
#include "view_rows.h"

namespace ringsweep {
namespace {

enum class Fault { none, truncated, damaged, unsupported };

struct ErrorManager {
  jpeg_error_mgr base;  // first, so that a pointer to it is a pointer to the whole
  std::jmp_buf jump;
  Fault fault = Fault::none;
};

[[noreturn]] void give_up(j_common_ptr info, Fault fault) {
  auto* manager = reinterpret_cast<ErrorManager*>(info->err);
  manager->fault = fault;
  std::longjmp(manager->jump, 1);
}

[[noreturn]] void on_error(j_common_ptr info) {
  switch (info->err->msg_code) {
    case JERR_SOF_UNSUPPORTED:
    case JERR_BAD_PRECISION:
    case JERR_CONVERSION_NOTIMPL:
    case JERR_ARITH_NOTIMPL:
    case JERR_NOT_COMPILED:
      give_up(info, Fault::unsupported);
    case JERR_INPUT_EOF:
    case JERR_INPUT_EMPTY:
      give_up(info, Fault::truncated);
    default:
      give_up(info, Fault::damaged);
  }
}

/// Bytes that no block needed are harmless where they are padding: all alike, before the end
/// marker.
bool is_padding(j_common_ptr info) {
  const auto* decompress = reinterpret_cast<j_decompress_ptr>(info);
  const int skipped = info->err->msg_parm.i[0];
  const int marker = info->err->msg_parm.i[1];
  constexpr int kEndOfImage = 0xD9;
  if (marker != kEndOfImage) return marker < 0xD0 || marker > 0xD7;  // a restart: blocks are lost
  // The codec stands behind the marker; the skipped bytes lie before its two.
  const JOCTET* end = decompress->src->next_input_byte - 2;
  return std::all_of(end - skipped, end, [&](JOCTET b) { return b == *(end - skipped); });
}

/// The codec calls damage a warning, and paints over it. A sharpness measure must not see paint.
void on_message(j_common_ptr info, int level) {
  if (level >= 0) return;
  switch (info->err->msg_code) {
    case JWRN_JPEG_EOF:
      give_up(info, Fault::truncated);
    case JWRN_HIT_MARKER:
    case JWRN_HUFF_BAD_CODE:
    case JWRN_MUST_RESYNC:
    case JWRN_ARITH_BAD_CODE:
    case JWRN_BOGUS_PROGRESSION:
      give_up(info, Fault::damaged);
    case JWRN_EXTRANEOUS_DATA:
      if (!is_padding(info)) give_up(info, Fault::damaged);
      break;
    default:
      break;  // wrong version numbers and the like
  }
}

void on_output(j_common_ptr) {}  // says nothing

/// A hostile progressive file repeats tiny scans, each of which costs a pass over the picture.
void on_progress(j_common_ptr info) {
  constexpr int kMaxScans = 200;  // cameras write 10; the standard allows more than anyone needs
  if (reinterpret_cast<j_decompress_ptr>(info)->input_scan_number > kMaxScans)
    give_up(info, Fault::damaged);
}

/// The codec with its errors turned into return values. Nothing that has a destructor lives between
/// setjmp and the codec's frames.
class Codec {
 public:
  explicit Codec(std::span<const unsigned char> bytes) : bytes_(bytes) {
    info_.err = jpeg_std_error(&manager_.base);
    manager_.base.error_exit = on_error;
    manager_.base.emit_message = on_message;
    manager_.base.output_message = on_output;
  }
  Codec(const Codec&) = delete;
  Codec& operator=(const Codec&) = delete;
  ~Codec() {
    if (created_) jpeg_destroy_decompress(&info_);
  }

  bool read_header() {
    if (setjmp(manager_.jump) != 0) return false;
    jpeg_create_decompress(&info_);
    created_ = true;
    jpeg_mem_src(&info_, bytes_.data(), static_cast<unsigned long>(bytes_.size()));
    progress_.progress_monitor = on_progress;
    info_.progress = &progress_;
    return jpeg_read_header(&info_, TRUE) == JPEG_HEADER_OK;
  }

  bool start(int reduction) {
    if (setjmp(manager_.jump) != 0) return false;
    info_.out_color_space = is_grey() ? JCS_GRAYSCALE : JCS_EXT_BGR;
    info_.scale_num = 1;
    info_.scale_denom = static_cast<unsigned>(reduction);
    return jpeg_start_decompress(&info_) == TRUE;
  }

  /// @param take  called with each row, from the top; throws nothing.
  template <class Take>
  bool read_rows(JSAMPLE* buffer, const Take& take) {
    if (setjmp(manager_.jump) != 0) return false;
    while (info_.output_scanline < info_.output_height) {
      JSAMPROW row = buffer;
      if (jpeg_read_scanlines(&info_, &row, 1) != 1) return false;
      take(buffer);
    }
    // Looks for the true end marker: one inside an embedded thumbnail was skipped with its segment.
    return jpeg_finish_decompress(&info_) == TRUE;
  }

  /// Only the rows from `first` to the one before `end`; what comes then is not looked at.
  template <class Take>
  bool read_some_rows(JSAMPLE* buffer, JDIMENSION first, JDIMENSION end, const Take& take) {
    if (setjmp(manager_.jump) != 0) return false;
    if (first > 0 && jpeg_skip_scanlines(&info_, first) != first) return false;
    while (info_.output_scanline < std::min(end, info_.output_height)) {
      JSAMPROW row = buffer;
      if (jpeg_read_scanlines(&info_, &row, 1) != 1) return false;
      take(buffer);
    }
    jpeg_abort_decompress(&info_);
    return true;
  }

  [[nodiscard]] bool is_grey() const { return info_.num_components == 1; }
  [[nodiscard]] bool is_colour() const {
    return info_.jpeg_color_space == JCS_YCbCr || info_.jpeg_color_space == JCS_RGB;
  }
  [[nodiscard]] cv::Size size() const {
    return {static_cast<int>(info_.image_width), static_cast<int>(info_.image_height)};
  }
  [[nodiscard]] std::size_t row_samples() const {
    return static_cast<std::size_t>(info_.output_width) *
           static_cast<std::size_t>(info_.output_components);
  }
  [[nodiscard]] Fault fault() const { return manager_.fault; }

 private:
  std::span<const unsigned char> bytes_;
  jpeg_decompress_struct info_{};
  jpeg_progress_mgr progress_{};
  ErrorManager manager_{};
  bool created_ = false;
};

Error error_of(Fault fault, const std::string& file) {
  if (fault == Fault::truncated) return truncated(file);
  if (fault == Fault::unsupported)
    return {file, "this kind of JPEG cannot be read", kSaveAsOrdinaryJpeg};
  return damaged(file);
}

/// Header, sizes and kinds that are not taken, then the codec made ready for its first row.
Result<void> start(Codec& codec, std::span<const unsigned char> bytes, const std::string& file,
                   const DecodeOptions& options) {
  if (!codec.read_header()) return tl::unexpected(error_of(codec.fault(), file));
  const cv::Size size = codec.size();
  if (too_large(size, options)) return tl::unexpected(too_many_pixels(file, size));
  // A block of 8 x 8 px costs at least 1 bit of a Huffman code, and at most two thirds of the
  // samples are left out: more than 1000 px a byte cannot be, and need not be given memory.
  if (static_cast<double>(size.width) * size.height > 1000.0 * static_cast<double>(bytes.size()))
    return tl::unexpected(truncated(file));
  // Printing inks, for example.
  if (!codec.is_grey() && !codec.is_colour())
    return tl::unexpected(error_of(Fault::unsupported, file));
  if (!codec.start(options.reduction)) return tl::unexpected(error_of(codec.fault(), file));
  return {};
}

}  // namespace

std::optional<cv::Size> jpeg_size(std::span<const unsigned char> bytes) {
  Codec codec(bytes);
  if (!codec.read_header()) return std::nullopt;
  return codec.size();
}

Result<LinearFrame> read_jpeg(std::span<const unsigned char> bytes, const std::string& file,
                              const DecodeOptions& options, ViewAlong* along) {
  Codec codec(bytes);
  if (auto started = start(codec, bytes, file, options); !started)
    return tl::unexpected(std::move(started.error()));
  const cv::Size size = shrunk(codec.size(), options.reduction);
  LinearRows rows(size, 1);
  std::optional<ViewRows> view;
  if (along != nullptr) view.emplace(size, along->times, codec.is_grey());
  std::vector<JSAMPLE> buffer(codec.row_samples());
  const Samples samples = codec.is_grey() ? Samples::grey : Samples::bgr;
  const auto take = [&](const JSAMPLE* row) {
    rows.add_srgb8(row, samples);
    if (view) view->add(row);
  };
  if (!codec.read_rows(buffer.data(), take)) return tl::unexpected(error_of(codec.fault(), file));
  if (along != nullptr) along->view.bgr = view->bgr();

  LinearFrame frame = rows.finish();
  frame.full_size = codec.size();
  frame.full_px_per_px = options.reduction;
  return frame;
}

Result<ViewFrame> view_jpeg(std::span<const unsigned char> bytes, const std::string& file,
                            const DecodeOptions& options) {
  Codec codec(bytes);
  if (auto started = start(codec, bytes, file, options); !started)
    return tl::unexpected(std::move(started.error()));
  const cv::Size size = shrunk(codec.size(), options.reduction);
  ViewRows rows(size, 1, codec.is_grey());
  std::vector<JSAMPLE> buffer(codec.row_samples());
  const auto take = [&](const JSAMPLE* row) { rows.add(row); };
  bool whole = false;
  if (options.rows) {
    const int first = std::clamp(options.rows->start / options.reduction, 0, size.height - 1);
    const int end =
        std::clamp((options.rows->end - 1) / options.reduction + 1, first + 1, size.height);
    rows.pass_over(first);
    whole = codec.read_some_rows(buffer.data(), static_cast<JDIMENSION>(first),
                                 static_cast<JDIMENSION>(end), take);
  } else {
    whole = codec.read_rows(buffer.data(), take);
  }
  if (!whole) return tl::unexpected(error_of(codec.fault(), file));
  return ViewFrame{.bgr = rows.bgr(),
                   .full_size = codec.size(),
                   .full_px_per_px = static_cast<double>(options.reduction)};
}

}  // namespace ringsweep
