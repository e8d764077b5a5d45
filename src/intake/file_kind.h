#pragma once
/// What a file is: first by its name (which files are pictures at all), then by its first bytes
/// (which reader it gets). The bytes win: a ".nef" can hold a JPEG.

#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string_view>

namespace ringsweep {

enum class NameKind { jpeg, other_picture, raw, none };

/// By the extension, case ignored.
[[nodiscard]] NameKind name_kind(const std::filesystem::path& path);

enum class ContentKind { jpeg, png, bmp, tiff, raw, unknown };

/// By the first bytes; a TIFF container that carries sensor data (a DNG tag, or a colour filter
/// array as its photometric interpretation, in its first directory) is raw.
[[nodiscard]] ContentKind content_kind(std::span<const unsigned char> bytes);

/// Where the value of a tag of the first directory of a classic TIFF lies, as an offset from the
/// start. Nothing for BigTIFF, an absent tag, or a directory that points out of the file.
[[nodiscard]] std::optional<std::size_t> tiff_value_offset(std::span<const unsigned char> bytes,
                                                           std::uint16_t tag);

}  // namespace ringsweep
