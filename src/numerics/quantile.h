#pragma once

#include <algorithm>
#include <cstddef>
#include <span>
#include <vector>

namespace ringsweep {

/// The value of nearest rank: share 0 the least, 0.5 the median (the upper of two), 1 the greatest.
/// 0 for none. Reorders `values`. Cost O(n).
template <class T>
[[nodiscard]] double quantile_in_place(std::vector<T>& values, double share) {
  if (values.empty()) return 0.0;
  const double rank = share * static_cast<double>(values.size() - 1) + 0.5;
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(rank);
  std::nth_element(values.begin(), at, values.end());
  return static_cast<double>(*at);
}

/// The same, of a copy.
template <class T>
[[nodiscard]] double quantile(std::vector<T> values, double share) {
  return quantile_in_place(values, share);
}

/// The same, of values that rise. @param sorted not empty
[[nodiscard]] inline double quantile_of_sorted(std::span<const double> sorted, double share) {
  return sorted[static_cast<std::size_t>(share * static_cast<double>(sorted.size() - 1) + 0.5)];
}

}  // namespace ringsweep
