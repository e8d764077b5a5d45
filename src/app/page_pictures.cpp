#include "app/page_pictures.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <atomic>
#include <cstdint>
#include <mutex>
#include <opencv2/imgcodecs.hpp>
#include <utility>

#include "app/interrupt.h"
#include "report/page_pictures.h"
#include "ringsweep/upright.h"

namespace ringsweep::app {
namespace {

/// Of the pictures: long sides in px, quality of the JPEG codec.
struct Sizes {
  int frame_px = 720;
  int look_px = 1200;
  int proof_px = 320;
  int quality = 75;
};

/// At most 5 MB for a burst of 30 frames and about 25 MB for a card: real bursts took 0.11 bytes a
/// px, noisy ones up to twice that, and a page takes four thirds; so 720 x 540 px are 60 to 120 kB,
/// 480 x 360 are 25 to 50 kB, 320 x 240 are 11 to 22 kB.
Sizes sizes_for(std::size_t frames, std::size_t bursts) {
  constexpr std::size_t kOneBurst = 60, kFewBursts = 450, kCard = 1200;
  constexpr std::size_t kManyBursts = 6;
  Sizes sizes;
  if (frames > kOneBurst) sizes.frame_px = 480;
  if (frames > kFewBursts) sizes.frame_px = 320;
  if (frames > kCard) sizes.frame_px = 240;
  if (bursts > kManyBursts) sizes.look_px = 800, sizes.proof_px = 240;
  return sizes;
}

PagePicture encoded(const cv::Mat& picture, int quality) {
  if (picture.empty()) return {};
  std::vector<std::uint8_t> bytes;
  cv::imencode(".jpg", picture, bytes, {cv::IMWRITE_JPEG_QUALITY, quality});
  return {.jpeg = {bytes.begin(), bytes.end()}, .size = picture.size()};
}

/// The coarsest that still has so many px on the long side.
int reduction_for(cv::Size full_size, int long_side_px) {
  int reduction = 8;
  while (reduction > 1 && std::max(full_size.width, full_size.height) / reduction < long_side_px)
    reduction /= 2;
  return reduction;
}

/// What is wanted of one frame.
struct Wanted {
  const BurstAnalysis& burst;
  const std::vector<Finding>& found;
  std::size_t frame = 0;
  [[nodiscard]] bool before(std::size_t i) const {
    return found[i].before == frame && !found[i].crop_px.empty();
  }
  [[nodiscard]] bool after(std::size_t i) const {
    return found[i].after == frame && !found[i].crop_px.empty();
  }
  [[nodiscard]] bool proves() const {
    for (std::size_t i = 0; i < found.size(); ++i)
      if (before(i) || after(i)) return true;
    return false;
  }
  /// In the quick look: what may stand in one stack.
  [[nodiscard]] bool looks() const {
    const FrameAnalysis& f = burst.frames[frame];
    return f.usable && std::ranges::find(f.flags, FrameFlag::moved) == f.flags.end();
  }
};

BurstPictures pictures_of(const BurstAnalysis& burst,
                          const std::vector<std::optional<FrameRef>>& files, const Sizes& sizes,
                          const Stages& stages, const std::function<bool()>& one_more) {
  const std::size_t n = burst.frames.size();
  const std::vector<Finding> found = findings(burst);
  BurstPictures out;
  out.frames.resize(n);
  out.proofs.resize(found.size());
  if (burst.full_size.empty()) return out;
  const int coarse =
      reduction_for(burst.full_size, std::max(sizes.frame_px, 3 * sizes.look_px / 4));
  const int fine = std::min(coarse, std::max(1, cvRound(burst.working_px_per_px)));
  QuickLook look(burst, sizes.look_px);
  std::mutex one_at_a_time;
  std::atomic<bool> stopped = false;
  tbb::parallel_for(std::size_t{0}, n, [&](std::size_t k) {
    if (stopped || !files[k]) return;
    const Wanted wanted{.burst = burst, .found = found, .frame = k};
    const auto view = stages.view(*files[k], {.reduction = wanted.proves() ? fine : coarse});
    if (!view) return;
    out.frames[k] = encoded(small_upright(*view, burst.orientation, sizes.frame_px), sizes.quality);
    if (view->full_size != burst.full_size) return;  // it does not lie on the others
    for (std::size_t i = 0; i < found.size(); ++i) {
      if (!wanted.before(i) && !wanted.after(i)) continue;
      const PagePicture cut =
          encoded(cut_out(*view, burst, k, found[i].crop_px, sizes.proof_px), sizes.quality + 10);
      if (wanted.before(i)) out.proofs[i].before = cut;
      if (wanted.after(i)) out.proofs[i].after = cut;
    }
    QuickLook own(burst, sizes.look_px);
    if (wanted.looks()) own.add(*view, burst, k);
    const std::scoped_lock lock(one_at_a_time);
    look.add(own);
    if (!one_more()) stopped = true;
  });
  out.look = encoded(look.picture(), sizes.quality);
  return out;
}

}  // namespace

std::vector<BurstPictures> take_pictures(const Analysed& analysed, const AnalysisRequest& request,
                                         const Console& console, const Stages& stages) {
  std::size_t frames = 0, done = 0;
  for (const BurstAnalysis& burst : analysed.bursts) frames += burst.frames.size();
  const Sizes sizes = sizes_for(frames, analysed.bursts.size());
  ProgressLine line(console);
  const auto one_more = [&] {
    line.show(fmt::format("Pictures for the report: {} of {}", ++done, frames));
    return !InterruptGuard::interrupted();
  };
  std::vector<BurstPictures> result(analysed.bursts.size());
  tbb::task_arena arena(request.threads > 0 ? request.threads : tbb::task_arena::automatic);
  for (std::size_t i = 0; i < result.size() && !InterruptGuard::interrupted(); ++i)
    arena.execute([&] {
      result[i] = pictures_of(analysed.bursts[i], analysed.files[i], sizes, stages, one_more);
    });
  return result;
}

}  // namespace ringsweep::app
