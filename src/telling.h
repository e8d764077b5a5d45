#pragma once

#include <tbb/parallel_for.h>

#include <cstddef>
#include <functional>
#include <mutex>

#include "ringsweep/for_each.h"
#include "ringsweep/measured_burst.h"

namespace ringsweep {

/// Progress said stop; thrown from wherever that was noticed, caught in analyse().
struct Stopped {};

/// Tells how far the work is, one call at a time, from any thread.
class Telling {
 public:
  explicit Telling(const Progress& progress) : progress_(progress) {}

  void tell(const char* stage, std::size_t done, std::size_t total) {
    const std::scoped_lock lock(mutex_);
    stage_ = stage, done_ = done, total_ = total;
    ask();
  }
  void one_more() {
    const std::scoped_lock lock(mutex_);
    ++done_;
    ask();
  }
  /// Nothing new, but maybe it is to stop.
  void again() {
    const std::scoped_lock lock(mutex_);
    ask();
  }
  /// Shares work out among the threads, as stages ask for it.
  [[nodiscard]] ForEach for_each() {
    return [this](std::size_t n, const std::function<void(std::size_t)>& body) {
      tbb::parallel_for(std::size_t{0}, n, [&](std::size_t i) {
        again();
        body(i);
      });
    };
  }

 private:
  void ask() {
    if (!stopped_ && progress_) stopped_ = !progress_(stage_, done_, total_);
    if (stopped_) throw Stopped();
  }

  const Progress& progress_;
  std::mutex mutex_;
  const char* stage_ = "looking";
  std::size_t done_ = 0;
  std::size_t total_ = 0;
  bool stopped_ = false;
};

}  // namespace ringsweep
