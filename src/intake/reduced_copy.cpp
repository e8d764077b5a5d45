#include "reduced_copy.h"

#include <algorithm>
#include <cmath>

#include "ringsweep/intake.h"

namespace ringsweep {
namespace {

constexpr double kCutOff = 1.1;  // up to here edges were cut away, as cameras do themselves

struct Times {
  double by_width = 0.0;
  bool same_shape = false;
};

Times times(cv::Size file_size, cv::Size full_size) {
  full_size = turned_like(file_size, full_size);
  const double by_width = static_cast<double>(full_size.width) / file_size.width;
  const double by_height = static_cast<double>(full_size.height) / file_size.height;
  // A hundredth, as common shapes differ by more, and the px that rounding moves an edge by.
  const double same = 0.01 + 1.0 / std::min(file_size.width, file_size.height);
  return {.by_width = by_width, .same_shape = std::abs(by_width / by_height - 1.0) <= same};
}

}  // namespace

cv::Size turned_like(cv::Size file_size, cv::Size full_size) {
  const bool turned = (full_size.width > full_size.height) != (file_size.width > file_size.height);
  return turned ? cv::Size(full_size.height, full_size.width) : full_size;
}

std::optional<double> reduced_by(cv::Size file_size, cv::Size full_size) {
  const Times t = times(file_size, full_size);
  return t.same_shape && t.by_width >= kCutOff ? std::optional(t.by_width) : std::nullopt;
}

bool take_full_size(FrameRef& frame, cv::Size full_size, FullSizeFrom from) {
  if (frame.is_raw || !frame.file_size) return true;
  const Times t = times(*frame.file_size, full_size);
  if (t.same_shape && t.by_width >= kCutOff) {
    frame.full_size = turned_like(*frame.file_size, full_size);
  } else if (std::abs(t.by_width - 1.0) < kCutOff - 1.0) {
    frame.full_size = frame.file_size;
  } else {
    return false;
  }
  frame.full_size_from = from;
  return true;
}

}  // namespace ringsweep
