#include "ringsweep/drops.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <stdexcept>
#include <utility>

#include "burst/changed_drops.h"
#include "burst/drop_courses.h"
#include "burst/drop_fates.h"
#include "burst/light_focus.h"
#include "burst/spot_votes.h"
#include "burst/spots_of_frame.h"
#include "burst/surface_depth.h"
#include "ringsweep/spot_light.h"

namespace ringsweep {
namespace {

// All: ours, no source; found on the open seeds of the suite, see bench/accuracy.
constexpr double kLeastHeight = 0.03;    // of a spot that is asked after
constexpr double kDropHeight = 0.08;     // of one that counts as a drop's
constexpr double kFarthestPx = 25.0;     // of blur: beyond, a disc has melted into its surroundings
constexpr double kSurePx = 10.0;         // beyond, discs overlap too much to decide by them
constexpr double kAlikePx = 1.5;         // frames of two sweeps that focus so near are compared
constexpr double kQErrorPx = 0.75;       // of a spot's focal position
constexpr double kMostSd = 0.6;          // of a share that tells something
constexpr std::size_t kMostAsked = 400;  // places, the brightest first

/// log p(share | gone) / p(share | there). Where it has gone, what lay behind it may be a little
/// brighter or darker than its surroundings. The floor bounds what one frame can say.
double log_odds_gone(const SpotShare& s) {
  constexpr double kBehindSd = 0.25, kFloor = 0.02;
  if (s.sd > kMostSd) return 0.0;
  const auto gauss = [](double x, double sd) { return std::exp(-0.5 * x * x / (sd * sd)) / sd; };
  const double there = gauss(std::min(s.share, 1.0) - 1.0, s.sd);
  const double gone = gauss(std::max(s.share, 0.0), std::hypot(s.sd, kBehindSd));
  return std::log((gone + kFloor) / (there + kFloor));
}

/// The one that is more like the spot being there, of those that tell anything.
const SpotShare& more_like_there(const SpotShare& a, const SpotShare& b) {
  if ((a.sd > kMostSd) != (b.sd > kMostSd)) return a.sd > kMostSd ? b : a;
  return std::abs(b.share - 1.0) < std::abs(a.share - 1.0) ? b : a;
}

class DropSearch {
 public:
  DropSearch(std::span<const DropFrame> frames, std::span<const PackedPicture> pictures,
             std::span<const std::vector<Spot>> spots, const cv::Mat& tile_q_px, int tile_px,
             const ForEach& for_each)
      : frames_(frames),
        pictures_(pictures),
        spots_(spots),
        tile_q_px_(tile_q_px),
        tile_px_(tile_px),
        for_each_(for_each),
        by_row_(spots.begin(), spots.end()) {
    for (std::size_t k = 0; k < frames.size(); ++k)
      if (frames[k].usable && !pictures[k].values.empty()) usable_.push_back(k);
    if (!usable_.empty()) whole_ = cv::Rect({}, pictures[usable_[0]].values.size());
  }

  Drops run();

 private:
  /// A spot's surroundings in all frames, read when asked for.
  struct View {
    SpotPlaces places;
    cv::Rect box;
    cv::Rect must_see;  ///< the middle of the box
    std::vector<GridPicture> parts;
  };
  [[nodiscard]] View view_of(const SpotSuspicion& s) const;
  [[nodiscard]] bool sees(const View& view, std::size_t k) const;
  [[nodiscard]] const GridPicture& part(View& view, std::size_t k) const;
  [[nodiscard]] double blur_px(std::size_t k, double q_px) const {
    return std::abs(frames_[k].q_px - q_px);
  }
  [[nodiscard]] SpotShare share(View& view, std::size_t j, std::size_t k,
                                std::span<const double> q_px) const;
  [[nodiscard]] std::vector<std::size_t> to_compare_with(std::size_t i) const;
  [[nodiscard]] std::vector<SpotSuspicion> without_their_like() const;
  [[nodiscard]] std::vector<SpotSuspicion> suspicions() const;
  [[nodiscard]] std::vector<SizedSpot> sizes_of(const SpotSuspicion& s,
                                                std::span<const std::size_t> told) const;
  [[nodiscard]] double own_q_px(View& view, const SpotSuspicion& s,
                                std::span<const std::size_t> told) const;
  [[nodiscard]] std::vector<double> weights_of(std::span<const std::size_t> told,
                                               const std::vector<bool>& sure, double q_px) const;
  [[nodiscard]] SpotCourse follow(const SpotSuspicion& s) const;
  [[nodiscard]] SpotCourse ask(View& view, const SpotSuspicion& s,
                               std::span<const std::size_t> told, double q_px) const;
  void look_around(SpotCourse& course, std::span<const std::size_t> told,
                   std::span<const double> gone, const std::vector<bool>& sure,
                   std::size_t first_after) const;
  [[nodiscard]] std::size_t count_drops() const;

  std::span<const DropFrame> frames_;
  std::span<const PackedPicture> pictures_;
  std::span<const std::vector<Spot>> spots_;
  const cv::Mat& tile_q_px_;
  int tile_px_;
  const ForEach& for_each_;
  std::vector<SpotsOfFrame> by_row_;
  std::vector<std::size_t> usable_;
  cv::Rect whole_;
};

DropSearch::View DropSearch::view_of(const SpotSuspicion& s) const {
  View view{.places = SpotPlaces(s.spot.sigma_px), .box = {}, .must_see = {}, .parts = {}};
  const auto around = [&](int half) {
    return cv::Rect(s.spot.at.x - half, s.spot.at.y - half, 2 * half + 1, 2 * half + 1);
  };
  view.box = around(view.places.half_px);
  view.must_see = around(view.places.seen_half_px);
  view.parts.resize(frames_.size());
  return view;
}

bool DropSearch::sees(const View& view, std::size_t k) const {
  const cv::Rect& box = view.must_see;
  return (box & whole_) == box && cv::countNonZero(pictures_[k].values(box)) == box.area();
}

const GridPicture& DropSearch::part(View& view, std::size_t k) const {
  if (view.parts[k].luminance.empty()) view.parts[k] = part_of(pictures_[k], view.box);
  return view.parts[k];
}

/// Of what it may be, as the focal position goes, the one that is most like the spot being there.
SpotShare DropSearch::share(View& view, std::size_t j, std::size_t k,
                            std::span<const double> q_px) const {
  SpotShare best;
  for (const double q : q_px)
    best = more_like_there(best, share_of_spot(part(view, j), part(view, k), blur_px(j, q),
                                               blur_px(k, q), view.places));
  return best;
}

/// Its neighbours in time, and of earlier and later sweeps the frame that focuses most alike.
std::vector<std::size_t> DropSearch::to_compare_with(std::size_t i) const {
  constexpr std::size_t kNextSweep = 3;
  const std::size_t k = usable_[i];
  std::vector<std::size_t> result;
  if (i > 0) result.push_back(usable_[i - 1]);
  if (i + 1 < usable_.size()) result.push_back(usable_[i + 1]);
  for (const bool later : {false, true}) {
    double nearest = kAlikePx;
    std::size_t best = frames_.size();
    for (const std::size_t m : usable_) {
      const double far = blur_px(m, frames_[k].q_px);
      if ((later ? m > k + kNextSweep : m + kNextSweep < k) && far < nearest)
        nearest = far, best = m;
    }
    if (best < frames_.size()) result.push_back(best);
  }
  return result;
}

/// Spots without their like at the same place in a frame that might show it.
std::vector<SpotSuspicion> DropSearch::without_their_like() const {
  constexpr double kAlike = 1.6;
  const auto row = [](const Spot& s) { return s.at.y; };
  const auto has_its_like = [&](const Spot& s, std::size_t frame) {
    const double near_px = 1.0 + 0.5 * s.sigma_px;
    const std::vector<Spot>& others = by_row_[frame].all();
    const int rows = static_cast<int>(near_px);
    return std::any_of(std::ranges::lower_bound(others, s.at.y - rows, {}, row),
                       std::ranges::upper_bound(others, s.at.y + rows, {}, row),
                       [&](const Spot& o) {
                         return cv::norm(o.at - s.at) <= near_px && o.height < kAlike * s.height &&
                                kAlike * o.height > s.height && o.sigma_px < kAlike * s.sigma_px &&
                                kAlike * o.sigma_px > s.sigma_px;
                       });
  };
  std::vector<std::vector<SpotSuspicion>> of_frame(usable_.size());
  for_each_(usable_.size(), [&](std::size_t i) {
    const std::vector<std::size_t> others = to_compare_with(i);
    for (const Spot& s : spots_[usable_[i]]) {
      if (s.height < kLeastHeight) continue;
      for (const std::size_t m : others)
        if (!has_its_like(s, m))
          of_frame[i].push_back({.spot = s, .frame = usable_[i], .missing = m});
    }
  });
  std::vector<SpotSuspicion> result;
  for (const std::vector<SpotSuspicion>& found : of_frame)
    result.insert(result.end(), found.begin(), found.end());
  return result;
}

/// Those of them that went, by the light there, the highest first.
std::vector<SpotSuspicion> DropSearch::suspicions() const {
  std::vector<SpotSuspicion> result = without_their_like();
  for_each_(result.size(), [&](std::size_t i) {
    SpotSuspicion& s = result[i];
    s.q_px = surface_depth_px(tile_q_px_, tile_px_, s.spot.at).value_or(frames_[s.frame].q_px);
    View view = view_of(s);
    if (!sees(view, s.frame) || !sees(view, s.missing)) return;
    const std::array q{s.q_px, s.q_px - 1.5, s.q_px + 1.5};
    s.log_odds = log_odds_gone(share(view, s.frame, s.missing, q));
  });
  std::erase_if(result, [](const SpotSuspicion& s) { return s.log_odds < 0.7; });
  std::ranges::stable_sort(result, std::greater{},
                           [](const SpotSuspicion& s) { return s.spot.height; });
  // Each place is asked after once a way and a while.
  constexpr std::size_t kWhile = 8;
  std::vector<SpotSuspicion> chosen;
  for (const SpotSuspicion& s : result) {
    const bool known = std::ranges::any_of(chosen, [&](const SpotSuspicion& t) {
      return t.lost() == s.lost() &&
             std::max(t.frame, s.frame) - std::min(t.frame, s.frame) < kWhile &&
             cv::norm(t.spot.at - s.spot.at) < 1.0 + t.spot.sigma_px;
    });
    if (!known && chosen.size() < kMostAsked) chosen.push_back(s);
  }
  return chosen;
}

/// The spot in the frames on its side, nearest to its own one in time: how large it is found there.
std::vector<SizedSpot> DropSearch::sizes_of(const SpotSuspicion& s,
                                            std::span<const std::size_t> told) const {
  constexpr std::size_t kMostFrames = 16;
  std::vector<SizedSpot> sizes;
  for (std::size_t i = told.size(); i-- > 0 && told.size() - i <= kMostFrames;) {
    const Spot* best = by_row_[told[i]].like(s.spot);
    if (best != nullptr) sizes.push_back({frames_[told[i]].q_px, best->sigma_px});
  }
  return sizes;
}

/// The spot's own focal position: with it, it is as bright as it should be in the frames on its
/// side, `told` up to its own one, and as large. Near that of the surface, or of the frame where it
/// is brightest or smallest.
double DropSearch::own_q_px(View& view, const SpotSuspicion& s,
                            std::span<const std::size_t> told) const {
  constexpr std::size_t kMostFrames = 10;
  constexpr double kSurfaceSdPx = 2.0, kMostMisfit = 9.0, kReachPx = 4.0,
                   kStepPx = 0.5;  // ours, no source
  double tallest = -1.0;
  std::size_t peak = s.frame;
  for (const std::size_t k : told) {
    const double height = spot_height(part(view, k).luminance, view.places);
    if (height > tallest) tallest = height, peak = k;
  }
  const std::vector<SizedSpot> sizes = sizes_of(s, told);
  std::vector<double> middles{s.q_px, frames_[peak].q_px};
  if (!sizes.empty()) {
    const double smallest_px = std::ranges::min_element(sizes, {}, &SizedSpot::sigma_px)->q_px;
    if (smallest_px != frames_[peak].q_px) middles.push_back(smallest_px);
  }
  std::vector<double> choices;
  for (const double middle : middles)
    for (double off = -kReachPx; off <= kReachPx; off += kStepPx) choices.push_back(middle + off);
  double least = std::numeric_limits<double>::infinity(), best = s.q_px;
  for (const double q : choices) {
    double misfit = std::min(kMostMisfit, std::pow((q - s.q_px) / kSurfaceSdPx, 2));
    if (sizes.size() >= kFewestSizes) misfit += misfit_of_sizes(sizes, q);
    for (std::size_t i = told.size() - 1; i-- > 0 && told.size() - 1 - i < kMostFrames;) {
      const SpotShare one = share_of_spot(part(view, s.frame), part(view, told[i]),
                                          blur_px(s.frame, q), blur_px(told[i], q), view.places);
      misfit += std::min(kMostMisfit, std::pow((one.share - 1.0) / one.sd, 2));
    }
    if (misfit < least) least = misfit, best = q;
  }
  return best;
}

/// What is seen where it is there must be a disc that keeps its light.
bool fits(std::span<const SpotShare> seen, const std::vector<bool>& sure, std::size_t first_after) {
  constexpr double kMost = 1.67;
  int good = 0, all = 0;
  for (std::size_t i = 0; i < first_after; ++i) {
    if (!sure[i] || seen[i].sd > kMostSd) continue;
    ++all;
    if (seen[i].share < kMost && kMost * seen[i].share > 1.0) ++good;
  }
  return 10 * good >= 7 * all;
}

SpotCourse DropSearch::follow(const SpotSuspicion& s) const {
  SpotCourse course{.from = s, .lost = s.lost(), .q_px = s.q_px, .at = s.spot.at};
  View view = view_of(s);
  std::vector<std::size_t> told;
  for (const std::size_t k : usable_)
    if ((blur_px(k, s.q_px) <= kFarthestPx || blur_px(k, frames_[s.frame].q_px) <= 2.0) &&
        sees(view, k))
      told.push_back(k);
  // From the side on which it is there: for what has come, time runs backwards.
  if (!s.lost()) std::ranges::reverse(told);
  const auto own = std::ranges::find(told, s.frame);
  if (told.size() < 4 || own == told.end()) return course;
  const auto from = static_cast<std::size_t>(own - told.begin());
  // Where few frames tell its own position, the surface's is as good beside a loss that is sure.
  const double own_px = own_q_px(view, s, std::span(told).first(from + 1));
  course = ask(view, s, told, own_px);
  course.own_q_px = own_px;
  course.alone_log_odds = course.log_odds;
  if (std::abs(own_px - s.q_px) <= kQErrorPx) return course;
  SpotCourse on_surface = ask(view, s, told, s.q_px);
  on_surface.own_q_px = own_px;
  on_surface.alone_log_odds = course.log_odds;
  return on_surface.log_odds > course.log_odds ? on_surface : course;
}

/// How much each frame counts: where discs hardly differ from frame to frame they hold the same
/// surroundings and err together, so that as many frames count once as lie within a quarter of the
/// disc. None where it is not sure.
std::vector<double> DropSearch::weights_of(std::span<const std::size_t> told,
                                           const std::vector<bool>& sure, double q_px) const {
  std::vector<double> weight(told.size(), 0.0);
  const auto apart_px = [&](std::size_t i) {
    return std::abs(frames_[told[i + 1]].q_px - frames_[told[i]].q_px);
  };
  for (std::size_t i = 0; i < told.size(); ++i) {
    if (!sure[i]) continue;
    const double step_px =
        0.5 * ((i > 0 ? apart_px(i - 1) : 0.0) + (i + 1 < told.size() ? apart_px(i) : 0.0));
    weight[i] = std::min(1.0, 2.0 * std::max(1.0, step_px) / std::max(1.0, blur_px(told[i], q_px)));
  }
  return weight;
}

/// What the frames say of a spot at `q_px`.
/// @param told  frames that may show it, from the side on which it is there.
SpotCourse DropSearch::ask(View& view, const SpotSuspicion& s, std::span<const std::size_t> told,
                           double q_px) const {
  SpotCourse course{.from = s, .lost = s.lost(), .q_px = q_px, .at = s.spot.at};
  const auto from = static_cast<std::size_t>(std::ranges::find(told, s.frame) - told.begin());
  const std::array q{q_px, q_px - kQErrorPx, q_px + kQErrorPx};
  // Each frame is held against frames that show it: the nearest in time and in blur.
  std::vector<std::size_t> present{s.frame};
  const auto look = [&](std::size_t k) {
    const auto apart = [&](std::size_t a) { return std::max(a, k) - std::min(a, k); };
    const auto unlike = [&](std::size_t a) {
      return std::abs(std::pow(blur_px(a, course.q_px), 2) - std::pow(blur_px(k, course.q_px), 2));
    };
    const std::size_t in_time = *std::ranges::min_element(present, {}, apart);
    const std::size_t in_blur = *std::ranges::min_element(present, {}, unlike);
    const SpotShare one = share(view, in_time, k, q);
    if (in_blur == in_time) return one;
    const SpotShare two = share(view, in_blur, k, q);
    // Where they agree the surer one counts; else the one that is most like the spot being there.
    if (std::abs(two.share - one.share) < std::min(one.sd, two.sd))
      return two.sd < one.sd ? two : one;
    return more_like_there(one, two);
  };
  constexpr double kPresent = 0.6, kPresentSd = 0.4;
  std::vector<SpotShare> seen(told.size());
  seen[from] = {.share = 1.0, .sd = 0.3};
  const auto sure_of = [&](std::size_t i) {
    return blur_px(told[i], course.q_px) <= kSurePx ||
           blur_px(told[i], frames_[s.frame].q_px) <= 2.0;
  };
  bool missed = false;
  const auto look_at = [&](std::size_t i) {
    seen[i] = look(told[i]);
    missed = missed || (sure_of(i) && log_odds_gone(seen[i]) > kSays);
    // Once it was missed, what looks like it may be something else.
    if (!missed && seen[i].share > kPresent && seen[i].sd < kPresentSd) present.push_back(told[i]);
  };
  for (std::size_t i = from; i-- > 0;) look_at(i);
  missed = false;
  for (std::size_t i = from + 1; i < told.size(); ++i) look_at(i);

  Votes votes{.gone = std::vector<double>(told.size()),
              .weight = {},
              .blur_px = std::vector<double>(told.size())};
  std::vector<double>& gone = votes.gone;
  std::vector<bool> sure(told.size());
  for (std::size_t i = 0; i < told.size(); ++i) {
    gone[i] = log_odds_gone(seen[i]);
    sure[i] = sure_of(i);
    votes.blur_px[i] = blur_px(told[i], course.q_px);
  }
  votes.weight = weights_of(told, sure, course.q_px);
  const Boundaries boundaries = find_boundaries(votes);
  const std::size_t e = boundaries.best;
  if (e == 0 || !fits(seen, sure, e)) return course;
  course.log_odds = std::min(evidence(votes, 0, e, -1.0), evidence(votes, e, told.size(), 1.0));
  if (course.log_odds + kTogetherLogOdds < 0.0) return course;
  // When: what sure frames leave open, others may tell.
  std::size_t last = boundaries.first - 1, first = boundaries.last;
  while (last > 0 && (!sure[last] || std::abs(gone[last]) < kSays)) --last;
  while (first + 1 < told.size() && (!sure[first] || std::abs(gone[first]) < kSays)) ++first;
  for (std::size_t i = last + 1; i < first && gone[i] < -kSays; ++i) last = i;
  for (std::size_t i = first; i-- > last + 1 && gone[i] > kSays;) first = i;
  course.before = std::min(told[last], told[first]);
  course.after = std::max(told[last], told[first]);
  look_around(course, told, gone, sure, e);
  return course;
}

/// What else has changed there, in the frames on both sides that show it best.
void DropSearch::look_around(SpotCourse& course, std::span<const std::size_t> told,
                             std::span<const double> gone, const std::vector<bool>& sure,
                             std::size_t first_after) const {
  constexpr int kHalfPx = 40;
  constexpr double kPerFramePx = 0.2;  // of blur that a frame nearer in time is worth
  std::vector<std::size_t> with, without;
  for (std::size_t i = first_after; i-- > 0;)
    if (sure[i] && gone[i] < -kSays) with.push_back(told[i]);
  for (std::size_t i = first_after; i < told.size(); ++i)
    if (sure[i] && gone[i] > kSays) without.push_back(told[i]);
  if (with.empty() || without.empty()) return;
  double least = std::numeric_limits<double>::infinity();
  std::size_t j = with[0], k = without[0];
  for (const std::size_t a : with)
    for (const std::size_t b : without) {
      const double cost = std::max(blur_px(a, course.q_px), blur_px(b, course.q_px)) +
                          2.0 * std::abs(frames_[a].q_px - frames_[b].q_px) +
                          kPerFramePx * static_cast<double>(std::max(a, b) - std::min(a, b));
      if (cost < least) least = cost, j = a, k = b;
    }
  const cv::Point spot = course.from.spot.at;
  const cv::Rect box =
      cv::Rect(spot.x - kHalfPx, spot.y - kHalfPx, 2 * kHalfPx + 1, 2 * kHalfPx + 1) & whole_;
  const GridPicture a = part_of(pictures_[j], box), b = part_of(pictures_[k], box);
  bool any = false;
  for (const double off : {0.0, -1.5, 1.5}) {
    const double q = course.q_px + off;
    const SpotChange change = change_around(a, b, blur_px(j, q), blur_px(k, q), spot - box.tl(),
                                            course.from.spot.sigma_px);
    if (any && change.usual >= course.change.usual) continue;
    any = true;
    course.change = change;
  }
  if (course.change.radius_px > 0.0) course.at = course.change.middle + cv::Point2d(box.tl());
}

/// Bright spots at one place in three frames or more; several of one drop count once.
std::size_t DropSearch::count_drops() const {
  constexpr std::size_t kFewest = 3;
  std::vector<Spot> all;
  for (const std::size_t k : usable_)
    for (const Spot& s : spots_[k])
      if (s.height >= kDropHeight) all.push_back(s);
  std::ranges::stable_sort(all, std::greater{}, &Spot::height);
  struct Place {
    Spot spot;
    std::size_t seen = 0;
  };
  std::vector<Place> places;
  for (const Spot& s : all) {
    const auto known = std::ranges::find_if(places, [&](const Place& p) {
      return cv::norm(p.spot.at - s.at) <= 3.0 * p.spot.sigma_px + 3.0;
    });
    if (known == places.end())
      places.push_back({s, 1});
    else
      ++known->seen;
  }
  return static_cast<std::size_t>(
      std::ranges::count_if(places, [](const Place& p) { return p.seen >= kFewest; }));
}

Drops DropSearch::run() {
  Drops drops{.looked = !usable_.empty()};
  if (!drops.looked) return drops;
  drops.tracked = count_drops();
  const std::vector<SpotSuspicion> suspected = suspicions();
  std::vector<SpotCourse> courses(suspected.size());
  for_each_(suspected.size(), [&](std::size_t i) { courses[i] = follow(suspected[i]); });
  tell_changes(told_of(std::move(courses)), drops);
  return drops;
}

}  // namespace

std::vector<DropEvent> drop_events(std::span<const DropChange> changes) {
  std::vector<DropEvent> events;
  for (const DropChange& change : changes) {
    const cv::Rect box(cvFloor(change.at.x - change.radius_px),
                       cvFloor(change.at.y - change.radius_px), cvCeil(2.0 * change.radius_px) + 1,
                       cvCeil(2.0 * change.radius_px) + 1);
    if (events.empty() || !overlap(events.back(), change)) {
      events.push_back({.before = change.before,
                        .after = change.after,
                        .count = 1,
                        .box_px = box,
                        .conflict = change.conflict});
      continue;
    }
    DropEvent& event = events.back();
    event.before = std::max(event.before, change.before);
    event.after = std::min(event.after, change.after);
    ++event.count;
    event.box_px |= box;
    event.conflict = event.conflict || change.conflict;
  }
  return events;
}

bool sharp_on_both_sides(const DropChange& drop, std::span<const DropFrame> frames,
                         double blur_limit_px) {
  bool before = false, after = false;
  for (std::size_t k = 0; k < frames.size(); ++k) {
    if (!frames[k].usable || std::abs(frames[k].q_px - drop.q_px) > blur_limit_px) continue;
    before = before || k <= drop.before;
    after = after || k >= drop.after;
  }
  return before && after;
}

Drops find_drops(std::span<const DropFrame> frames, std::span<const PackedPicture> pictures,
                 std::span<const std::vector<Spot>> spots, std::span<const ChangedPlace> changed,
                 const cv::Mat& tile_q_px, int tile_px, const ForEach& for_each) {
  if (pictures.size() != frames.size() || spots.size() != frames.size())
    throw std::invalid_argument("as many pictures and lists of spots as frames are needed");
  if (tile_px <= 0) throw std::invalid_argument("tile_px must be > 0");
  Drops drops = DropSearch(frames, pictures, spots, tile_q_px, tile_px, for_each).run();
  add_changed_drops(drops, frames, pictures, spots, changed, tile_q_px, tile_px, for_each);
  settle_fates(drops);
  return drops;
}

}  // namespace ringsweep
