#include "ringsweep/depth_edges.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <stdexcept>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// A profile across the border runs from -kReach to kReach px, and is the mean of 2 kAlong + 1
/// lines beside each other: texture averages out, the contour does not.
constexpr int kReach = 13, kAlong = 4, kLength = 2 * kReach + 1;
/// Labels begin to be those of one side kInner px from the border; from kOuter px on, nothing that
/// the contour leaves there can pass for texture.
constexpr int kInner = 3, kOuter = 8, kNarrow = 5;
constexpr double kSharpSigmaPx = 1.1;  // of a contour in focus: optics, demosaicing, shrinking

using Profile = std::array<double, kLength>;

/// Pixels of known depth: textured, sharp in few frames, and no highlight near.
cv::Mat known_depth(const DepthLook& look, std::size_t num_frames,
                    const DepthEdgeOptions& options) {
  cv::Mat known =
      (look.energy > options.texture * look.noise) & (look.energy > options.peaked * look.mean);
  // A highlight is brighter than what surrounds it by more than blur can even out, and its disc has
  // an edge of its own in every frame.
  std::vector<uchar> values(look.highest.begin<uchar>(), look.highest.end<uchar>());
  const double top = quantile_in_place(values, 0.9995);
  const double middle = quantile_in_place(values, 0.5);
  const double bright =
      std::min(std::max(std::sqrt(0.75) * top, 1.5 * middle), std::sqrt(0.9) * 255.0);
  cv::Mat highlights = look.highest > bright;
  cv::dilate(highlights, highlights, cv::Mat::ones(13, 13, CV_8U));
  known.setTo(0, highlights);
  // Sharpest in an outermost frame: it may be sharper still beyond, or a disc that is largest
  // there.
  known.setTo(0, look.frame == 0);
  known.setTo(0, look.frame == static_cast<double>(num_frames - 1));
  return known;
}

/// Step of a contour in focus.
double sharp_step(double x) { return 0.5 * std::erfc(-x / (kSharpSigmaPx * std::sqrt(2.0))); }

/// Share of a disc of diameter d to the left of x: the step of a contour out of focus.
double disc_step(double x, double d) {
  const double u = std::clamp(2.0 * x / d, -1.0, 1.0);
  return 0.5 + (u * std::sqrt(1.0 - u * u) + std::asin(u)) / CV_PI;
}

/// Both steps at a place, free of their mean.
struct Steps {
  Profile sharp{}, blurred{};
};

/// The part of the profiles that belongs to the two sides, as indices, both inclusive.
struct Window {
  std::size_t first = 0, last = kLength - 1;
};

void take_mean_off(Profile& p, const Window& window) {
  double mean = 0.0;
  for (std::size_t i = window.first; i <= window.last; ++i) mean += p[i];
  mean /= static_cast<double>(window.last - window.first + 1);
  for (double& v : p) v -= mean;
}

Steps steps_at(double place, double d, const Window& window) {
  Steps s;
  double sum = 0.0;
  std::array<double, 7> smooth{};
  for (int i = -3; i <= 3; ++i) {
    smooth[static_cast<std::size_t>(i + 3)] = std::exp(-0.5 * std::pow(i / kSharpSigmaPx, 2));
    sum += smooth[static_cast<std::size_t>(i + 3)];
  }
  for (int r = -kReach; r <= kReach; ++r) {
    const auto at = static_cast<std::size_t>(r + kReach);
    s.sharp[at] = sharp_step(r - place);
    for (int i = -3; i <= 3; ++i)
      s.blurred[at] += smooth[static_cast<std::size_t>(i + 3)] / sum * disc_step(r + i - place, d);
  }
  take_mean_off(s.sharp, window);
  take_mean_off(s.blurred, window);
  return s;
}

struct StepFit {
  double height = 0.0, misfit = 0.0;
};

/// Least squares with a free height; the profile's mean is taken off already.
StepFit fit_step(const Profile& p, const Profile& step, const Window& window) {
  double ps = 0.0, ss = 0.0, pp = 0.0;
  for (std::size_t i = window.first; i <= window.last; ++i)
    ps += p[i] * step[i], ss += step[i] * step[i], pp += p[i] * p[i];
  return {ps / ss, std::max(pp - ps * ps / ss, 0.0)};
}

/// The border at one pixel: lines of sight across it, `normal` towards the larger positions.
class Border {
 public:
  Border(cv::Point at, cv::Point2d normal) : at_(at), normal_(normal) {}

  [[nodiscard]] cv::Point2d place(int across, int along) const {
    return {at_.x + across * normal_.x - along * normal_.y,
            at_.y + across * normal_.y + along * normal_.x};
  }
  [[nodiscard]] cv::Point pixel(int across, int along) const {
    const cv::Point2d p = place(across, along);
    return {cvRound(p.x), cvRound(p.y)};
  }
  /// Mean linear luminance along the border.
  [[nodiscard]] Profile profile(const cv::Mat& picture) const {
    Profile p{};
    for (int r = -kReach; r <= kReach; ++r)
      for (int t = -kAlong; t <= kAlong; ++t)
        p[static_cast<std::size_t>(r + kReach)] += light(picture, r, t) / (2 * kAlong + 1);
    return p;
  }
  /// Energy of the texture along the border, to which its contour adds nothing: mean square of the
  /// steps from px to px.
  [[nodiscard]] Profile texture(const cv::Mat& picture) const {
    Profile p{};
    for (int r = -kReach; r <= kReach; ++r)
      for (int t = -kAlong; t < kAlong; ++t)
        p[static_cast<std::size_t>(r + kReach)] +=
            std::pow(light(picture, r, t + 1) - light(picture, r, t), 2) / (2 * kAlong);
    return p;
  }

 private:
  /// Linear luminance, between pixels.
  [[nodiscard]] double light(const cv::Mat& picture, int across, int along) const {
    const cv::Point2d q = place(across, along);
    const int x = cvFloor(q.x), y = cvFloor(q.y);
    const double fx = q.x - x, fy = q.y - y;
    const auto at = [&](int yy, int xx) {
      const double v = picture.at<uchar>(yy, xx) / 255.0;
      return v * v;
    };
    return (1.0 - fy) * ((1.0 - fx) * at(y, x) + fx * at(y, x + 1)) +
           fy * ((1.0 - fx) * at(y + 1, x) + fx * at(y + 1, x + 1));
  }

  cv::Point at_;
  cv::Point2d normal_;
};

/// One side of a border: as wide as the profile, or narrow, with something else of known depth
/// behind it (a leg in front of a stem). A narrow side with nothing behind is the rim of a body.
struct BorderSide {
  double q_px = 0.0;
  double energy = 0.0;  ///< median, clear of the contour where the side is wide
  int reach = 0;        ///< px from the border that belong to it
};

/// Share of the pixels from `from` to `to` px of the border that are known, and about at `q_px`.
struct Shares {
  double known = 0.0, same = 0.0;
};

class SideReader {
 public:
  SideReader(const DepthLook& look, const cv::Mat& frame, const cv::Mat& known,
             std::span<const double> q_px)
      : look_(look), frame_(frame), known_(known), q_px_(q_px) {}

  /// @param sign -1 the side of the smaller positions, 1 the other.
  [[nodiscard]] BorderSide read(const Border& border, int sign, int reach) const {
    std::vector<double> q;
    std::vector<float> energy;
    for (int r = kInner; r <= reach; ++r)
      for (int t = -kAlong; t <= kAlong; ++t) {
        const cv::Point p = border.pixel(sign * r, t);
        q.push_back(q_px_[frame_.at<ushort>(p)]);
        if (reach < kReach || r >= kOuter - 1) energy.push_back(look_.energy.at<float>(p));
      }
    return {quantile_in_place(q, 0.5), quantile_in_place(energy, 0.5), reach};
  }

  [[nodiscard]] Shares shares(const Border& border, int sign, int from, int to, double q_px,
                              double within_px) const {
    Shares s;
    double all = 0.0;
    for (int r = from; r <= to; ++r)
      for (int t = -kAlong; t <= kAlong; ++t) {
        const cv::Point p = border.pixel(sign * r, t);
        all += 1.0;
        if (!known_.at<uchar>(p)) continue;
        s.known += 1.0;
        s.same += std::abs(q_px_[frame_.at<ushort>(p)] - q_px) < within_px ? 1.0 : 0.0;
      }
    return {s.known / all, s.same / all};
  }

  /// Whether a side has its one depth all over, and what lies behind a narrow one is known.
  [[nodiscard]] bool holds(const Border& border, int sign, const BorderSide& side, double within_px,
                           double share) const {
    if (shares(border, sign, kInner, side.reach, side.q_px, within_px).same < share) return false;
    const Shares outer = shares(border, sign, kOuter, kReach, side.q_px, within_px);
    return (side.reach == kReach ? outer.same : outer.known) >= share;
  }

 private:
  const DepthLook& look_;
  const cv::Mat& frame_;
  const cv::Mat& known_;
  std::span<const double> q_px_;
};

std::size_t nearest_frame(std::span<const double> q_px, double q) {
  const auto after = std::ranges::lower_bound(q_px, q);
  if (after == q_px.begin()) return 0;
  if (after == q_px.end()) return q_px.size() - 1;
  const auto i = static_cast<std::size_t>(after - q_px.begin());
  return q - q_px[i - 1] <= q_px[i] - q ? i - 1 : i;
}

/// DepthEdge::seen_across.
/// @param own, other  texture in the frame that shows the side without a contour sharp, and in the
/// other side's frame
/// @param sign  1 where the side without a contour lies in the direction of the profile
double seen_across(const Profile& own, const Profile& other, int sign, double jump_px) {
  constexpr int kNear = 2, kBeyondDisc = 2, kMost = 12, kClear = 6, kFewest = 3;
  const auto median = [&](const Profile& texture, int from, int to) {
    std::vector<double> values;
    for (int r = from; r <= to; ++r)
      values.push_back(texture[static_cast<std::size_t>(sign * r + kReach)]);
    return quantile_in_place(values, 0.5);
  };
  const int disc = static_cast<int>(jump_px / 2.0);
  const double noise = std::min(*std::ranges::min_element(own), median(other, kClear, kReach));
  const double side =
      median(own, std::min(std::max(kClear, disc), kReach - kFewest), kReach) - noise;
  const double across = median(own, -std::min(disc + kBeyondDisc, kMost), -kNear) - noise;
  return side > 0.0 ? across / side : 1.0;
}

/// Fits both orders to the profiles of the two sides' frames.
std::optional<DepthEdge> judge(const Border& border, cv::Point at, const BorderSide& low_side,
                               const BorderSide& high_side, const cv::Mat& low_picture,
                               const cv::Mat& high_picture) {
  // The contour's energy spreads: labels give it to its owner, so it lies on the owner's side of
  // the border, or nearly so.
  constexpr double kOwn = 4.5, kOther = 1.5, kStep = 0.5, kLargestDiscPx = 20.0;
  const double jump_px = high_side.q_px - low_side.q_px;
  const Window window{static_cast<std::size_t>(kReach - low_side.reach),
                      static_cast<std::size_t>(kReach + high_side.reach)};
  Profile low = border.profile(low_picture), high = border.profile(high_picture);
  double light = 0.0, variance = 0.0;
  for (std::size_t i = window.first; i <= window.last; ++i)
    light += (low[i] + high[i]) / static_cast<double>(2 * (window.last - window.first + 1));
  take_mean_off(low, window);
  take_mean_off(high, window);
  for (std::size_t i = window.first; i <= window.last; ++i)
    variance += low[i] * low[i] + high[i] * high[i];
  if (!(variance > 0.0) || !(light > 0.0)) return std::nullopt;
  constexpr double kNone = std::numeric_limits<double>::max();
  double high_near = kNone, low_near = kNone, high_near_step = 0.0, low_near_step = 0.0;
  for (int i = -9; i <= 9; ++i) {
    const double place = i * kStep;
    const Steps steps = steps_at(place, std::min(jump_px, kLargestDiscPx), window);
    const StepFit high_sharp = fit_step(high, steps.sharp, window),
                  low_sharp = fit_step(low, steps.sharp, window);
    const StepFit high_blur = fit_step(high, steps.blurred, window),
                  low_blur = fit_step(low, steps.blurred, window);
    const double a = high_sharp.misfit + low_blur.misfit, b = low_sharp.misfit + high_blur.misfit;
    if (place >= -kOther && place <= kOwn && high_sharp.height * low_blur.height > 0.0 &&
        a < high_near)
      high_near = a, high_near_step = std::abs(high_sharp.height + low_blur.height) / 2.0;
    if (place <= kOther && place >= -kOwn && low_sharp.height * high_blur.height > 0.0 &&
        b < low_near)
      low_near = b, low_near_step = std::abs(low_sharp.height + high_blur.height) / 2.0;
  }
  if (high_near == kNone || low_near == kNone) return std::nullopt;
  const double least = 1e-6 * variance;  // rounding; keeps the logarithm finite
  const bool high_owns = high_near < low_near;
  const cv::Mat& without = high_owns ? low_picture : high_picture;
  const cv::Mat& owner = high_owns ? high_picture : low_picture;
  return DepthEdge{.at = at,
                   .jump_px = jump_px,
                   .contrast = (high_owns ? high_near_step : low_near_step) / light,
                   .explained = 1.0 - std::min(high_near, low_near) / variance,
                   .higher_near = std::log(std::max(low_near, least) / std::max(high_near, least)),
                   .seen_across = seen_across(border.texture(without), border.texture(owner),
                                              high_owns ? -1 : 1, jump_px)};
}

/// Depth smoothed over what is known, for the direction across a border; share of it known.
struct SmoothDepth {
  cv::Mat q_px, share;
};

SmoothDepth smooth_depth(const cv::Mat& frame, const cv::Mat& known, std::span<const double> q_px) {
  cv::Mat weight, value(frame.size(), CV_32FC1);
  known.convertTo(weight, CV_32F, 1.0 / 255.0);
  for (int y = 0; y < frame.rows; ++y)
    for (int x = 0; x < frame.cols; ++x)
      value.at<float>(y, x) =
          weight.at<float>(y, x) * static_cast<float>(q_px[frame.at<ushort>(y, x)]);
  cv::GaussianBlur(weight, weight, {}, 3.0, 3.0, cv::BORDER_REFLECT);
  cv::GaussianBlur(value, value, {}, 3.0, 3.0, cv::BORDER_REFLECT);
  weight += 1e-6;
  return {value / weight, weight};
}

}  // namespace

std::vector<DepthEdge> find_depth_edges(std::span<const cv::Mat> pictures,
                                        std::span<const double> q_px, const DepthLook& look,
                                        const DepthEdgeOptions& options) {
  if (pictures.size() != q_px.size())
    throw std::invalid_argument("q_px must have one value a picture");
  std::vector<DepthEdge> edges;
  if (pictures.size() < 5) return edges;
  for (const cv::Mat& picture : pictures)
    if (picture.size() != look.energy.size())
      throw std::invalid_argument("pictures and look must have one size");

  std::vector<double> steps;
  for (std::size_t k = 1; k < q_px.size(); ++k) steps.push_back(q_px[k] - q_px[k - 1]);
  const double least_jump =
      std::max(options.least_jump_px, options.between_frames * quantile_in_place(steps, 0.75));

  const cv::Mat known = known_depth(look, pictures.size(), options);
  cv::Mat frame;
  cv::medianBlur(look.frame, frame, 5);
  const SideReader reader(look, frame, known, q_px);
  const SmoothDepth smooth = smooth_depth(frame, known, q_px);
  cv::Mat highest, lowest;
  const cv::Mat three = cv::Mat::ones(3, 3, CV_8U);
  cv::dilate(frame, highest, three);
  cv::erode(frame, lowest, three);

  constexpr int kRoom = kReach + kAlong + 2, kEvery = 3;
  const cv::Size size = frame.size();
  // One a square of kEvery px: neighbours on one border say the same.
  cv::Mat taken(size.height / kEvery + 1, size.width / kEvery + 1, CV_8UC1, cv::Scalar(0));
  for (int y = kRoom; y < size.height - kRoom; ++y)
    for (int x = kRoom; x < size.width - kRoom; ++x) {
      if (q_px[highest.at<ushort>(y, x)] - q_px[lowest.at<ushort>(y, x)] <= least_jump) continue;
      if (smooth.share.at<float>(y, x) <= 0.6F) continue;
      uchar& seen = taken.at<uchar>(y / kEvery, x / kEvery);
      if (seen) continue;
      seen = 1;
      const cv::Point2d slope{smooth.q_px.at<float>(y, x + 1) - smooth.q_px.at<float>(y, x - 1),
                              smooth.q_px.at<float>(y + 1, x) - smooth.q_px.at<float>(y - 1, x)};
      const double length = std::hypot(slope.x, slope.y);
      if (!(length > 0.0)) continue;
      const Border border({x, y}, slope / length);
      std::optional<BorderSide> low, high;
      for (const auto& [low_reach, high_reach] :
           {std::pair{kReach, kReach}, {kReach, kNarrow}, {kNarrow, kReach}}) {
        const BorderSide a = reader.read(border, -1, low_reach),
                         b = reader.read(border, 1, high_reach);
        const double jump = b.q_px - a.q_px;
        if (jump <= least_jump || !reader.holds(border, -1, a, 0.3 * jump, options.same_side) ||
            !reader.holds(border, 1, b, 0.3 * jump, options.same_side))
          continue;
        low = a, high = b;
        break;
      }
      if (!low) continue;
      const double jump = high->q_px - low->q_px;
      // Beside a contour there is always some of its energy, in the frame whose disc reaches there.
      std::vector<float> all;
      for (int r = -kReach; r <= kReach; ++r)
        for (int t = -kAlong; t <= kAlong; ++t)
          all.push_back(look.energy.at<float>(border.pixel(r, t)));
      const double ridge = quantile_in_place(all, 0.95);
      const double beside =
          ridge * std::max(options.beside_ridge / (jump * jump), options.least_beside_ridge);
      const auto lost = [&](const BorderSide& side) {
        return side.energy < (side.reach < kReach ? options.narrow : 1.0) * beside;
      };
      if (lost(*low) || lost(*high)) continue;
      if (const auto edge =
              judge(border, {x, y}, *low, *high, pictures[nearest_frame(q_px, low->q_px)],
                    pictures[nearest_frame(q_px, high->q_px)]))
        edges.push_back(*edge);
    }
  return edges;
}

}  // namespace ringsweep
