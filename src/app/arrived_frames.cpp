#include "app/arrived_frames.h"

#include <sys/stat.h>

#include <algorithm>

namespace ringsweep::app {
namespace {

std::uint64_t bytes_of(const LinearFrame& picture) {
  return picture.luminance.total() * picture.luminance.elemSize() +
         picture.clipped.total() * picture.clipped.elemSize();
}

std::optional<struct stat> status_of(const FrameRef& frame) {
  struct stat status {};
  return stat(frame.path.c_str(), &status) == 0 ? std::optional(status) : std::nullopt;
}

}  // namespace

ArrivedFrames::ArrivedFrames(Decode decode, std::uint64_t most_bytes)
    : decode_(std::move(decode)), most_bytes_(most_bytes) {}

Result<void> ArrivedFrames::fetch(const FrameRef& frame, const MeasureOptions& options) {
  // A picture tells its size once it is decoded: most are as large as the one before.
  const int guessed = last_reduction_;
  Result<LinearFrame> picture = decode_(frame, {.reduction = guessed});
  if (!picture) return tl::unexpected(picture.error());
  last_reduction_ = reduction_read(picture->full_size, picture->full_px_per_file_px, options);
  if (last_reduction_ != guessed) picture = decode_(frame, {.reduction = last_reduction_});
  if (!picture) return tl::unexpected(picture.error());
  hold(frame, last_reduction_, *std::move(picture));
  return {};
}

void ArrivedFrames::hold(const FrameRef& frame, int reduction, LinearFrame picture) {
  const auto status = status_of(frame);
  if (!status) return;
  const std::scoped_lock lock(mutex_);
  const Key key{frame.path, reduction};
  if (const auto before = held_.find(key); before != held_.end()) {
    bytes_ -= bytes_of(before->second.picture);
    held_.erase(before);
    std::erase(order_, key);
  }
  bytes_ += bytes_of(picture);
  held_[key] = {.size = status->st_size,
                .changed = status->st_mtim,
                .full_size = frame.full_size,
                .picture = std::move(picture)};
  order_.push_back(key);
  while (bytes_ > most_bytes_ && !order_.empty()) {
    const auto oldest = held_.find(order_.front());
    bytes_ -= bytes_of(oldest->second.picture);
    held_.erase(oldest);
    order_.pop_front();
  }
}

Result<LinearFrame> ArrivedFrames::read(const FrameRef& frame, const DecodeOptions& options) const {
  const auto status = status_of(frame);
  {
    const std::scoped_lock lock(mutex_);
    const auto found = held_.find({frame.path, options.reduction});
    if (found != held_.end() && status && found->second.size == status->st_size &&
        found->second.changed.tv_sec == status->st_mtim.tv_sec &&
        found->second.changed.tv_nsec == status->st_mtim.tv_nsec &&
        found->second.full_size == frame.full_size)
      return found->second.picture;  // matrices are shared: whoever reads them changes nothing
  }
  return decode_(frame, options);
}

}  // namespace ringsweep::app
