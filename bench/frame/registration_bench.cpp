// How long registration takes. Args: width of the thumbnails, then frames; {640} and {640, 28} are
// one pair and one burst as the analysis meets them (0.1 to 0.35 megapixels a thumbnail).
#include <benchmark/benchmark.h>

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "ringsweep/registration.h"

namespace {

using namespace ringsweep;

/// Texture of all sizes, larger than the frames cut from it; linear light about 0.3.
cv::Mat make_scene(cv::Size size) {
  cv::RNG random(7);
  cv::Mat scene(size, CV_32FC1, cv::Scalar(0.3));
  for (const double sigma : {1.5, 5.0, 17.0, 50.0}) {
    cv::Mat layer(size, CV_32FC1);
    random.fill(layer, cv::RNG::NORMAL, 0.0, 1.0);
    cv::GaussianBlur(layer, layer, {}, sigma);
    cv::Scalar mean, sd;
    cv::meanStdDev(layer, mean, sd);
    scene += layer * (0.05 / sd[0]);
  }
  return cv::max(scene, 0.01F);
}

/// What a frame shows whose pixels x lie at scene_from_frame(x) of the frame in the scene's middle.
cv::Mat take_frame(const cv::Mat& scene, cv::Size size, const Similarity& reference_from_frame,
                   double blur_sigma_px) {
  const cv::Point2d centre((size.width - 1) / 2.0, (size.height - 1) / 2.0);
  cv::Matx33d m = reference_from_frame.matrix(centre);
  m(0, 2) += (scene.cols - size.width) / 2;
  m(1, 2) += (scene.rows - size.height) / 2;
  cv::Mat frame;
  cv::warpAffine(scene, frame, m.get_minor<2, 3>(0, 0), size,
                 cv::INTER_CUBIC | cv::WARP_INVERSE_MAP);
  if (blur_sigma_px > 0.0) cv::GaussianBlur(frame, frame, {}, blur_sigma_px);
  return frame;
}

/// Largest distance, px, between where two similarities bring the corners of a picture.
double corner_error_px(const Similarity& a, const Similarity& b, cv::Size size) {
  const cv::Point2d centre((size.width - 1) / 2.0, (size.height - 1) / 2.0);
  const cv::Matx33d difference = a.matrix(centre) - b.matrix(centre);
  double most = 0.0;
  for (const double x : {0.0, size.width - 1.0}) {
    for (const double y : {0.0, size.height - 1.0}) {
      const cv::Vec3d d = difference * cv::Vec3d(x, y, 1.0);
      most = std::max(most, std::hypot(d[0], d[1]));
    }
  }
  return most;
}

// A thumbnail is up to 8 times smaller than the frame; 0.1 px of it at a corner is below the tile
// of 16 working px by far, which is all that the profiles need.
constexpr double kCornerPx = 0.1;

cv::Size frame_size(const benchmark::State& state) {
  const int width = static_cast<int>(state.range(0));
  return {width, width * 2 / 3};
}

void BM_RegisterPair(benchmark::State& state) {
  const cv::Size size = frame_size(state);
  const cv::Mat scene = make_scene({size.width * 5 / 4, size.height * 5 / 4});
  const Similarity truth{
      .log_scale = 0.012, .rotation_rad = 0.004, .shift_x_px = 3.3, .shift_y_px = -2.2};
  const Thumbnail to = make_thumbnail(take_frame(scene, size, {}, 1.0));
  const Thumbnail from = make_thumbnail(take_frame(scene, size, truth, 1.5));
  Link link;
  for (auto _ : state) {
    link = register_pair(to, from, {});
    benchmark::DoNotOptimize(link);
  }
  const double error = corner_error_px(link.to_from, truth, size);
  state.counters["corner_error_px"] = error;
  if (!link.converged || !(error < kCornerPx)) state.SkipWithError("corners off by over 0.1 px");
  state.SetItemsProcessed(state.iterations());
}

void BM_RegisterBurst(benchmark::State& state) {
  const cv::Size size = frame_size(state);
  const auto frames = static_cast<std::size_t>(state.range(1));
  const cv::Mat scene = make_scene({size.width * 5 / 4, size.height * 5 / 4});
  cv::RNG hand(11);
  std::vector<Similarity> truth;
  std::vector<Thumbnail> thumbnails;
  for (std::size_t k = 0; k < frames; ++k) {
    // A sweep breathes by a few percent from end to end; the hand shakes by a px or so.
    const double along = static_cast<double>(k) / static_cast<double>(frames) - 0.5;
    truth.push_back({.log_scale = 0.05 * along,
                     .rotation_rad = hand.gaussian(0.001),
                     .shift_x_px = hand.gaussian(1.0),
                     .shift_y_px = hand.gaussian(1.0)});
    thumbnails.push_back(
        make_thumbnail(take_frame(scene, size, truth.back(), 1.0 + 2.0 * std::abs(along))));
  }
  const std::vector<bool> take(frames, true);
  Registration found;
  for (auto _ : state) {
    found = register_burst(thumbnails, take);
    benchmark::DoNotOptimize(found);
  }
  const cv::Point2d centre((size.width - 1) / 2.0, (size.height - 1) / 2.0);
  const cv::Matx33d to_reference = truth[found.reference].matrix(centre).inv();
  double worst = 0.0;
  for (std::size_t k = 0; k < frames; ++k) {
    const cv::Matx33d expected = to_reference * truth[k].matrix(centre);
    const cv::Matx33d got = found.reference_from_frame[k].matrix(centre);
    for (const double x : {0.0, size.width - 1.0}) {
      for (const double y : {0.0, size.height - 1.0}) {
        const cv::Vec3d d = (got - expected) * cv::Vec3d(x, y, 1.0);
        worst = std::max(worst, std::hypot(d[0], d[1]));
      }
    }
    if (!found.same_picture[k]) state.SkipWithError("a frame passes for another picture");
  }
  state.counters["corner_error_px"] = worst;
  if (!(worst < kCornerPx)) state.SkipWithError("corners off by over 0.1 px");
  state.SetItemsProcessed(state.iterations() * state.range(1));  // frames / s
}

}  // namespace

BENCHMARK(BM_RegisterPair)->Arg(320)->Arg(640)->Unit(benchmark::kMillisecond);
BENCHMARK(BM_RegisterBurst)->Args({320, 5})->Args({640, 28})->Unit(benchmark::kMillisecond);

BENCHMARK_MAIN();
