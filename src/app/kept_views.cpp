#include "app/kept_views.h"

#include <algorithm>
#include <cstdint>
#include <map>
#include <memory>
#include <mutex>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "ringsweep/block_means.h"

namespace ringsweep::app {
namespace {

/// The pictures of the page are up to 1200 px wide, enlarged by up to a third.
constexpr int kLeastLongSidePx = 900;
constexpr int kQuality = 95;                    // it is encoded once more for the page
constexpr std::size_t kMostBytes = 48'000'000;  // about two hundred of them
constexpr int kMostTimes = 8;

class KeptViews {
 public:
  /// Whether there is none of it yet, and room for one.
  [[nodiscard]] bool want(const FrameRef& frame) const {
    const std::scoped_lock lock(mutex_);
    return bytes_ < kMostBytes && !kept_.contains(frame.path);
  }

  void keep(const FrameRef& frame, const ViewFrame& view) {
    Kept kept{.jpeg = {}, .like = view};
    kept.like.bgr = cv::Mat();
    cv::imencode(".jpg", view.bgr, kept.jpeg, {cv::IMWRITE_JPEG_QUALITY, kQuality});
    const std::size_t bytes = kept.jpeg.size();
    const std::scoped_lock lock(mutex_);
    if (kept_.emplace(frame.path, std::move(kept)).second) bytes_ += bytes;
  }

  /// @return nothing where the file must be opened
  [[nodiscard]] std::optional<ViewFrame> find(const FrameRef& frame, int reduction) const {
    std::optional<Kept> kept;
    {
      const std::scoped_lock lock(mutex_);
      const auto found = kept_.find(frame.path);
      if (found != kept_.end()) kept = found->second;
    }
    if (!kept) return std::nullopt;
    const int times = left_to_shrink(reduction, kept->like.full_px_per_px);
    if (times == 1 && kept->like.full_px_per_px > 1.5 * reduction) return std::nullopt;
    ViewFrame view = kept->like;
    view.bgr = cv::imdecode(kept->jpeg, cv::IMREAD_COLOR);
    if (view.bgr.empty()) return std::nullopt;
    view.bgr = block_means(view.bgr, times);
    view.full_px_per_px *= times;
    return view;
  }

 private:
  struct Kept {
    std::vector<std::uint8_t> jpeg;
    ViewFrame like;  ///< but for the picture
  };
  mutable std::mutex mutex_;
  std::map<std::string, Kept> kept_;
  std::size_t bytes_ = 0;
};

/// How many px of a frame, decoded at this reduction, one of the view stands for; 0: of so small a
/// one no view is kept.
int times_for(const FrameRef& frame, int reduction) {
  if (!frame.full_size) return 0;
  const int long_side = std::max(frame.full_size->width, frame.full_size->height) / reduction;
  if (long_side < kLeastLongSidePx) return 0;
  int times = 1;
  while (times < kMostTimes && long_side / (2 * times) >= kLeastLongSidePx) times *= 2;
  return times;
}

}  // namespace

Stages with_views_kept(Stages stages) {
  if (!stages.decode_along) return stages;
  const auto views = std::make_shared<KeptViews>();
  stages.decode = [views, decode = stages.decode, along = stages.decode_along](
                      const FrameRef& frame, const DecodeOptions& options) -> Result<LinearFrame> {
    const int times = views->want(frame) ? times_for(frame, options.reduction) : 0;
    if (times == 0) return decode(frame, options);
    ViewAlong view{.times = times, .view = {}};
    Result<LinearFrame> picture = along(frame, options, view);
    if (picture && !view.view.bgr.empty()) views->keep(frame, view.view);
    return picture;
  };
  stages.view = [views, open = stages.view](const FrameRef& frame,
                                            const DecodeOptions& options) -> Result<ViewFrame> {
    if (auto view = views->find(frame, options.reduction)) return std::move(*view);
    return open(frame, options);
  };
  return stages;
}

}  // namespace ringsweep::app
