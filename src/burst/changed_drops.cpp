#include "burst/changed_drops.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "burst/drop_courses.h"
#include "burst/drop_fates.h"
#include "burst/surface_depth.h"
#include "ringsweep/spot_light.h"

namespace ringsweep {
namespace {

// All: ours, no source; found on the open seeds of the suite, see bench/accuracy.

/// That one told has gone: of 10 on open seeds that no light told all had, (10 + 1) / (10 + 2).
constexpr double kProbability = 0.92;

/// Of the size and shape of a drop, with the rest as it was. Between frames that blur it alike
/// drops that went changed 35 times what is usual around them and more, what is at rest 15 times at
/// most.
/// @param most_radius_px  what is larger is a blade that passes, or a shadow
bool is_drop(const SpotChange& change, double most_radius_px) {
  constexpr double kLeastRadiusPx = 2.0, kLeastChange = 0.1, kOfUsual = 23.0, kMostAround = 0.3;
  constexpr double kRound = 2.0, kRoundPx = 2.0;  // of its radius
  const double height = std::abs(change.height);
  return change.radius_px >= kLeastRadiusPx && change.radius_px <= most_radius_px &&
         height >= kLeastChange && height >= kOfUsual * change.usual &&
         change.around < kMostAround && !change.carried &&
         change.reach_px <= kRound * change.radius_px + kRoundPx;
}

/// What went or came at a place, as far as the place itself tells.
struct PlaceDrop {
  DropChange drop{};          ///< but for its fate
  double light_before = 0.0;  ///< height of the brightest spot on its disc; 0: none
  double light_after = 0.0;
  bool darker = false;   ///< from `before` to `after`, by the brightest of what has changed
  double outline = 0.0;  ///< SpotChange::outline
};

class ChangedDrops {
 public:
  ChangedDrops(std::span<const DropFrame> frames, std::span<const PackedPicture> pictures,
               std::span<const std::vector<Spot>> spots, const cv::Mat& tile_q_px, int tile_px)
      : frames_(frames),
        pictures_(pictures),
        spots_(spots),
        tile_q_px_(tile_q_px),
        tile_px_(tile_px),
        // What is compared is as large as it is in movement: a tile is 8 px wide.
        px_(std::max(1, tile_px / 8)) {
    for (std::size_t k = 0; k < frames.size(); ++k)
      if (frames[k].usable && !pictures[k].values.empty()) usable_.push_back(k);
  }

  [[nodiscard]] std::vector<PlaceDrop> at(const ChangedPlace& place) const;

 private:
  [[nodiscard]] double blur_px(std::size_t k, double q_px) const {
    return std::abs(frames_[k].q_px - q_px) / px_;
  }
  [[nodiscard]] double depth_px(const ChangedPlace& place, cv::Point2d at) const {
    return surface_depth_px(tile_q_px_, tile_px_, at)
        .value_or(0.5 * (frames_[place.before].q_px + frames_[place.after].q_px));
  }
  /// Across a wide step of the ring all looks otherwise, as far as the blur is not understood.
  [[nodiscard]] bool blurred_alike(const ChangedPlace& place, double q_px) const {
    constexpr double kAlikePx = 3.0;  // drops that went: up to 1.8
    return std::abs(blur_px(place.before, q_px) - blur_px(place.after, q_px)) <= kAlikePx;
  }
  [[nodiscard]] GridPicture patch(std::size_t k, const cv::Rect& box) const;
  [[nodiscard]] std::vector<SpotChange> changes(const ChangedPlace& place, const cv::Rect& box,
                                                double q_px) const;
  [[nodiscard]] bool stays(const ChangedPlace& place, const cv::Rect& box, const SpotChange& change,
                           double q_px) const;
  void find_light(PlaceDrop& seen) const;

  std::span<const DropFrame> frames_;
  std::span<const PackedPicture> pictures_;
  std::span<const std::vector<Spot>> spots_;
  const cv::Mat& tile_q_px_;
  int tile_px_;
  int px_;  ///< of the grid, per px compared
  std::vector<std::size_t> usable_;
};

/// A box of a frame, in px compared.
GridPicture ChangedDrops::patch(std::size_t k, const cv::Rect& box) const {
  GridPicture picture = part_of(pictures_[k], box);
  if (px_ > 1) {
    cv::Mat smaller;
    cv::resize(picture.luminance, smaller, {}, 1.0 / px_, 1.0 / px_, cv::INTER_AREA);
    picture.luminance = smaller;
  }
  return picture;
}

/// What has changed, in px compared of the box, with the depth of the surface with which least of
/// its surroundings has.
std::vector<SpotChange> ChangedDrops::changes(const ChangedPlace& place, const cv::Rect& box,
                                              double q_px) const {
  const GridPicture a = patch(place.before, box), b = patch(place.after, box);
  const cv::Rect in = (place.box_on_grid - box.tl()) & cv::Rect({}, box.size());
  const cv::Rect inside(in.x / px_, in.y / px_, in.width / px_, in.height / px_);
  Changes best{.usual = std::numeric_limits<double>::infinity()};
  for (const double off : {0.0, -1.5, 1.5}) {
    const double q = q_px + off;
    Changes found = changes_in(a, b, blur_px(place.before, q), blur_px(place.after, q), inside);
    if (found.usual < best.usual) best = std::move(found);
  }
  return best.things;
}

/// Whether the frames before and after those of the place show the same as these: nothing is
/// concluded from one frame.
bool ChangedDrops::stays(const ChangedPlace& place, const cv::Rect& box, const SpotChange& change,
                         double q_px) const {
  constexpr double kMostBlurPx = 10.0, kEnough = 0.5;
  const auto shows = [&](std::size_t a, std::size_t b, std::size_t other) {
    return share_changed(patch(a, box), patch(b, box), patch(other, box), blur_px(a, q_px),
                         blur_px(b, q_px), blur_px(other, q_px), change.middle,
                         change.radius_px) >= kEnough;
  };
  const auto told = [&](std::size_t k) { return blur_px(k, q_px) <= kMostBlurPx; };
  const auto later = std::ranges::upper_bound(usable_, place.after);
  const auto at = std::ranges::lower_bound(usable_, place.before);
  if (later == usable_.end() || at == usable_.begin()) return false;
  const std::size_t earlier = *std::prev(at);
  return told(*later) && told(earlier) && shows(place.before, place.after, *later) &&
         shows(place.after, place.before, earlier);
}

void ChangedDrops::find_light(PlaceDrop& seen) const {
  constexpr double kNearPx = 6.0;
  const DropChange& drop = seen.drop;
  for (const std::size_t k : usable_) {
    if (blur_px(k, drop.q_px) > kNearPx) continue;
    for (const Spot& spot : spots_[k]) {
      if (cv::norm(cv::Point2d(spot.at) - drop.at) > drop.radius_px) continue;
      if (k <= drop.before) seen.light_before = std::max(seen.light_before, spot.height);
      if (k >= drop.after) seen.light_after = std::max(seen.light_after, spot.height);
    }
  }
}

std::vector<PlaceDrop> ChangedDrops::at(const ChangedPlace& place) const {
  constexpr int kMarginPx = 16;
  // Of the diagonal. A drop of 2 mm at twice life size on a sensor of 36 x 24 mm has 0.046.
  constexpr double kMostRadius = 0.05;
  std::vector<PlaceDrop> drops;
  if (pictures_[place.before].values.empty() || pictures_[place.after].values.empty()) return drops;
  const cv::Rect whole({}, pictures_[place.before].values.size());
  const double most_radius_px = kMostRadius * std::hypot(whole.width, whole.height) / px_;
  const int margin =
      std::max(place.box_on_grid.width, place.box_on_grid.height) / 2 + kMarginPx * px_;
  const cv::Rect box = cv::Rect(place.box_on_grid.tl() - cv::Point(margin, margin),
                                place.box_on_grid.br() + cv::Point(margin, margin)) &
                       whole;
  const cv::Point middle = (place.box_on_grid.tl() + place.box_on_grid.br()) / 2;
  for (const SpotChange& change : changes(place, box, depth_px(place, middle))) {
    if (!is_drop(change, most_radius_px)) continue;
    DropChange drop{.at = change.middle * px_ + cv::Point2d(box.tl()),
                    .radius_px = change.radius_px * px_,
                    .reach_px = change.reach_px * px_,
                    .before = place.before,
                    .after = place.after,
                    .probability = kProbability,
                    .height = std::abs(change.height)};
    drop.q_px = depth_px(place, drop.at);
    if (!blurred_alike(place, drop.q_px) || !stays(place, box, change, drop.q_px)) continue;
    drops.push_back({.drop = drop, .darker = change.height > 0.0, .outline = change.outline});
    find_light(drops.back());
  }
  return drops;
}

bool is_one(const DropChange& a, const DropChange& b) {
  return overlap(a, b) && at_one_place(a.at, a.radius_px, b.at, b.radius_px);
}

constexpr double kBright = 0.055;  // height of a spot that is a drop's

/// The frames that show it may be blurred unlike, so its light must be clearly brighter where two
/// frames blurred alike say otherwise; and where it is weak, as a leg's may be that moved, both
/// must say it.
std::optional<DropFate> fate_by_light(const PlaceDrop& seen) {
  constexpr double kBrighter = 1.08, kClearly = 1.3, kLeast = 0.04;
  const double before = seen.light_before, after = seen.light_after;
  const bool brighter = before > kBrighter * after, clearly = before > kClearly * after;
  if (before >= kBright && (seen.darker ? brighter : clearly)) return DropFate::gone;
  if (before >= kLeast && seen.darker && clearly) return DropFate::gone;
  if (after >= kLeast && !seen.darker && after > kClearly * before) return DropFate::came;
  return std::nullopt;
}

/// What its light leaves open, others tell that went at once: it went with them. Not one that
/// shines before and after, which has grown or shrunk as another ran together with it; nor one that
/// came, as to where another rolled. Outlines tell: a thing ends there, what it hid goes on.
/// @param lost  what went, as far as is known
std::optional<DropFate> fate_of(const PlaceDrop& seen, std::span<const DropChange> lost) {
  // On ray-traced bursts and open seeds 48 of 61 that went have 0.3 and more, the least -0.41; of
  // five that came, or to which one rolled, -0.31 and less; two that ran together 0.14 and -0.17.
  constexpr double kWent = 0.3, kCame = -0.2, kLeast = -0.5;
  const std::optional<DropFate> by_light = fate_by_light(seen);
  if (by_light == DropFate::gone) return by_light;
  const bool together =
      std::ranges::any_of(lost, [&](const DropChange& d) { return overlap(d, seen.drop); });
  const bool shines = std::min(seen.light_before, seen.light_after) >= kBright;
  const double least = shines ? kWent : by_light ? kCame : kLeast;
  return together && seen.outline >= least ? DropFate::gone : by_light;
}

}  // namespace

void add_changed_drops(Drops& drops, std::span<const DropFrame> frames,
                       std::span<const PackedPicture> pictures,
                       std::span<const std::vector<Spot>> spots,
                       std::span<const ChangedPlace> changed, const cv::Mat& tile_q_px, int tile_px,
                       const ForEach& for_each) {
  const ChangedDrops search(frames, pictures, spots, tile_q_px, tile_px);
  std::vector<std::vector<PlaceDrop>> found(changed.size());
  for_each(changed.size(), [&](std::size_t i) { found[i] = search.at(changed[i]); });
  std::vector<PlaceDrop> all;
  for (const std::vector<PlaceDrop>& at_place : found)
    std::ranges::copy(at_place, std::back_inserter(all));
  // Those whose own light says that they went first: others may have gone with them.
  std::ranges::stable_partition(
      all, [](const PlaceDrop& seen) { return fate_by_light(seen) == DropFate::gone; });
  const auto known = [](const std::vector<DropChange>& list, const DropChange& drop) {
    return std::ranges::any_of(list, [&](const DropChange& d) { return is_one(d, drop); });
  };
  for (PlaceDrop& seen : all) {
    DropChange& drop = seen.drop;
    if (known(drops.lost, drop)) continue;
    const std::optional<DropFate> fate = fate_of(seen, drops.lost);
    if (!fate) continue;
    drop.fate = *fate;
    if (drop.fate == DropFate::came) {
      if (!known(drops.appeared, drop)) drops.appeared.push_back(drop);
      continue;
    }
    // What the drop hid until then may be bright, too.
    std::erase_if(drops.appeared, [&](const DropChange& came) {
      return is_one(came, drop) && came.radius_px <= drop.radius_px;
    });
    drops.lost.push_back(drop);
  }
}

}  // namespace ringsweep
