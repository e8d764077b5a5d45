#pragma once
/// Changed places: what movement finds and does not understand, for whom it may tell something.

#include <cstddef>
#include <opencv2/core.hpp>

namespace ringsweep {

/// A place that is another picture from a frame on, which no shift explains: something that went
/// or came, as drops do.
struct ChangedPlace {
  std::size_t before = 0;  ///< frame that shows it as it was, and
  std::size_t after = 0;   ///< the next one that shows it as it is
  cv::Rect box_on_grid{};  ///< of its tiles, px of the grid's picture
};

}  // namespace ringsweep
