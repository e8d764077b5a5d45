#include "ringsweep/lights.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <stdexcept>

#include "burst/light_focus.h"
#include "burst/spots_of_frame.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

// All: ours, no source; found on open seeds of the suite and on ray-traced bursts.
constexpr double kLeastHeight = 0.06;   // of a light
constexpr double kReachPx = 16.0;       // of blur: farther off a disc has melted into others
constexpr std::size_t kMostMissed = 1;  // frames in a row that do not show it
constexpr double kMostMisfit = 0.5;     // a size, of a light that has one focal position
constexpr double kApartPx = 20.0;       // lights nearer to each other may be one drop's

/// How far beyond an end, with what is near a brighter one left out.
struct Found {
  const Light* light = nullptr;
  double beyond_px = 0.0;
  double sd_px = 0.0;
};

LightsBeyond count_places(std::vector<Found> found, double px) {
  std::ranges::stable_sort(found, std::greater{}, [](const Found& f) { return f.light->height; });
  std::vector<Found> places;
  for (const Found& f : found)
    if (std::ranges::none_of(places, [&](const Found& known) {
          return cv::norm(known.light->at - f.light->at) <= kApartPx;
        }))
      places.push_back(f);
  if (places.empty()) return {};
  const auto median = [&](double Found::*of) {
    std::vector<double> values;
    for (const Found& f : places) values.push_back(px * f.*of);
    std::ranges::sort(values);
    return quantile_of_sorted(values, 0.5);
  };
  return {.count = places.size(),
          .beyond_px = median(&Found::beyond_px),
          .sd_px = median(&Found::sd_px)};
}

/// The sizes of a light in some of the frames, with positions in px of the grid that grow outwards
/// from the end, which is at 0.
class Outwards {
 public:
  Outwards(const FocalPositions& focus, bool low, double end_q_px, double px)
      : focus_(focus), sign_(low ? -1.0 : 1.0), end_q_px_(end_q_px), px_(px) {}

  [[nodiscard]] double operator()(double q_px) const { return sign_ * (q_px - end_q_px_) / px_; }

  template <class Counts>
  [[nodiscard]] std::vector<SizedSpot> sizes_of(const Light& light, const Counts& counts) const {
    std::vector<SizedSpot> sizes;
    for (const Light::Size& seen : light.sizes) {
      const FocalPosition& frame = focus_.frames[seen.frame];
      if (frame.usable && frame.q_px && counts(seen.frame))
        sizes.push_back({(*this)(*frame.q_px), seen.sigma_px});
    }
    return sizes;
  }

 private:
  const FocalPositions& focus_;
  double sign_, end_q_px_, px_;
};

/// The outermost of the frames, as a position; nothing where there is none.
template <class Counts>
std::optional<double> outermost_px(const FocalPositions& focus, bool low, const Counts& counts) {
  std::optional<double> outermost;
  for (std::size_t k = 0; k < focus.frames.size(); ++k) {
    const FocalPosition& frame = focus.frames[k];
    if (!frame.usable || !frame.q_px || !counts(k)) continue;
    if (!outermost || (low ? *frame.q_px < *outermost : *frame.q_px > *outermost))
      outermost = frame.q_px;
  }
  return outermost;
}

/// Which tiles have subject around that comes close to an end.
class SubjectAtEnd {
 public:
  SubjectAtEnd(const Profiles& profiles, const FocalPositions& focus, const Subject& subject,
               const Outwards& outwards, double limit_px)
      : tile_px_(profiles.grid.tile_px),
        role_(profiles.grid.rows(), profiles.grid.cols(), CV_8UC1, cv::Scalar(0)),
        at_end_(role_.size(), CV_8UC1, cv::Scalar(0)) {
    constexpr double kInside = 0.75, kBeyond = 1.3;  // of the limit
    for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
      const cv::Point at(profiles.tiles[t].col, profiles.tiles[t].row);
      const TileRole role = subject.roles[t];
      if (role == TileRole::stray || role == TileRole::not_meant) continue;
      role_.at<std::uint8_t>(at) = role == TileRole::subject ? 1 : role == TileRole::perch ? 2 : 3;
      const double beyond_px = outwards(focus.tiles[t].q_px);
      at_end_.at<std::uint8_t>(at) =
          beyond_px > -kInside * limit_px && beyond_px < kBeyond * limit_px ? 1 : 0;
    }
  }

  /// Mostly subject around, and a tile beside it that comes close to the end.
  [[nodiscard]] bool holds(cv::Point at) const {
    constexpr int kAround = 3, kBeside = 1, kFewest = 3;
    const cv::Point tile = at / tile_px_;
    const auto around = [&](int reach) {
      return cv::Rect(tile.x - reach, tile.y - reach, 2 * reach + 1, 2 * reach + 1) &
             cv::Rect({}, role_.size());
    };
    const int subject = cv::countNonZero(role_(around(kAround)) == 1);
    const int perch = cv::countNonZero(role_(around(kAround)) == 2);
    return subject >= kFewest && subject > 2 * perch &&
           cv::countNonZero(at_end_(around(kBeside))) > 0;
  }

 private:
  int tile_px_;
  cv::Mat role_;    ///< CV_8UC1: 1 subject, 2 perch, 3 other things of known depth
  cv::Mat at_end_;  ///< CV_8UC1
};

}  // namespace

std::vector<Light> find_lights(std::span<const std::optional<double>> q_px,
                               std::span<const std::vector<Spot>> spots) {
  if (q_px.size() != spots.size())
    throw std::invalid_argument("as many lists of spots as frames are needed");
  std::vector<std::size_t> order;
  for (std::size_t k = 0; k < q_px.size(); ++k)
    if (q_px[k]) order.push_back(k);
  std::ranges::stable_sort(order, {}, [&](std::size_t k) { return *q_px[k]; });
  std::vector<SpotsOfFrame> frames;
  for (const std::size_t k : order) frames.emplace_back(spots[k]);

  const auto is_brighter_beside = [&](std::size_t i, const Spot& spot) {
    const std::size_t first = i - std::min(i, kMostMissed + 1);
    const std::size_t last = std::min(i + kMostMissed + 1, frames.size() - 1);
    for (std::size_t j = first; j <= last; ++j) {
      const Spot* other = j == i ? nullptr : frames[j].like(spot);
      if (other != nullptr && other->height > spot.height) return true;
    }
    return false;
  };
  std::vector<Light> lights;
  for (std::size_t i = 0; i < frames.size(); ++i)
    for (const Spot& spot : frames[i].all()) {
      if (spot.height < kLeastHeight || is_brighter_beside(i, spot)) continue;
      Light light{.at = spot.at, .height = spot.height, .sizes = {{order[i], spot.sigma_px}}};
      for (const bool up : {false, true}) {
        Spot last = spot;
        std::size_t missed = 0;
        for (std::size_t j = i; (up ? j + 1 < frames.size() : j > 0) && missed <= kMostMissed;) {
          j = up ? j + 1 : j - 1;
          if (std::abs(*q_px[order[j]] - *q_px[order[i]]) >= kReachPx) break;
          const Spot* seen = frames[j].like(last);
          missed = seen == nullptr ? missed + 1 : 0;
          if (seen == nullptr) continue;
          light.sizes.push_back({order[j], seen->sigma_px});
          last = *seen;
        }
      }
      lights.push_back(std::move(light));
    }
  return lights;
}

LightsBeyond lights_beyond_sweep(std::span<const Light> lights, const Profiles& profiles,
                                 const FocalPositions& focus, const Subject& subject, bool low,
                                 double blur_limit_px) {
  constexpr std::size_t kFewest = 5;                    // sizes
  constexpr double kSeenPx = 1.0;                       // so near the end it is seen
  constexpr double kMostSigmaPx = 2.8;                  // there: wider ones are no single light
  constexpr double kBeyond = 1.5;                       // of the limit
  constexpr double kInsidePx = 8.0, kOutsidePx = 14.0;  // where it may be sharp
  constexpr double kClearly = 0.5;  // by how much it fits worse within the limit
  const auto all = [](std::size_t) { return true; };
  const auto end = outermost_px(focus, low, all);
  if (!end) return {};
  const double px = profiles.full_px_per_px, limit_px = blur_limit_px / px;
  const Outwards outwards(focus, low, *end, px);
  const SubjectAtEnd at_end(profiles, focus, subject, outwards, limit_px);
  std::vector<Found> found;
  for (const Light& light : lights) {
    const std::vector<SizedSpot> sizes = outwards.sizes_of(light, all);
    if (sizes.size() < kFewest || !at_end.holds(light.at)) continue;
    const SizedSpot& outer = *std::ranges::max_element(sizes, {}, &SizedSpot::q_px);
    if (outer.q_px < -kSeenPx || outer.sigma_px > kMostSigmaPx) continue;
    const auto outside = focus_of_sizes(sizes, kBeyond * limit_px, kOutsidePx);
    const auto inside = focus_of_sizes(sizes, -kInsidePx, limit_px);
    if (outside && inside && outside->misfit <= kMostMisfit * static_cast<double>(sizes.size()) &&
        outside->misfit + kClearly <= inside->misfit)
      found.push_back({&light, outside->q_px, outside->sd_px});
  }
  return count_places(std::move(found), px);
}

LightsBeyond lights_beyond_pose(std::span<const Light> lights, const FocalPositions& focus,
                                const std::vector<bool>& pose,
                                std::span<const cv::Rect2d> boxes_on_grid, bool low,
                                double blur_limit_px, double px) {
  constexpr double kBesidePx = 8.0;  // of the box
  constexpr double kBeyond = 1.2;    // of the limit
  constexpr double kReach = 3.0;     // so far from the frames that show it, it may be sharp
  const auto in_pose = [&](std::size_t k) { return pose[k]; };
  const auto others = [&](std::size_t k) { return !pose[k]; };
  const auto end = outermost_px(focus, low, in_pose);
  const auto last = outermost_px(focus, low, others), first = outermost_px(focus, !low, others);
  if (!end || !last) return {};
  const Outwards outwards(focus, low, *end, px);
  std::vector<Found> found;
  for (const Light& light : lights) {
    const auto beside = [&](const cv::Rect2d& box) {
      const cv::Point2d margin(kBesidePx, kBesidePx);
      return cv::Rect2d(box.tl() - margin, box.br() + margin).contains(cv::Point2d(light.at));
    };
    if (std::ranges::none_of(boxes_on_grid, beside)) continue;
    const std::vector<SizedSpot> sizes = outwards.sizes_of(light, others);
    const auto seen = focus_of_sizes(sizes, outwards(*first) - kReach, outwards(*last) + kReach);
    if (seen && seen->misfit <= kMostMisfit * static_cast<double>(sizes.size()) &&
        seen->q_px > kBeyond * blur_limit_px / px)
      found.push_back({&light, seen->q_px, seen->sd_px});
  }
  return count_places(std::move(found), px);
}

}  // namespace ringsweep
