#pragma once
/// JSON field: what the JSON file of a stranger says, asked with care.

#include <cstddef>
#include <nlohmann/json.hpp>
#include <stdexcept>

namespace ringsweep::app {

/// Whether it is an object with a field of this value. The field is not copied: copying lists in
/// lists in lists takes as much of the stack as they are deep, and a file can hold any depth.
template <class Value>
[[nodiscard]] bool has_field(const nlohmann::json& object, const char* key, const Value& value) {
  const auto found = object.find(key);
  return found != object.end() && *found == value;
}

/// A number to count with.
/// @throws std::runtime_error  it is something else: less than 0, a fraction, no number
[[nodiscard]] inline std::size_t count_from(const nlohmann::json& value) {
  if (!value.is_number_unsigned()) throw std::runtime_error("has no number to count with");
  return value.get<std::size_t>();
}

}  // namespace ringsweep::app
