#include "ringsweep/spot_light.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// A spot's model errs by so much of its height: shape of the disc, tone curve, drops that glitter.
constexpr double kModelSd = 0.15;
/// ... and by so much for each px of the disc by which one is blurred: a Gaussian stands for it.
constexpr double kBlurSdPerPx = 0.05;
constexpr double kLeastScatter = 0.002;  // of light, white is 1: rounding of 8 bit in the shadows

double mean_at(const cv::Mat& light, cv::Point at, const std::vector<cv::Point>& places) {
  double sum = 0.0;
  for (const cv::Point& p : places) sum += static_cast<double>(light.at<float>(at + p));
  return sum / static_cast<double>(places.size());
}

double median_at(const cv::Mat& light, cv::Point at, const std::vector<cv::Point>& places) {
  std::vector<double> values;
  values.reserve(places.size());
  for (const cv::Point& p : places) values.push_back(static_cast<double>(light.at<float>(at + p)));
  return quantile_in_place(values, 0.5);
}

/// Both as blurred as the more blurred one. Second moments add: d^2 / 16 per axis of a disc.
std::pair<cv::Mat, cv::Mat> equally_blurred(const cv::Mat& a, const cv::Mat& b, double a_px,
                                            double b_px) {
  constexpr double kNothingPx = 0.2;  // a Gaussian that moves no light
  const double sigma_px = std::sqrt(std::abs(a_px * a_px - b_px * b_px)) / 4.0;
  if (sigma_px <= kNothingPx) return {a, b};
  cv::Mat blurred;
  cv::GaussianBlur(a_px < b_px ? a : b, blurred, {}, sigma_px, 0, cv::BORDER_REPLICATE);
  return a_px < b_px ? std::pair(blurred, b) : std::pair(a, blurred);
}

cv::Mat root_of(const cv::Mat& light) {
  cv::Mat root;
  cv::sqrt(cv::max(light, 0.0F), root);
  return root;
}

/// Mean difference of what surrounds a window in `a` from what surrounds one in `b`.
double difference_around(const cv::Mat& a, const cv::Mat& b, const cv::Rect& in_a,
                         const cv::Rect& in_b) {
  constexpr int kRingPx = 6;
  const cv::Rect all({}, a.size());
  double sum = 0.0, count = 0.0;
  for (int y = -kRingPx; y < in_a.height + kRingPx; ++y)
    for (int x = -kRingPx; x < in_a.width + kRingPx; ++x) {
      const cv::Point p(x, y);
      if (cv::Rect({}, in_a.size()).contains(p)) continue;
      if (!all.contains(in_a.tl() + p) || !all.contains(in_b.tl() + p)) continue;
      sum += std::abs(static_cast<double>(a.at<float>(in_a.tl() + p) - b.at<float>(in_b.tl() + p)));
      ++count;
    }
  return sum / std::max(1.0, count);
}

/// Whether what `a` shows at a place is in `b` a little away, as bright, and its surroundings too.
void look_elsewhere(const cv::Mat& a, const cv::Mat& b, cv::Point at, double sigma_px,
                    SpotChange& result) {
  constexpr int kReachPx = 14;
  constexpr double kCarried = 0.7, kAlike = 0.9, kLeastShiftPx = 1.5, kLeastSpread = 0.7,
                   kMostSpread = 1.4;
  const int r = std::max(4, static_cast<int>(std::lround(2.5 * sigma_px)));
  const cv::Rect all({}, a.size());
  const cv::Rect window(at.x - r, at.y - r, 2 * r + 1, 2 * r + 1);
  const cv::Rect search = cv::Rect(window.x - kReachPx, window.y - kReachPx,
                                   window.width + 2 * kReachPx, window.height + 2 * kReachPx) &
                          all;
  if ((window & all) != window) return;
  cv::Mat alike;
  cv::matchTemplate(b(search), a(window), alike, cv::TM_CCOEFF_NORMED);
  double best = 0.0;
  cv::Point where;
  cv::minMaxLoc(alike, nullptr, &best, nullptr, &where);
  const cv::Rect there(where + search.tl(), window.size());
  cv::Scalar mean, spread_a, spread_b;
  cv::meanStdDev(a(window), mean, spread_a);
  cv::meanStdDev(b(there), mean, spread_b);
  const double spread = spread_b[0] / std::max(1e-6, spread_a[0]);
  result.elsewhere = best > kAlike && cv::norm(there.tl() - window.tl()) > kLeastShiftPx &&
                     spread > kLeastSpread && spread < kMostSpread;
  result.carried = result.elsewhere && difference_around(a, b, window, there) <
                                           kCarried * difference_around(a, b, window, window);
}

}  // namespace

SpotPlaces::SpotPlaces(double sigma_px) {
  const double core_px = std::max(1.5, 1.2 * sigma_px);
  const double ring_px = 2.0 * sigma_px + 1.5, ring_end_px = ring_px + 2.5;
  const int r = static_cast<int>(std::ceil(ring_end_px));
  for (int y = -r; y <= r; ++y)
    for (int x = -r; x <= r; ++x) {
      const double d = std::hypot(x, y);
      if (d <= core_px) core.emplace_back(x, y);
      if (d >= ring_px && d <= ring_end_px) ring.emplace_back(x, y);
    }
  constexpr int kOthers = 16;
  for (int i = 0; i < kOthers; ++i) {
    const double way = i * 2.0 * std::numbers::pi / kOthers;
    const double far = ring_end_px + core_px + (i % 2) * 3.0;
    others.emplace_back(static_cast<int>(std::lround(far * std::cos(way))),
                        static_cast<int>(std::lround(far * std::sin(way))));
  }
  half_px = static_cast<int>(ring_end_px + 2.0 * core_px) + 7;
  seen_half_px = r + 2;
}

double spot_height(const cv::Mat& light, const SpotPlaces& places) {
  const cv::Point middle(places.half_px, places.half_px);
  return mean_at(light, middle, places.core) - median_at(light, middle, places.ring);
}

SpotShare share_of_spot(const GridPicture& a, const GridPicture& b, double a_px, double b_px,
                        const SpotPlaces& places) {
  const auto [in_a, in_b] = equally_blurred(a.luminance, b.luminance, a_px, b_px);
  const double expected = spot_height(in_a, places);
  if (expected <= 0.0) return {};
  const cv::Point middle(places.half_px, places.half_px);
  double found = -1e9;  // registration errs by up to a px, glints shift with the viewpoint
  for (int dy = -1; dy <= 1; ++dy)
    for (int dx = -1; dx <= 1; ++dx)
      found = std::max(found, mean_at(in_b, middle + cv::Point(dx, dy), places.core));
  found -= median_at(in_b, middle, places.ring);
  std::vector<double> elsewhere;
  for (const cv::Point& p : places.others)
    elsewhere.push_back(
        std::abs(mean_at(in_a, middle + p, places.core) - mean_at(in_b, middle + p, places.core)));
  // The lower third: the rest of a drop that is lost changes with its spot. A third of Gaussian
  // values lie within 0.43 sd.
  const double scatter = quantile_in_place(elsewhere, 1.0 / 3.0) / 0.43 + kLeastScatter;
  SpotShare result{.share = found / expected,
                   .sd = std::hypot(kModelSd, std::numbers::sqrt2 * scatter / expected,
                                    kBlurSdPerPx * std::sqrt(std::abs(a_px * a_px - b_px * b_px)))};
  const auto clips = [&](const GridPicture& picture) {
    const auto clipped = std::ranges::count_if(places.core, [&](const cv::Point& p) {
      return picture.clipped.at<std::uint8_t>(middle + p) != 0;
    });
    return 2 * static_cast<std::size_t>(clipped) > places.core.size();
  };
  if (result.share > kModelSd && clips(b)) result.share = std::max(result.share, 1.0);
  if (clips(a)) result.share = std::min(result.share, 1.0);
  return result;
}

namespace {

/// How two roots of light differ, without what noise does from px to px; and how much they usually
/// do.
struct Difference {
  cv::Mat change, size;  ///< first minus second, and its size
  double usual = 0.0;    ///< median size
};

Difference difference_of(const cv::Mat& root_a, const cv::Mat& root_b) {
  Difference d{.change = root_a - root_b, .size = {}};
  cv::GaussianBlur(d.change, d.change, {}, 1.0, 0, cv::BORDER_REPLICATE);
  d.size = cv::abs(d.change);
  std::vector<float> sizes(d.size.begin<float>(), d.size.end<float>());
  d.usual = quantile_in_place(sizes, 0.5);
  return d;
}

/// Its place and size, and what of its surroundings has changed, too.
/// @param own  mask of what has changed together, not empty
/// @param changed  of all that has
void describe(const cv::Mat& own, const cv::Mat& changed, SpotChange& result) {
  constexpr double kAroundPx = 10.0;
  std::vector<cv::Point> points;
  cv::findNonZero(own, points);
  for (const cv::Point& p : points) result.middle += cv::Point2d(p);
  result.middle *= 1.0 / static_cast<double>(points.size());
  result.radius_px = std::sqrt(static_cast<double>(points.size()) / std::numbers::pi);
  for (const cv::Point& p : points)
    result.reach_px = std::max(result.reach_px, cv::norm(cv::Point2d(p) - result.middle));
  double all = 0.0, others = 0.0;
  for (int y = 0; y < changed.rows; ++y)
    for (int x = 0; x < changed.cols; ++x) {
      const double d = cv::norm(cv::Point2d(x, y) - result.middle);
      if (d < result.reach_px + 1.0 || d > result.reach_px + 1.0 + kAroundPx) continue;
      ++all;
      if (changed.at<std::uint8_t>(y, x) != 0) ++others;
    }
  result.around = all > 0.0 ? others / all : 1.0;
}

/// SpotChange::outline of what has changed together. A thing before a surface ends at its outline;
/// the surface goes on across it.
/// @param own  mask of it, not empty
double outline_of(const cv::Mat& root_a, const cv::Mat& root_b, const cv::Mat& own) {
  constexpr double kAcrossPx = 2.0, kSmoothPx = 2.0;  // ours, no source
  constexpr double kLeastStep = 0.004;                // of white's root: one of 8 bit
  cv::Mat inside, rows, cols;
  own.convertTo(inside, CV_32F, 1.0 / 255.0);
  cv::GaussianBlur(inside, inside, {}, kSmoothPx, 0, cv::BORDER_REPLICATE);
  cv::Sobel(inside, cols, CV_32F, 1, 0);
  cv::Sobel(inside, rows, CV_32F, 0, 1);
  std::vector<std::vector<cv::Point>> outlines;
  cv::findContours(own, outlines, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  const cv::Rect all({}, own.size());
  double steps_a = 0.0, steps_b = 0.0, count = 0.0;
  for (const std::vector<cv::Point>& outline : outlines)
    for (const cv::Point& p : outline) {
      const cv::Point2d inward(static_cast<double>(cols.at<float>(p)),
                               static_cast<double>(rows.at<float>(p)));
      const double length = cv::norm(inward);
      if (!(length > 0.0)) continue;
      const cv::Point off(inward * (kAcrossPx / length));
      if (!all.contains(p + off) || !all.contains(p - off)) continue;
      const auto step = [&](const cv::Mat& root) {
        return static_cast<double>(root.at<float>(p + off) - root.at<float>(p - off));
      };
      steps_a += std::pow(step(root_a), 2);
      steps_b += std::pow(step(root_b), 2);
      ++count;
    }
  const double floor = count * kLeastStep * kLeastStep;
  return count > 0.0 ? 0.5 * std::log((steps_a + floor) / (steps_b + floor)) : 0.0;
}

double brightest_in(const cv::Mat& light, const cv::Mat& mask) {
  double brightest = 0.0;
  cv::minMaxLoc(light, nullptr, &brightest, nullptr, nullptr, mask);
  return brightest;
}

}  // namespace

SpotChange change_around(const GridPicture& a, const GridPicture& b, double a_px, double b_px,
                         cv::Point at, double sigma_px) {
  constexpr double kOfUsual = 4.0, kOfHeight = 0.2;
  const auto [light_a, light_b] = equally_blurred(a.luminance, b.luminance, a_px, b_px);
  const cv::Mat root_a = root_of(light_a), root_b = root_of(light_b);
  const Difference d = difference_of(root_a, root_b);
  SpotChange result;
  result.usual = d.usual;
  const cv::Rect near = cv::Rect(at.x - 2, at.y - 2, 5, 5) & cv::Rect({}, d.size.size());
  cv::minMaxLoc(d.change(near), nullptr, &result.height);
  const cv::Mat changed = d.size > std::max(kOfUsual * result.usual, kOfHeight * result.height);
  cv::Mat joined, labels;
  cv::dilate(changed, joined, {});
  cv::connectedComponents(joined, labels, 8, CV_32S);
  const cv::Mat own = (labels == labels.at<int>(at)) & changed;
  if (labels.at<int>(at) == 0 || cv::countNonZero(own) == 0) return result;
  describe(own, changed, result);
  look_elsewhere(root_a, root_b, at, sigma_px, result);
  return result;
}

Changes changes_in(const GridPicture& a, const GridPicture& b, double a_px, double b_px,
                   const cv::Rect& box) {
  constexpr double kOfUsual = 4.0, kOfHeight = 0.25, kTop = 0.98;
  constexpr int kJoinPx = 3;     // lights and rim of one drop lie so near
  constexpr int kFewestPx = 12;  // a disc of 2 px radius; less is a speck
  const auto [light_a, light_b] = equally_blurred(a.luminance, b.luminance, a_px, b_px);
  const cv::Mat root_a = root_of(light_a), root_b = root_of(light_b);
  const Difference d = difference_of(root_a, root_b);
  const cv::Mat inside = d.size(box).clone();
  std::vector<float> sizes(inside.begin<float>(), inside.end<float>());
  const double height = quantile_in_place(sizes, kTop);
  const cv::Mat changed = d.size > std::max(kOfUsual * d.usual, kOfHeight * height);
  const int edge = 2 * kJoinPx + 1;
  cv::Mat joined, labels, stats, middles;
  cv::morphologyEx(changed, joined, cv::MORPH_CLOSE,
                   cv::getStructuringElement(cv::MORPH_ELLIPSE, {edge, edge}));
  const int count = cv::connectedComponentsWithStats(joined, labels, stats, middles, 8, CV_32S);
  Changes changes{.usual = d.usual};
  for (int i = 1; i < count; ++i) {
    if (stats.at<int>(i, cv::CC_STAT_AREA) < kFewestPx) continue;
    const cv::Mat own = labels == i;
    if (4 * cv::countNonZero(own(box)) < cv::countNonZero(own)) continue;  // of another place
    SpotChange change;
    change.usual = d.usual;
    describe(own, joined, change);
    change.height = brightest_in(d.size, own);
    if (brightest_in(root_b, own) > brightest_in(root_a, own)) change.height = -change.height;
    change.outline = outline_of(root_a, root_b, own);
    look_elsewhere(root_a, root_b, change.middle, 0.5 * change.radius_px, change);
    changes.things.push_back(change);
  }
  return changes;
}

double share_changed(const GridPicture& a, const GridPicture& b, const GridPicture& other,
                     double a_px, double b_px, double other_px, cv::Point2d middle,
                     double radius_px) {
  const double most_px = std::max({a_px, b_px, other_px});
  const auto root_as_blurred = [&](const GridPicture& picture, double px) {
    return root_of(equally_blurred(picture.luminance, picture.luminance, px, most_px).first);
  };
  const cv::Mat root_a = root_as_blurred(a, a_px);
  const cv::Mat to_b = root_a - root_as_blurred(b, b_px);
  const cv::Mat to_other = root_a - root_as_blurred(other, other_px);
  cv::Mat disc(root_a.size(), CV_8UC1, cv::Scalar(0));
  cv::circle(disc, middle, std::max(1, static_cast<int>(std::lround(radius_px))), 255, cv::FILLED);
  cv::Mat here, there;
  to_b.copyTo(here, disc);
  to_other.copyTo(there, disc);
  return here.dot(there) / std::max(1e-12, here.dot(here));
}

GridPicture part_of(const PackedPicture& picture, const cv::Rect& box) {
  const cv::Rect inside = box & cv::Rect({}, picture.values.size());
  if (inside == box && cv::countNonZero(picture.values(box)) == box.area())
    return unpack({.values = picture.values(box), .gain = picture.gain});
  cv::Mat values(box.size(), CV_16UC1, cv::Scalar(0)), opposite;
  picture.values(inside).copyTo(values(inside - box.tl()));
  cv::flip(values, opposite, -1);
  opposite.copyTo(values, values == 0);
  return unpack({.values = values, .gain = picture.gain});
}

}  // namespace ringsweep
