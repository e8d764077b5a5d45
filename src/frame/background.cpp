#include "ringsweep/background.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <stdexcept>
#include <utility>

#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// The background has no detail: it is looked at in pictures shrunk by kShrink, in parts of
/// kPartPx.
constexpr int kShrink = 4, kPartPx = 12;
/// Of the band of its structure, in shrunk px: coarser than noise, finer than fall-off of light.
constexpr double kFineSigmaPx = 2.0, kCoarseSigmaPx = 4.0;

cv::Size shrunk(cv::Size size) { return {size.width / kShrink, size.height / kShrink}; }

/// Pixels of the shrunk pictures that are sharp in no frame, lie outside of a sharp outline, and
/// are out of reach of all discs of what is sharp in some frame. CV_8UC1.
cv::Mat beyond_outlines(const DepthLook& look, double range_px, const BackgroundOptions& options) {
  // Background is what has least detail, whatever there is.
  const double least =
      quantile(std::vector<float>(look.energy.begin<float>(), look.energy.end<float>()), 0.05);
  // Of each shrunk pixel the sharpest one in it; then how sharp it is beside it, and wide about it.
  cv::Mat sharpest, highest, beside, about;
  cv::dilate(look.energy, sharpest, cv::Mat::ones(kShrink, kShrink, CV_8U), {0, 0});
  const cv::Size size = shrunk(look.energy.size());
  cv::resize(sharpest, sharpest, size, 0.0, 0.0, cv::INTER_NEAREST);
  cv::dilate(sharpest, highest, cv::Mat::ones(5, 5, CV_8U));
  cv::sqrt(sharpest, about);
  cv::blur(about, beside, {5, 5}, {-1, -1}, cv::BORDER_REFLECT);
  cv::blur(about, about, {21, 21}, {-1, -1}, cv::BORDER_REFLECT);
  const cv::Mat sharp = sharpest > options.sharp * least;
  cv::Mat clear(size, CV_8UC1, cv::Scalar(0));
  if (cv::countNonZero(sharp) == 0) return clear;
  cv::Mat distance, nearest;
  cv::distanceTransform(sharp == 0, distance, nearest, cv::DIST_L2, cv::DIST_MASK_5,
                        cv::DIST_LABEL_PIXEL);
  std::vector<bool> outline(static_cast<std::size_t>(cv::countNonZero(sharp)) + 1);
  for (int y = 0; y < size.height; ++y)
    for (int x = 0; x < size.width; ++x)
      if (sharp.at<uchar>(y, x))
        outline[static_cast<std::size_t>(nearest.at<int>(y, x))] =
            highest.at<float>(y, x) > options.outline * least &&
            beside.at<float>(y, x) > options.abrupt * about.at<float>(y, x);
  const double reach_px = (0.5 * range_px + options.clear_px) / kShrink;
  const int margin =
      static_cast<int>(std::lround(options.margin * std::max(size.width, size.height)));
  for (int y = margin; y < size.height - margin; ++y)
    for (int x = margin; x < size.width - margin; ++x)
      if (distance.at<float>(y, x) > reach_px &&
          outline[static_cast<std::size_t>(nearest.at<int>(y, x))])
        clear.at<uchar>(y, x) = 255;
  return clear;
}

/// One frame's light, shrunk, and its structure. CV_32FC1.
struct Ground {
  cv::Mat light, structure;
};

Ground ground_of(const cv::Mat& picture) {
  cv::Mat value, coarse;
  Ground ground;
  picture.convertTo(value, CV_32F, 1.0 / 255.0);
  const cv::Size size = shrunk(picture.size());
  cv::resize(value.mul(value)(cv::Rect{{}, size * kShrink}), ground.light, size, 0.0, 0.0,
             cv::INTER_AREA);
  cv::GaussianBlur(ground.light, ground.structure, {}, kFineSigmaPx, kFineSigmaPx,
                   cv::BORDER_REFLECT);
  cv::GaussianBlur(ground.light, coarse, {}, kCoarseSigmaPx, kCoarseSigmaPx, cv::BORDER_REFLECT);
  ground.structure -= coarse;
  return ground;
}

/// Contrast of one part in each two neighbouring frames: noise differs between the two, so their
/// product is free of it.
std::optional<BackgroundPart> judge(std::span<const Ground> grounds, const cv::Rect& part,
                                    const cv::Mat& clear, const BackgroundOptions& options) {
  const cv::Mat mask = clear(part);
  const int count = cv::countNonZero(mask);
  if (count < options.least_of_part * part.area()) return std::nullopt;
  BackgroundPart seen{.at = part.tl() * kShrink, .contrast = {}};
  double noise = 0.0, mean = 0.0;
  cv::Mat before;
  for (std::size_t k = 0; k < grounds.size(); ++k) {
    const double light = cv::mean(grounds[k].light(part), mask)[0];
    if (!(light > 0.0)) return std::nullopt;
    cv::Mat now(part.size(), CV_32FC1, cv::Scalar(0));
    cv::Mat(grounds[k].structure(part) / light).copyTo(now, mask);
    if (k > 0) {
      seen.contrast.push_back(now.dot(before) / count);
      noise += 0.5 * std::pow(cv::norm(now, before), 2) / count;
      mean += seen.contrast.back();
    }
    before = now;
  }
  const auto pairs = static_cast<double>(seen.contrast.size());
  noise /= pairs, mean /= pairs;
  if (!(mean > options.structure * noise)) return std::nullopt;
  for (double& contrast : seen.contrast) contrast /= mean;
  return seen;
}

}  // namespace

Background find_background(std::span<const cv::Mat> pictures, std::span<const double> q_px,
                           const DepthLook& look, const BackgroundOptions& options,
                           const ForEach& for_each) {
  if (pictures.size() != q_px.size())
    throw std::invalid_argument("q_px must have one value a picture");
  Background background{.q_px = {q_px.begin(), q_px.end()}, .parts = {}};
  if (pictures.size() < 5) return background;
  for (const cv::Mat& picture : pictures)
    if (picture.size() != look.energy.size())
      throw std::invalid_argument("pictures and look must have one size");
  const cv::Mat clear = beyond_outlines(look, q_px.back() - q_px.front(), options);
  if (cv::countNonZero(clear) == 0) return background;
  std::vector<Ground> grounds(pictures.size());
  for_each(pictures.size(), [&](std::size_t k) { grounds[k] = ground_of(pictures[k]); });
  for (int y = 0; y + kPartPx <= clear.rows; y += kPartPx)
    for (int x = 0; x + kPartPx <= clear.cols; x += kPartPx)
      if (const auto part = judge(grounds, {x, y, kPartPx, kPartPx}, clear, options))
        background.parts.push_back(*part);
  return background;
}

}  // namespace ringsweep
