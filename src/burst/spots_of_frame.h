#pragma once
/// The spots of one frame, to be found by their place.

#include <algorithm>
#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "ringsweep/spot_light.h"

namespace ringsweep {

/// The spots of a frame, sorted by row.
class SpotsOfFrame {
 public:
  explicit SpotsOfFrame(std::span<const Spot> spots) : spots_(spots.begin(), spots.end()) {
    std::ranges::stable_sort(spots_, {}, row);
    for (const Spot& s : spots_) largest_px_ = std::max(largest_px_, s.sigma_px);
  }

  [[nodiscard]] const std::vector<Spot>& all() const { return spots_; }

  /// The brightest at about its place; null where there is none.
  [[nodiscard]] const Spot* like(const Spot& spot) const {
    const auto near_px = [&](double sigma_px) {
      return 1.0 + 0.5 * std::max(sigma_px, spot.sigma_px);
    };
    const int rows = static_cast<int>(near_px(largest_px_));
    const auto first = std::ranges::lower_bound(spots_, spot.at.y - rows, {}, row);
    const auto last = std::ranges::upper_bound(spots_, spot.at.y + rows, {}, row);
    const Spot* best = nullptr;
    for (auto s = first; s != last; ++s)
      if (cv::norm(s->at - spot.at) <= near_px(s->sigma_px) &&
          (best == nullptr || s->height > best->height))
        best = &*s;
    return best;
  }

 private:
  static int row(const Spot& s) { return s.at.y; }
  std::vector<Spot> spots_;
  double largest_px_ = 0.0;
};

}  // namespace ringsweep
