#include "app/arrivals.h"

#include <algorithm>

namespace ringsweep::app {

namespace fs = std::filesystem;

void Arrivals::written(const fs::path& file, double now_s) {
  waiting_[file] = {.since_s = now_s, .closed = false, .not_whole = false};
  last_s_ = now_s;
}

void Arrivals::closed(const fs::path& file, double now_s) {
  waiting_[file] = {.since_s = now_s, .closed = true, .not_whole = false};
  last_s_ = now_s;
}

void Arrivals::gone(const fs::path& file, double now_s) {
  waiting_.erase(file);
  last_s_ = now_s;
  news_ = true;
}

void Arrivals::not_whole(const fs::path& file) {
  waiting_[file] = {.since_s = last_s_.value_or(0.0), .closed = true, .not_whole = true};
}

std::vector<ReadyFile> Arrivals::take_ready(double now_s) {
  constexpr std::size_t kMostIntervals = 9;
  std::vector<ReadyFile> ready;
  for (auto it = waiting_.begin(); it != waiting_.end();) {
    const bool whole = it->second.closed && !it->second.not_whole;
    if (!whole && now_s - it->second.since_s < options_.patience_s) {
      ++it;
      continue;
    }
    ready.push_back({.file = it->first, .as_it_is = !whole});
    it = waiting_.erase(it);
  }
  if (ready.empty()) return ready;
  news_ = true;
  if (last_ready_s_) {
    intervals_s_.push_back((now_s - *last_ready_s_) / static_cast<double>(ready.size()));
    if (intervals_s_.size() > kMostIntervals) intervals_s_.erase(intervals_s_.begin());
  }
  last_ready_s_ = now_s;
  return ready;
}

double Arrivals::quiet_s() const {
  if (intervals_s_.empty()) return options_.quiet_s;
  std::vector<double> sorted = intervals_s_;
  std::ranges::sort(sorted);
  return std::clamp(options_.factor * sorted[sorted.size() / 2], options_.quiet_s,
                    std::max(options_.quiet_s, options_.most_quiet_s));
}

bool Arrivals::take_pause(double now_s) {
  if (!news_ || !waiting_.empty() || (last_s_ && now_s - *last_s_ < quiet_s())) return false;
  news_ = false;
  last_ready_s_.reset();  // what comes next is not of the same haul
  return true;
}

}  // namespace ringsweep::app
