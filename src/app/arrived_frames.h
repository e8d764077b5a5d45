#pragma once
/// Arrived frames: pictures decoded as they arrive, held until their burst is measured, so that
/// nothing is decoded anew because one frame more has come.

#include <cstdint>
#include <ctime>
#include <deque>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <utility>

#include "ringsweep/decode.h"
#include "ringsweep/measured_burst.h"

namespace ringsweep::app {

class ArrivedFrames {
 public:
  using Decode = std::function<Result<LinearFrame>(const FrameRef&, const DecodeOptions&)>;

  /// @param most_bytes  of pictures held; those that came first go first
  ArrivedFrames(Decode decode, std::uint64_t most_bytes);

  /// Decodes a frame at the size that measuring asks for.
  /// Once, unless the frame before was of another size. By one thread.
  /// @return an error where it is no whole picture; then nothing is held of it
  Result<void> fetch(const FrameRef& frame, const MeasureOptions& options);

  /// A frame as decode() gives it; what is held is not decoded again, unless the file has changed,
  /// or what is known of it. From any thread.
  [[nodiscard]] Result<LinearFrame> read(const FrameRef& frame, const DecodeOptions& options) const;

 private:
  using Key = std::pair<std::string, int>;  ///< path and reduction
  struct Held {
    std::int64_t size = 0;
    timespec changed{};
    std::optional<cv::Size> full_size{};  ///< which its raw may tell, that comes later
    LinearFrame picture;
  };
  void hold(const FrameRef& frame, int reduction, LinearFrame picture);

  const Decode decode_;
  const std::uint64_t most_bytes_;
  int last_reduction_ = 1;
  mutable std::mutex mutex_;
  std::map<Key, Held> held_;
  std::deque<Key> order_;
  std::uint64_t bytes_ = 0;
};

}  // namespace ringsweep::app
