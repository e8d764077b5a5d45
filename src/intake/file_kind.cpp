#include "file_kind.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <string>

namespace ringsweep {
namespace {

constexpr std::array kJpegNames = {"jpg", "jpeg", "jpe"};
constexpr std::array kPictureNames = {"png", "tif", "tiff", "bmp"};
// Sensor data of all makers that the raw library reads.
constexpr std::array kRawNames = {
    "3fr", "ari", "arw", "bay", "cap", "cine", "cr2", "cr3", "crw", "cs1", "dc2", "dcr",
    "dng", "drf", "eip", "erf", "fff", "gpr",  "iiq", "k25", "kc2", "kdc", "mdc", "mef",
    "mos", "mrw", "nef", "nrw", "orf", "ori",  "pef", "ptx", "pxn", "qtk", "r3d", "raf",
    "raw", "rdc", "rw2", "rwl", "rwz", "sr2",  "srf", "srw", "sti", "x3f"};

bool starts_with(std::span<const unsigned char> bytes, std::string_view magic, std::size_t at = 0) {
  if (bytes.size() < at + magic.size()) return false;
  return std::equal(magic.begin(), magic.end(), bytes.begin() + static_cast<std::ptrdiff_t>(at),
                    [](char a, unsigned char b) { return static_cast<unsigned char>(a) == b; });
}

using namespace std::string_view_literals;

bool is_classic_tiff(std::span<const unsigned char> bytes) {
  return starts_with(bytes, "II*\0"sv) || starts_with(bytes, "MM\0*"sv);
}

std::uint32_t read_uint(std::span<const unsigned char> bytes, std::size_t at, std::size_t size) {
  const bool big_endian = bytes[0] == 'M';
  std::uint32_t value = 0;
  for (std::size_t i = 0; i < size; ++i)
    value = (value << 8U) | bytes[at + (big_endian ? i : size - 1 - i)];
  return value;
}

bool carries_sensor_data(std::span<const unsigned char> bytes) {
  // Tag numbers: TIFF/EP and DNG, ids 33421 ff. and 50706; photometric interpretations 32803
  // (colour filter array) and 34892 (linear raw) from the same.
  constexpr std::uint16_t kDngVersion = 50706;
  constexpr std::uint16_t kPhotometric = 262;
  if (tiff_value_offset(bytes, kDngVersion)) return true;
  const auto photometric = tiff_value_offset(bytes, kPhotometric);
  if (!photometric) return false;
  const std::uint32_t value = read_uint(bytes, *photometric, 2);
  return value == 32803 || value == 34892;
}

}  // namespace

NameKind name_kind(const std::filesystem::path& path) {
  std::string extension = path.extension().string();
  if (extension.size() < 2) return NameKind::none;
  extension.erase(0, 1);
  std::ranges::transform(extension, extension.begin(),
                         [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  const auto among = [&](const auto& names) {
    return std::ranges::find(names, std::string_view(extension), [](const char* name) {
             return std::string_view(name);
           }) != names.end();
  };
  if (among(kJpegNames)) return NameKind::jpeg;
  if (among(kPictureNames)) return NameKind::other_picture;
  if (among(kRawNames)) return NameKind::raw;
  return NameKind::none;
}

ContentKind content_kind(std::span<const unsigned char> bytes) {
  if (starts_with(bytes, "\xFF\xD8\xFF"sv)) return ContentKind::jpeg;
  if (starts_with(bytes, "\x89PNG\r\n\x1A\n"sv)) return ContentKind::png;
  if (starts_with(bytes, "BM"sv)) return ContentKind::bmp;
  if (is_classic_tiff(bytes))
    return carries_sensor_data(bytes) ? ContentKind::raw : ContentKind::tiff;
  if (starts_with(bytes, "II+\0"sv) || starts_with(bytes, "MM\0+"sv)) return ContentKind::tiff;
  for (const auto magic :
       {"II\x55\0"sv, "IIRO"sv, "IIRS"sv, "MMOR"sv, "FUJIFILMCCD-RAW"sv, "\0MRM"sv, "FOVb"sv})
    if (starts_with(bytes, magic)) return ContentKind::raw;
  if (starts_with(bytes, "HEAPCCDR"sv, 6) || starts_with(bytes, "ftypcrx"sv, 4))
    return ContentKind::raw;
  return ContentKind::unknown;
}

std::optional<std::size_t> tiff_value_offset(std::span<const unsigned char> bytes,
                                             std::uint16_t tag) {
  // TIFF 6.0, section 2: header of 8 bytes, a directory is a count and entries of 12 bytes (tag,
  // type, count, value). Values that fit stand in the entry's last 4 bytes, left-aligned.
  if (bytes.size() < 8 || !is_classic_tiff(bytes)) return std::nullopt;
  const std::size_t directory = read_uint(bytes, 4, 4);
  if (directory < 8 || directory + 2 > bytes.size()) return std::nullopt;
  const std::size_t count = read_uint(bytes, directory, 2);
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t entry = directory + 2 + 12 * i;
    if (entry + 12 > bytes.size()) return std::nullopt;
    if (read_uint(bytes, entry, 2) == tag) return entry + 8;
  }
  return std::nullopt;
}

}  // namespace ringsweep
