#include "app/page_pictures.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <atomic>
#include <cereal/archives/binary.hpp>
#include <cereal/types/string.hpp>
#include <cstdint>
#include <exception>
#include <map>
#include <mutex>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>
#include <utility>

#include "app/cache.h"
#include "app/hash.h"
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

/// Names and pictures as bytes, and back; nothing where they are not that.
std::string bytes_of(const std::map<std::string, PagePicture>& pictures) {
  std::ostringstream bytes;
  cereal::BinaryOutputArchive archive(bytes);
  archive(pictures.size());
  for (const auto& [name, picture] : pictures)
    archive(name, picture.jpeg, picture.size.width, picture.size.height);
  return std::move(bytes).str();
}

std::map<std::string, PagePicture> pictures_from(const std::string& bytes) {
  std::map<std::string, PagePicture> pictures;
  try {
    std::istringstream in(bytes);
    cereal::BinaryInputArchive archive(in);
    std::size_t count = 0;
    for (archive(count); pictures.size() < count;) {
      std::string name;
      PagePicture picture;
      archive(name, picture.jpeg, picture.size.width, picture.size.height);
      pictures.emplace(std::move(name), std::move(picture));
    }
  } catch (const std::exception&) {
    pictures.clear();
  }
  return pictures;
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
  [[nodiscard]] bool proves(std::size_t i) const { return before(i) || after(i); }
  /// In the quick look: what may stand in one stack.
  [[nodiscard]] bool looks() const {
    const FrameAnalysis& f = burst.frames[frame];
    return f.usable && std::ranges::find(f.flags, FrameFlag::moved) == f.flags.end();
  }
};

/// What was made of a burst's pictures, by name; what is made now besides. Any thread may ask.
class Made {
 public:
  /// @param name  in the cache; empty: nothing is kept
  Made(const Cache* cache, std::string name) : cache_(cache), name_(std::move(name)) {
    if (cache_ == nullptr || name_.empty()) return;
    if (const auto kept = cache_->find(name_)) pictures_ = pictures_from(*kept);
    kept_ = pictures_.size();
  }
  [[nodiscard]] bool has(const std::string& what) const {
    const std::scoped_lock lock(mutex_);
    return pictures_.contains(what);
  }
  /// As it was made before, or made now.
  template <class Make>
  PagePicture take(const std::string& what, const Make& make) {
    {
      const std::scoped_lock lock(mutex_);
      if (const auto found = pictures_.find(what); found != pictures_.end()) return found->second;
    }
    PagePicture picture = make();
    if (picture.jpeg.empty()) return picture;  // the next time it may be there
    const std::scoped_lock lock(mutex_);
    return pictures_.emplace(what, std::move(picture)).first->second;
  }
  void keep() const {
    if (cache_ != nullptr && !name_.empty() && pictures_.size() > kept_)
      cache_->keep(name_, bytes_of(pictures_));
  }

 private:
  const Cache* cache_;
  std::string name_;
  std::map<std::string, PagePicture> pictures_;
  std::size_t kept_ = 0;
  mutable std::mutex mutex_;
};

/// The name of a burst's pictures in the cache: of its files, which are all there, and of how they
/// lie on each other.
std::string name_of(const BurstAnalysis& burst, const std::vector<std::optional<FrameRef>>& files) {
  std::vector<FrameRef> frames;
  for (const std::optional<FrameRef>& file : files) {
    if (!file) return {};
    frames.push_back(*file);
  }
  const std::optional<std::string> identity = identity_of(frames);
  if (!identity) return {};
  Hash hash;
  hash.add(*identity);
  hash.add_number(burst.reference);
  hash.add_number(burst.orientation);
  for (const FrameAnalysis& frame : burst.frames) {
    for (const double value : frame.reference_from_frame.val) hash.add_number(value);
    hash.add_number(frame.gain_ev);
  }
  return "pictures-" + hash.text();
}

/// The pictures of one burst, as they are wanted and at their sizes.
class Taking {
 public:
  Taking(const BurstAnalysis& burst, const std::vector<std::optional<FrameRef>>& files,
         const Sizes& sizes, const Stages& stages)
      : burst_(burst),
        files_(files),
        found_(findings(burst)),
        sizes_(sizes),
        stages_(stages),
        coarse_(reduction_for(burst.full_size, std::max(sizes.frame_px, 3 * sizes.look_px / 4))),
        fine_(std::min(coarse_, std::max(1, cvRound(burst.working_px_per_px)))),
        made_(stages.cache.get(), stages.cache ? name_of(burst, files) : ""),
        look_(burst, sizes.look_px) {}

  BurstPictures take(const std::function<bool()>& one_more) {
    const std::size_t n = burst_.frames.size();
    out_.frames.resize(n);
    out_.proofs.resize(found_.size());
    const bool has_look = made_.has(look_name());
    std::atomic<bool> stopped = false;
    tbb::parallel_for(std::size_t{0}, n, [&](std::size_t k) {
      if (stopped || !files_[k]) return;
      take_frame(k, has_look);
      take_proofs(k);
      const std::scoped_lock lock(mutex_);
      if (!one_more()) stopped = true;
    });
    if (!stopped) {
      out_.look = made_.take(look_name(), [&] { return encoded(look_.picture(), sizes_.quality); });
      if (!failed_) made_.keep();  // without all frames the look is not the whole one
    }
    return std::move(out_);
  }

 private:
  [[nodiscard]] Wanted wanted(std::size_t k) const {
    return {.burst = burst_, .found = found_, .frame = k};
  }
  [[nodiscard]] std::string frame_name(std::size_t k) const {
    return fmt::format("frame {} {}", k, sizes_.frame_px);
  }
  [[nodiscard]] std::string cut_name(std::size_t k, std::size_t i) const {
    const cv::Rect& r = found_[i].crop_px;
    return fmt::format("cut {} {} {} {} {} {}", k, r.x, r.y, r.width, r.height, sizes_.proof_px);
  }
  [[nodiscard]] std::string look_name() const {
    std::string name = fmt::format("look {}", sizes_.look_px);
    for (std::size_t k = 0; k < burst_.frames.size(); ++k)
      if (files_[k] && wanted(k).looks()) name += fmt::format(" {}", k);
    return name;
  }
  /// The frame's own picture, and its share of the quick look.
  void take_frame(std::size_t k, bool has_look) {
    const bool looks = !has_look && wanted(k).looks();
    if (made_.has(frame_name(k)) && !looks) {
      out_.frames[k] = made_.take(frame_name(k), [] { return PagePicture{}; });
      return;
    }
    const auto view = stages_.view(*files_[k], {.reduction = coarse_});
    if (!view) {
      failed_ = true;
      return;
    }
    out_.frames[k] = made_.take(frame_name(k), [&] {
      return encoded(small_upright(*view, burst_.orientation, sizes_.frame_px), sizes_.quality);
    });
    if (!looks || view->full_size != burst_.full_size) return;  // it does not lie on the others
    QuickLook own(burst_, sizes_.look_px);
    own.add(*view, burst_, k);
    const std::scoped_lock lock(mutex_);
    look_.add(std::move(own));
  }

  /// What of it proves something, at the scale that was measured; opened anew for that, so that
  /// neither its own picture nor the look hangs on what else is shown.
  void take_proofs(std::size_t k) {
    std::optional<Result<ViewFrame>> view;
    std::optional<cv::Range> rows;
    for (std::size_t i = 0; i < found_.size(); ++i) {
      if (!wanted(k).proves(i)) continue;
      const cv::Range own = rows_of_cut(burst_, k, found_[i].crop_px);
      rows = rows ? cv::Range(std::min(rows->start, own.start), std::max(rows->end, own.end)) : own;
    }
    for (std::size_t i = 0; i < found_.size(); ++i) {
      if (!wanted(k).proves(i)) continue;
      const PagePicture cut = made_.take(cut_name(k, i), [&] {
        if (!view) view = stages_.view(*files_[k], {.reduction = fine_, .rows = rows});
        if (!*view || (*view)->full_size != burst_.full_size) return PagePicture{};
        return encoded(cut_out(**view, burst_, k, found_[i].crop_px, sizes_.proof_px),
                       sizes_.quality + 10);
      });
      if (wanted(k).before(i)) out_.proofs[i].before = cut;
      if (wanted(k).after(i)) out_.proofs[i].after = cut;
    }
  }

  const BurstAnalysis& burst_;
  const std::vector<std::optional<FrameRef>>& files_;
  const std::vector<Finding> found_;
  const Sizes sizes_;
  const Stages& stages_;
  const int coarse_, fine_;
  Made made_;
  QuickLook look_;
  BurstPictures out_;
  std::mutex mutex_;
  std::atomic<bool> failed_ = false;  // to open a frame
};

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
  tbb::task_arena arena(threads_for(request.threads, request.memory_bytes));
  for (std::size_t i = 0; i < result.size() && !InterruptGuard::interrupted(); ++i)
    arena.execute([&] {
      const BurstAnalysis& burst = analysed.bursts[i];
      if (burst.full_size.empty())
        result[i] = no_pictures(burst.frames.size(), findings(burst).size());
      else
        result[i] = Taking(burst, analysed.files[i], sizes, stages).take(one_more);
    });
  return result;
}

BurstPictures no_pictures(std::size_t frames, std::size_t proofs) {
  return {
      .frames = std::vector<PagePicture>(frames), .look = {}, .proofs = std::vector<Proof>(proofs)};
}

BurstPictures shrunk(const BurstPictures& pictures, double factor) {
  const auto smaller = [factor](const PagePicture& picture) {
    if (picture.jpeg.empty()) return picture;
    const cv::Mat whole = cv::imdecode(
        std::vector<std::uint8_t>(picture.jpeg.begin(), picture.jpeg.end()), cv::IMREAD_COLOR);
    const cv::Size size(std::max(1, cvRound(factor * whole.cols)),
                        std::max(1, cvRound(factor * whole.rows)));
    cv::Mat small;
    cv::resize(whole, small, size, 0.0, 0.0, cv::INTER_AREA);
    return encoded(small, Sizes{}.quality);
  };
  BurstPictures result{.frames = {}, .look = smaller(pictures.look), .proofs = {}};
  for (const PagePicture& frame : pictures.frames) result.frames.push_back(smaller(frame));
  for (const Proof& proof : pictures.proofs)
    result.proofs.push_back({.before = smaller(proof.before), .after = smaller(proof.after)});
  return result;
}

BurstPictures as_one_of(const BurstPictures& pictures, std::size_t own_frames, std::size_t frames,
                        std::size_t bursts) {
  const double own_px = sizes_for(own_frames, 1).frame_px, px = sizes_for(frames, bursts).frame_px;
  return px < own_px ? shrunk(pictures, px / own_px) : pictures;
}

}  // namespace ringsweep::app
