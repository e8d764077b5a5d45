#pragma once

#include <cstddef>
#include <functional>
#include <map>
#include <vector>

namespace ringsweep {

/// Most frequent value, the first of several.
template <class T, class Less = std::less<T>>
T majority(const std::vector<T>& values, Less less = {}) {
  std::map<T, std::size_t, Less> count(less);
  for (const T& v : values) ++count[v];
  T best = values.front();
  for (const T& v : values)
    if (count[v] > count[best]) best = v;
  return best;
}

}  // namespace ringsweep
