#include "ringsweep/part_shift.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr int kCellPx = 8;    // of every level
constexpr int kReachPx = 12;  // a shift sought, of a level: what a window of three cells may see
constexpr int kWindowPx = 5;  // edge of what is compared about a px: finer than a leg
constexpr int kEveryPx = 2;   // px of the level that are looked at: windows overlap
constexpr int kSide = 2 * kReachPx + 1;

/// Whole shifts within reach, by a number, and the numbers of the shifts.
struct Shifts {
  std::vector<cv::Point> all;
  std::array<std::uint16_t, static_cast<std::size_t>(kSide* kSide)> number{};
  Shifts() {
    for (int y = -kReachPx; y <= kReachPx; ++y)
      for (int x = -kReachPx; x <= kReachPx; ++x) {
        if (x * x + y * y > kReachPx * kReachPx) continue;
        number[index({x, y})] = static_cast<std::uint16_t>(all.size());
        all.emplace_back(x, y);
      }
  }
  /// @param shift  within reach
  [[nodiscard]] std::size_t of(const cv::Point& shift) const { return number[index(shift)]; }

 private:
  static std::size_t index(const cv::Point& s) {
    return static_cast<std::size_t>((s.y + kReachPx) * kSide + s.x + kReachPx);
  }
};

/// Mean squares of the difference at places of a rectangle, for every shift, all pairs together.
class Costs {
 public:
  /// @param places  every kEveryPx-th px of the area, from its corner
  Costs(std::span<const ShiftFrame> frames, std::span<const FramePair> pairs, int level,
        const cv::Rect& area, std::span<const cv::Point> places)
      : area_(area),
        places_(places),
        forward_(shifts_.all.size() * places.size()),
        back_(forward_.size()) {
    const auto l = static_cast<std::size_t>(level);
    for (const FramePair& pair : pairs)
      add(frames[pair.first].levels[l], frames[pair.second].levels[l]);
  }

  [[nodiscard]] const std::vector<cv::Point>& shifts() const { return shifts_.all; }
  /// Of the first picture's place against that of the second that lies further by the shift.
  [[nodiscard]] float forward(std::size_t place, const cv::Point& shift) const {
    return forward_[shifts_.of(shift) * places_.size() + place];
  }
  /// Of the second picture's place against that of the first that lies back by it.
  [[nodiscard]] float back(std::size_t place, const cv::Point& shift) const {
    return back_[shifts_.of(shift) * places_.size() + place];
  }

 private:
  /// @param first, second  of the level
  void add(const cv::Mat& first, const cv::Mat& second) {
    constexpr int kMargin = kReachPx + kWindowPx;
    cv::Mat a, b;  // the area and a margin, of the picture where it has one
    cv::copyMakeBorder(first(area_), a, kMargin, kMargin, kMargin, kMargin, cv::BORDER_REPLICATE);
    cv::copyMakeBorder(second(area_), b, kMargin, kMargin, kMargin, kMargin, cv::BORDER_REPLICATE);
    a.convertTo(a, CV_32F, 1.0 / kShiftRoot);
    b.convertTo(b, CV_32F, 1.0 / kShiftRoot);
    const cv::Rect here({kMargin, kMargin}, area_.size());
    cv::Mat difference;
    const auto costs = [&](const cv::Mat& fixed, const cv::Mat& moved, const cv::Point& shift,
                           float* to) {
      cv::subtract(fixed(here), moved(here + shift), difference);
      cv::multiply(difference, difference, difference);
      cv::boxFilter(difference, difference, -1, {kWindowPx, kWindowPx}, {-1, -1}, true,
                    cv::BORDER_REPLICATE);
      for (std::size_t i = 0; i < places_.size(); ++i)
        to[i] += difference.at<float>(places_[i] * kEveryPx);
    };
    for (std::size_t i = 0; i < shifts().size(); ++i) {
      costs(a, b, shifts()[i], &forward_[i * places_.size()]);
      costs(b, a, -shifts()[i], &back_[i * places_.size()]);
    }
  }

  Shifts shifts_;
  cv::Rect area_;
  std::span<const cv::Point> places_;
  std::vector<float> forward_, back_;  // shift by shift, in each the places
};

/// Linear in the place: at one corner of the frame of the part's own axes, at the end of the longer
/// and at the end of the shorter. The part's places are midway between both pictures.
using Turn = std::array<cv::Vec2d, 3>;

/// A place of a picture that changed.
struct Changed {
  std::size_t place = 0;
  int x = 0, y = 0;
  cv::Vec2d at{};                     ///< along and across the part, 0 to 1
  float first = 0.0F, second = 0.0F;  ///< what standing still does not explain
};

/// Places in the axes of what changed, from 0 to 1.
class Axes {
 public:
  explicit Axes(std::vector<Changed>& changed) {
    double w = 0.0, mx = 0.0, my = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
    for (const Changed& c : changed) {
      const double v = c.first + c.second;
      w += v, mx += v * c.x, my += v * c.y;
    }
    mx /= w, my /= w;
    for (const Changed& c : changed) {
      const double v = (c.first + c.second) / w, x = c.x - mx, y = c.y - my;
      xx += v * x * x, xy += v * x * y, yy += v * y * y;
    }
    const double angle = 0.5 * std::atan2(2.0 * xy, xx - yy);
    turned_ = {std::cos(angle), std::sin(angle), -std::sin(angle), std::cos(angle)};
    cv::Vec2d low(1e9, 1e9), high(-1e9, -1e9);
    for (Changed& c : changed) {
      c.at = turned_ * cv::Vec2d(c.x, c.y);
      for (int i = 0; i < 2; ++i)
        low[i] = std::min(low[i], c.at[i]), high[i] = std::max(high[i], c.at[i]);
    }
    for (int i = 0; i < 2; ++i) length_[i] = std::max(1.0, high[i] - low[i]);
    for (Changed& c : changed)
      for (int i = 0; i < 2; ++i) c.at[i] = (c.at[i] - low[i]) / length_[i];
  }

  /// How the shift of a px, in px of the level, changes with its place in the axes.
  [[nodiscard]] cv::Matx22d change_of(const Turn& turn) const {
    return {turn[1][0] - turn[0][0], turn[2][0] - turn[0][0], turn[1][1] - turn[0][1],
            turn[2][1] - turn[0][1]};
  }
  /// How far the axes' places go with a shift.
  [[nodiscard]] cv::Matx22d places_per_px() const {
    cv::Matx22d m = turned_ * (1.0 / kEveryPx);
    for (int i = 0; i < 2; ++i)
      for (int j = 0; j < 2; ++j) m(i, j) /= length_[i];
    return m;
  }

 private:
  cv::Matx22d turned_;
  cv::Vec2d length_;
};

/// The shift of a picture's px, by where they lie in that picture: `half` is 1/2 in the first,
/// where a part's px lie half its shift before the place midway, and -1/2 in the second.
struct Field {
  cv::Vec2d start;
  cv::Matx22d change;
  Field(const Axes& axes, const Turn& turn, double half) {
    const cv::Matx22d per_place = axes.change_of(turn);
    const cv::Matx22d solved = (cv::Matx22d::eye() - half * per_place * axes.places_per_px()).inv();
    start = solved * turn[0];
    change = solved * per_place;
  }
  [[nodiscard]] cv::Vec2d at(const cv::Vec2d& place) const { return start + change * place; }
};

/// Catmull-Rom: E. Catmull, R. Rom, Computer Aided Geometric Design (1974) 317, from memory.
std::array<float, 4> weights_between(double f) {
  const auto x = static_cast<float>(f);
  return {0.5F * x * (-1.0F + x * (2.0F - x)), 1.0F + 0.5F * x * x * (3.0F * x - 5.0F),
          0.5F * x * (1.0F + x * (4.0F - 3.0F * x)), 0.5F * x * x * (x - 1.0F)};
}

/// A cost between whole px of shift.
template <class Cost>
float between(const cv::Vec2d& shift, const Cost& cost) {
  const cv::Point whole(cvFloor(shift[0]), cvFloor(shift[1]));
  const auto wx = weights_between(shift[0] - whole.x), wy = weights_between(shift[1] - whole.y);
  float sum = 0.0F;
  for (int j = 0; j < 4; ++j)
    for (int i = 0; i < 4; ++i)
      sum += wx[static_cast<std::size_t>(i)] * wy[static_cast<std::size_t>(j)] *
             cost(whole + cv::Point(i - 1, j - 1));
  return sum;
}

/// What shifts explain of a place of the first picture and of the second.
cv::Vec2d explained_at(const Costs& costs, const Changed& c, const cv::Vec2d& forward,
                       const cv::Vec2d& back, bool fine) {
  const auto least = [&](float still, const cv::Vec2d& shift, const auto& cost) {
    // Four px are heard between whole ones, up to 2 px away each way.
    if (cv::norm(shift) > kReachPx - (fine ? 3.0 : 1.0)) return 0.0F;
    const float moved = fine ? std::max(0.0F, between(shift, cost))
                             : cost(cv::Point(cvRound(shift[0]), cvRound(shift[1])));
    return std::max(0.0F, still - moved);
  };
  return {least(c.first, forward, [&](const cv::Point& s) { return costs.forward(c.place, s); }),
          least(c.second, back, [&](const cv::Point& s) { return costs.back(c.place, s); })};
}

double explained_by(const Costs& costs, const std::vector<Changed>& changed, const Axes& axes,
                    const Turn& turn, bool fine) {
  const Field forward(axes, turn, 0.5), back(axes, turn, -0.5);
  double sum = 0.0;
  for (const Changed& c : changed) {
    const cv::Vec2d both = explained_at(costs, c, forward.at(c.at), back.at(c.at), fine);
    sum += both[0] + both[1];
  }
  return sum;
}

/// Steps to better neighbours, ever finer ones: of all of it, of its change along the part and
/// across, about its middle.
/// @param ways  how many of these: 1, it only shifts; 3
Turn climb(const Costs& costs, const std::vector<Changed>& changed, const Axes& axes, Turn turn,
           double step, double least_step, std::size_t ways) {
  const std::array<cv::Vec3d, 3> kWays{cv::Vec3d(1.0, 1.0, 1.0), cv::Vec3d(-1.0, 1.0, -1.0),
                                       cv::Vec3d(-1.0, -1.0, 1.0)};
  // What is not needed is none: across a thin part hardly anything tells a change.
  constexpr std::array<double, 3> kLeastGain{1.0, 1.0005, 1.01};
  const bool fine = least_step < 0.5;
  double best = explained_by(costs, changed, axes, turn, fine);
  for (; step >= least_step; step *= 0.5) {
    bool better = true;
    while (better) {
      better = false;
      for (std::size_t w = 0; w < ways; ++w)
        for (const cv::Vec2d& side : {cv::Vec2d(step, 0.0), cv::Vec2d(-step, 0.0),
                                      cv::Vec2d(0.0, step), cv::Vec2d(0.0, -step)}) {
          Turn next = turn;
          for (std::size_t i = 0; i < next.size(); ++i)
            next[i] += kWays[w][static_cast<int>(i)] * side;
          const double sum = explained_by(costs, changed, axes, next, fine);
          if (sum > kLeastGain[w] * best) best = sum, turn = next, better = true;
        }
    }
  }
  return turn;
}

}  // namespace

PartShift find_part_shift(std::span<const ShiftFrame> frames, std::span<const FramePair> pairs,
                          std::span<const ShiftTile> all, std::span<const std::size_t> tiles,
                          int level, double full_px_per_px) {
  constexpr double kLeastOfOwn = 0.5;
  constexpr std::size_t kStarts = 8;
  const cv::Size size = frames[pairs[0].first].levels[static_cast<std::size_t>(level)].size();
  const auto cell = [&](std::size_t t) {
    return cv::Rect((all[t].col * kCellPx) >> level, (all[t].row * kCellPx) >> level,
                    kCellPx >> level, kCellPx >> level);
  };
  cv::Rect area = cell(tiles[0]);
  for (const std::size_t t : tiles) area |= cell(t);
  area &= cv::Rect({}, size);
  if (area.empty()) return {};
  cv::Mat owner((area.height + kEveryPx - 1) / kEveryPx, (area.width + kEveryPx - 1) / kEveryPx,
                CV_32SC1, cv::Scalar(-1));  // index into tiles
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    const cv::Rect c = (cell(tiles[i]) & area) - area.tl();
    for (int y = c.y / kEveryPx; y < owner.rows && y * kEveryPx < c.y + c.height; ++y)
      for (int x = c.x / kEveryPx; x < owner.cols && x * kEveryPx < c.x + c.width; ++x)
        owner.at<int>(y, x) = static_cast<int>(i);
  }
  const auto seen = [&](const cv::Point& px) {
    return std::ranges::all_of(pairs, [&](const FramePair& pair) {
      const auto l = static_cast<std::size_t>(level);
      return frames[pair.first].masks[l].at<std::uint8_t>(px) == 255 &&
             frames[pair.second].masks[l].at<std::uint8_t>(px) == 255;
    });
  };
  std::vector<cv::Point> places;
  for (int y = 0; y < owner.rows; ++y)
    for (int x = 0; x < owner.cols; ++x)
      if (owner.at<int>(y, x) >= 0 && seen(area.tl() + kEveryPx * cv::Point(x, y)))
        places.emplace_back(x, y);
  const Costs costs(frames, pairs, level, area, places);
  std::vector<Changed> changed;
  double difference = 0.0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    changed.push_back({.place = i,
                       .x = places[i].x,
                       .y = places[i].y,
                       .first = costs.forward(i, {0, 0}),
                       .second = costs.back(i, {0, 0})});
    difference += changed.back().first + changed.back().second;
  }
  if (changed.empty() || !(difference > 0.0)) return {};
  const Axes axes(changed);
  std::vector<std::pair<double, Turn>> starts;
  for (const cv::Point& whole : costs.shifts()) {
    const cv::Vec2d shift(whole.x, whole.y);
    const Turn turn{shift, shift, shift};
    starts.emplace_back(explained_by(costs, changed, axes, turn, false), turn);
  }
  std::ranges::stable_sort(starts, std::greater<>(), [](const auto& s) { return s.first; });
  double best = 0.0;
  Turn turn{};
  for (std::size_t i = 0; i < std::min(kStarts, starts.size()); ++i) {
    const Turn reached = climb(costs, changed, axes, starts[i].second, 4.0, 0.5, 3);
    const double sum = explained_by(costs, changed, axes, reached, false);
    if (sum > best) best = sum, turn = reached;
  }
  turn = climb(costs, changed, axes, turn, 0.5, 0.1, 3);
  // Without need it does not turn: the largest shifts of a turn that noise made are too large.
  constexpr double kLeastTurn = 1.02;
  const Turn straight = climb(costs, changed, axes, starts[0].second, 0.5, 0.1, 1);
  if (explained_by(costs, changed, axes, turn, true) <
      kLeastTurn * explained_by(costs, changed, axes, straight, true))
    turn = straight;

  const Field forward(axes, turn, 0.5), back(axes, turn, -0.5), midway(axes, turn, 0.0);
  std::vector<double> gain(tiles.size()), own(tiles.size()), count(tiles.size()), lengths;
  std::vector<cv::Vec2d> place(tiles.size());
  PartShift out{.known = true};
  cv::Vec2d pictures{}, still{};
  for (const Changed& c : changed) {
    const auto i = static_cast<std::size_t>(owner.at<int>(c.y, c.x));
    const cv::Vec2d both = explained_at(costs, c, forward.at(c.at), back.at(c.at), true);
    const double explained = both[0] + both[1];
    pictures += both;
    still += cv::Vec2d(c.first, c.second);
    gain[i] += explained;
    own[i] += c.first + c.second;
    if (explained > kLeastOfOwn * (c.first + c.second))
      lengths.push_back(cv::norm(midway.at(c.at)));
    place[i] += c.at, count[i] += 1.0;
  }
  out.explained =
      std::min(pictures[0] / std::max(1e-12, still[0]), pictures[1] / std::max(1e-12, still[1]));
  // Of the part's px a few tell most; a tile that shows hardly any change, or one that the shift
  // does not explain, shows something else.
  constexpr double kLeastOfMost = 0.004;
  const double most = *std::ranges::max_element(gain);
  const double px = full_px_per_px * (1 << level);
  for (std::size_t i = 0; i < tiles.size(); ++i) {
    if (count[i] == 0.0 || gain[i] < std::max(kLeastOfMost * most, kLeastOfOwn * own[i])) continue;
    out.tiles.push_back(tiles[i]);
    out.shift.push_back(px * midway.at(place[i] * (1.0 / count[i])));
  }
  constexpr double kShare = 0.9;
  out.shift_px = px * quantile_in_place(lengths, kShare);
  return out;
}

}  // namespace ringsweep
