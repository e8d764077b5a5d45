#include "app/match_files.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <filesystem>
#include <map>
#include <string>
#include <utility>

namespace ringsweep::app {
namespace {

std::string stem_of(const std::string& file) {
  std::string stem = std::filesystem::path(file).stem().string();
  std::ranges::transform(stem, stem.begin(),
                         [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return stem;
}

std::optional<double> time_of(const BurstAnalysis& burst, std::size_t frame) {
  const std::optional<double>& since_start = burst.frames[frame].time_s;
  if (!burst.start_s || !since_start) return std::nullopt;
  return *burst.start_s + *since_start;
}

bool is_whole(double seconds) { return seconds == std::floor(seconds); }

class Matching {
 public:
  Matching(std::span<const BurstAnalysis> bursts, std::span<const FrameRef> files)
      : bursts_(bursts), files_(files), taken_(files.size()) {
    for (const BurstAnalysis& burst : bursts) result_.files.emplace_back(burst.frames.size());
  }

  void by_name(bool prefer_raw) {
    std::map<std::string, std::vector<std::size_t>> named;
    for (std::size_t i = 0; i < files_.size(); ++i) named[stem_of(files_[i].file)].push_back(i);
    for (auto& [stem, indices] : named)
      std::ranges::stable_sort(indices, {},
                               [&](std::size_t i) { return files_[i].is_raw != prefer_raw; });
    std::vector<bool> refused(files_.size());
    each_frame_left([&](std::size_t b, std::size_t k) {
      const auto found = named.find(stem_of(bursts_[b].frames[k].file));
      if (found == named.end()) return;
      const std::optional<double> shot = time_of(bursts_[b], k);
      for (const std::size_t i : found->second) {
        constexpr double kClockSteps = 2.0;  // s; FAT and some programs round to them
        const bool other =
            shot && files_[i].time_s && std::abs(*shot - *files_[i].time_s) > kClockSteps;
        refused[i] = refused[i] || other;
        if (taken_[i] || other) continue;
        take(b, k, i);
        return;
      }
    });
    // More pictures of a frame that was found are no unknown ones.
    for (std::size_t i = 0; i < files_.size(); ++i)
      if (refused[i] && !taken_[i]) ++result_.other_time;
  }

  /// Frames and files in the same slot of time, where there are as many of both. Where that is more
  /// than one, or the slot is not `exact`, the files' times have to be whole seconds: else they
  /// would tell them apart.
  template <class Slot>
  void by_time(bool exact, Slot slot) {
    struct Meeting {
      std::vector<std::pair<std::size_t, std::size_t>> frames;
      std::vector<std::size_t> files;
    };
    std::map<std::int64_t, Meeting> meetings;
    each_frame_left([&](std::size_t b, std::size_t k) {
      if (const auto shot = time_of(bursts_[b], k)) meetings[slot(*shot)].frames.emplace_back(b, k);
    });
    for (std::size_t i = 0; i < files_.size(); ++i)
      if (!taken_[i] && files_[i].time_s) meetings[slot(*files_[i].time_s)].files.push_back(i);
    for (const auto& [time, meeting] : meetings) {
      const bool one_answer = meeting.frames.size() == meeting.files.size() &&
                              ((exact && meeting.files.size() == 1) ||
                               std::ranges::all_of(meeting.files, [&](std::size_t i) {
                                 return is_whole(*files_[i].time_s);
                               }));
      if (!one_answer) continue;
      for (std::size_t n = 0; n < meeting.files.size(); ++n) {
        take(meeting.frames[n].first, meeting.frames[n].second, meeting.files[n]);
        ++result_.by_time;
      }
    }
  }

  MatchedFiles finish() {
    for (const bool taken : taken_)
      if (!taken) ++result_.unknown;
    return std::move(result_);
  }

 private:
  void each_frame_left(const auto& body) {
    for (std::size_t b = 0; b < bursts_.size(); ++b)
      for (std::size_t k = 0; k < bursts_[b].frames.size(); ++k)
        if (!result_.files[b][k]) body(b, k);
  }
  void take(std::size_t burst, std::size_t frame, std::size_t file) {
    result_.files[burst][frame] = file;
    taken_[file] = true;
  }

  std::span<const BurstAnalysis> bursts_;
  std::span<const FrameRef> files_;
  std::vector<bool> taken_;
  MatchedFiles result_;
};

}  // namespace

MatchedFiles match_files(std::span<const BurstAnalysis> bursts, std::span<const FrameRef> files,
                         bool prefer_raw) {
  Matching matching(bursts, files);
  matching.by_name(prefer_raw);
  matching.by_time(true, [](double seconds) { return std::llround(1000.0 * seconds); });
  matching.by_time(false,
                   [](double seconds) { return static_cast<std::int64_t>(std::floor(seconds)); });
  return matching.finish();
}

}  // namespace ringsweep::app
