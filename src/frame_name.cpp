#include "ringsweep/frame_name.h"

#include <algorithm>

namespace ringsweep {
namespace {

char small(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

bool same(std::string_view a, std::string_view b) {
  return std::ranges::equal(a, b, {}, small, small);
}

bool is_digit(char c) { return c >= '0' && c <= '9'; }

}  // namespace

bool is_called(std::string_view file, std::string_view name) {
  if (name.empty()) return false;
  const std::size_t dot = file.rfind('.');
  const std::string_view stem = file.substr(0, dot == 0 ? std::string_view::npos : dot);
  if (same(file, name) || same(stem, name)) return true;
  constexpr std::size_t kDigits = 4;
  return name.size() == kDigits && std::ranges::all_of(name, is_digit) && stem.ends_with(name);
}

}  // namespace ringsweep
