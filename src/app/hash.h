#pragma once

#include <fmt/format.h>
#include <xxhash.h>

#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>

namespace ringsweep::app {

/// XXH3 of 128 bits over values, one after the other.
class Hash {
 public:
  Hash() : state_(XXH3_createState(), XXH3_freeState) { XXH3_128bits_reset(state_.get()); }

  void add(std::string_view bytes) {
    add_number(bytes.size());
    XXH3_128bits_update(state_.get(), bytes.data(), bytes.size());
  }
  template <class Number>
  void add_number(Number value) {
    static_assert(std::is_arithmetic_v<Number> || std::is_enum_v<Number>);
    XXH3_128bits_update(state_.get(), &value, sizeof value);
  }
  template <class Number>
  void add_number(const std::optional<Number>& value) {
    add_number(value.has_value());
    add_number(value.value_or(Number{}));
  }
  [[nodiscard]] std::string text() const {
    const XXH128_hash_t hash = XXH3_128bits_digest(state_.get());
    return fmt::format("{:016x}{:016x}", hash.high64, hash.low64);
  }

 private:
  std::unique_ptr<XXH3_state_t, decltype(&XXH3_freeState)> state_;
};

}  // namespace ringsweep::app
