#pragma once
/// Spots that went or came: which of them are told, as which drops.

#include <algorithm>
#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "ringsweep/drops.h"
#include "ringsweep/spot_light.h"

namespace ringsweep {

/// Log of the odds that a spot has gone where others have: one in twelve. Ours, no source.
inline constexpr double kTogetherLogOdds = -2.5;

/// A spot of one frame that another frame does not show as it is.
struct SpotSuspicion {
  Spot spot{};
  std::size_t frame = 0;
  std::size_t missing = 0;
  double q_px = 0.0;       ///< of the surface around it
  double log_odds = -1e9;  ///< gone / there, by the two frames alone
  [[nodiscard]] bool lost() const { return frame < missing; }
};

/// What the frames say of one spot.
struct SpotCourse {
  SpotSuspicion from{};
  bool lost = true;
  std::size_t before = 0;
  std::size_t after = 0;
  double q_px = 0.0;      ///< that the frames were asked with
  double own_q_px = 0.0;  ///< of the spot alone
  double log_odds = 0.0;
  double alone_log_odds = 0.0;  ///< with its own focal position, whatever others do
  cv::Point2d at{};
  SpotChange change{};
};

/// Of any two things with a `before` and an `after`: they may have come about at the same time.
template <class A, class B>
[[nodiscard]] bool overlap(const A& a, const B& b) {
  return std::max(a.before, b.before) < std::min(a.after, b.after);
}

/// Those that are told, surest first, one for each drop.
[[nodiscard]] std::vector<SpotCourse> told_of(std::vector<SpotCourse> courses);

/// As changes, surest first, each gone or come.
void tell_changes(const std::vector<SpotCourse>& told, Drops& drops);

}  // namespace ringsweep
