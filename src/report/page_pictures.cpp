#include "report/page_pictures.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <opencv2/imgproc.hpp>

#include "report/depth_colours.h"
#include "ringsweep/upright.h"

namespace ringsweep {
namespace {

/// Px that are `factor` px of another picture wide, to px of that one.
cv::Matx33d grown(double factor) {
  const double off = 0.5 * (factor - 1.0);
  return {factor, 0.0, off, 0.0, factor, off, 0.0, 0.0, 1.0};
}

/// Px of a view to full-size upright px of the reference frame.
cv::Matx33d upright_reference_from_view(const ViewFrame& view, const BurstAnalysis& burst,
                                        std::size_t frame) {
  return upright_matrix(burst.full_size, burst.orientation) *
         burst.frames[frame].reference_from_frame * grown(view.full_px_per_px);
}

/// The exposure evened out. A factor on linear light is nearly one on tones, its power of 1 / 2.2.
double tone_gain(const FrameAnalysis& frame) {
  constexpr double kMostEv = 2.5;  // beyond it a frame is dark, and noise
  return std::exp2(-std::clamp(frame.gain_ev.value_or(0.0), -kMostEv, kMostEv) / 2.2);
}

cv::Mat warped(const ViewFrame& view, const cv::Matx33d& out_from_view, cv::Size size,
               double gain) {
  cv::Mat out;
  const cv::Matx23d m = out_from_view.get_minor<2, 3>(0, 0);
  cv::warpAffine(view.bgr, out, m, size, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  constexpr double kSeen = 0.03;
  if (std::abs(gain - 1.0) > kSeen) out.convertTo(out, -1, gain);
  return out;
}

/// Energy of the gradient around each px; -1 where the frame shows nothing.
cv::Mat local_energy(const cv::Mat& picture, const cv::Mat& seen) {
  cv::Mat grey, x, y;
  cv::cvtColor(picture, grey, cv::COLOR_BGR2GRAY);
  cv::Sobel(grey, x, CV_16S, 1, 0);
  cv::Sobel(grey, y, CV_16S, 0, 1);
  cv::Mat energy(grey.size(), CV_32FC1);
  for (int row = 0; row < grey.rows; ++row) {
    const auto* dx = x.ptr<std::int16_t>(row);
    const auto* dy = y.ptr<std::int16_t>(row);
    auto* out = energy.ptr<float>(row);
    for (int col = 0; col < grey.cols; ++col)
      out[col] = static_cast<float>(dx[col] * dx[col] + dy[col] * dy[col]);
  }
  // Two means come near a Gaussian of 2.5 px, since variances add up: (7^2 - 1 + 5^2 - 1) / 12.
  for (const int width : {7, 5}) cv::blur(energy, energy, {width, width});
  energy.setTo(-1.0F, seen == 0);
  return energy;
}

}  // namespace

cv::Mat small_upright(const ViewFrame& view, int orientation, int long_side_px) {
  cv::Mat small = view.bgr;
  const int has = std::max(small.cols, small.rows);
  if (has > long_side_px) {
    const double f = static_cast<double>(long_side_px) / has;
    // Down to half, a px between its neighbours is as good as their mean, and quicker.
    cv::resize(view.bgr, small, {}, f, f, f >= 0.5 ? cv::INTER_LINEAR : cv::INTER_AREA);
  }
  return upright(small, orientation);
}

cv::Mat cut_out(const ViewFrame& view, const BurstAnalysis& burst, std::size_t frame,
                const cv::Rect& place, int edge_px) {
  const double full_px = std::max(place.width, place.height);
  const double factor = std::max(view.full_px_per_px, full_px / edge_px);
  const cv::Size size(std::max(1, cvRound(place.width / factor)),
                      std::max(1, cvRound(place.height / factor)));
  const cv::Matx33d off(1.0, 0.0, -place.x, 0.0, 1.0, -place.y, 0.0, 0.0, 1.0);
  return warped(view, grown(factor).inv() * off * upright_reference_from_view(view, burst, frame),
                size, tone_gain(burst.frames[frame]));
}

cv::Range rows_of_cut(const BurstAnalysis& burst, std::size_t frame, const cv::Rect& place) {
  constexpr double kMarginPx = 16.0;  // neighbours that are interpolated with, shrunk by up to 8
  const cv::Matx33d view_from_upright = (upright_matrix(burst.full_size, burst.orientation) *
                                         burst.frames[frame].reference_from_frame)
                                            .inv();
  double low = std::numeric_limits<double>::max(), high = std::numeric_limits<double>::lowest();
  for (const int x : {place.x, place.x + place.width})
    for (const int y : {place.y, place.y + place.height}) {
      const double row = (view_from_upright * cv::Vec3d(x, y, 1.0))[1];
      low = std::min(low, row), high = std::max(high, row);
    }
  return {cvFloor(low - kMarginPx), cvCeil(high + kMarginPx)};
}

QuickLook::QuickLook(const BurstAnalysis& burst, int long_side_px) {
  const cv::Size full = upright_size(burst.full_size, burst.orientation);
  const double factor =
      std::max(1.0, static_cast<double>(std::max(full.width, full.height)) / long_side_px);
  size_ = {std::max(1, cvRound(full.width / factor)), std::max(1, cvRound(full.height / factor))};
}

void QuickLook::take(const cv::Mat& picture, const cv::Mat& energy, const cv::Mat& frames) {
  if (picture_.empty()) {
    picture_ = picture, energy_ = energy, frame_ = frames;
    return;
  }
  for (int row = 0; row < picture.rows; ++row) {
    const auto* seen = picture.ptr<cv::Vec3b>(row);
    const auto* here = energy.ptr<float>(row);
    const auto* frame = frames.ptr<std::uint16_t>(row);
    auto* shown = picture_.ptr<cv::Vec3b>(row);
    auto* best = energy_.ptr<float>(row);
    auto* from = frame_.ptr<std::uint16_t>(row);
    for (int col = 0; col < picture.cols; ++col) {
      const bool better =
          here[col] > best[col] || (here[col] == best[col] && frame[col] < from[col]);
      if (better) shown[col] = seen[col], best[col] = here[col], from[col] = frame[col];
    }
  }
}

void QuickLook::add(const ViewFrame& view, const BurstAnalysis& burst, std::size_t frame) {
  const cv::Size full = upright_size(burst.full_size, burst.orientation);
  const double factor = static_cast<double>(full.width) / size_.width;
  const cv::Matx33d out_from_view =
      grown(factor).inv() * upright_reference_from_view(view, burst, frame);
  const cv::Mat picture = warped(view, out_from_view, size_, tone_gain(burst.frames[frame]));
  const double right = view.bgr.cols - 0.5, bottom = view.bgr.rows - 0.5;
  std::array<cv::Point, 4> corners;
  std::ranges::transform(
      std::array<cv::Vec3d, 4>{
          {{-0.5, -0.5, 1.0}, {right, -0.5, 1.0}, {right, bottom, 1.0}, {-0.5, bottom, 1.0}}},
      corners.begin(), [&](const cv::Vec3d& corner) {
        const cv::Vec3d at = out_from_view * corner;
        return cv::Point(cvRound(at[0]), cvRound(at[1]));
      });
  cv::Mat seen = cv::Mat::zeros(size_, CV_8UC1);
  cv::fillConvexPoly(seen, corners.data(), static_cast<int>(corners.size()), cv::Scalar(255));
  take(picture, local_energy(picture, seen),
       cv::Mat(size_, CV_16UC1, cv::Scalar(static_cast<double>(frame))));
}

void QuickLook::add(QuickLook&& other) {
  if (!other.picture_.empty()) take(other.picture_, other.energy_, other.frame_);
}

}  // namespace ringsweep
