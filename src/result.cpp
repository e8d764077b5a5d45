#include "ringsweep/result.h"

#include <string_view>

namespace ringsweep {
namespace {

/// A file's name can hold anything but '/' and NUL: line breaks, and sequences that reprogram a
/// terminal. C0, DEL and C1 (U+0080 to U+009F, in UTF-8 C2 80 to C2 9F) become '?'.
std::string printable(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto c = static_cast<unsigned char>(text[i]);
    const auto next = i + 1 < text.size() ? static_cast<unsigned char>(text[i + 1]) : 0U;
    if (c == 0xC2 && next >= 0x80 && next <= 0x9F) {
      out += '?';
      ++i;
    } else {
      out += (c < 0x20 || c == 0x7F) ? '?' : text[i];
    }
  }
  return out;
}

}  // namespace

std::string one_line(const Error& error) {
  std::string line = error.file.empty() ? "" : error.file + ": ";
  line += error.problem;
  if (!error.remedy.empty()) line += "; " + error.remedy;
  return printable(line + ".");
}

}  // namespace ringsweep
