#pragma once
/// How a stage asks for work to be shared out, without knowing what a thread is.

#include <cstddef>
#include <functional>

namespace ringsweep {

/// Calls body(0) ... body(n - 1), in any order, maybe at once. Body writes slot i only, so that the
/// result is the same to the bit on any number of cores. measured_burst.cpp gives a parallel one.
using ForEach = std::function<void(std::size_t n, const std::function<void(std::size_t)>& body)>;

/// One after the other.
inline void for_each_in_order(std::size_t n, const std::function<void(std::size_t)>& body) {
  for (std::size_t i = 0; i < n; ++i) body(i);
}

}  // namespace ringsweep
