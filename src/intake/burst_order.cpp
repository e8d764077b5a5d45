#include "burst_order.h"

#include <algorithm>
#include <cctype>
#include <cstdlib>
#include <iterator>
#include <map>
#include <utility>

#include "ringsweep/intake.h"

namespace ringsweep {
namespace {

constexpr int kCycle = 9999;                // numbers run from 1 to 9999
constexpr std::size_t kFewestOfABurst = 5;  // DESIGN section 2

bool is_digit(char c) { return c >= '0' && c <= '9'; }
char lower(char c) { return static_cast<char>(std::tolower(static_cast<unsigned char>(c))); }

std::string_view stem_of(std::string_view file) {
  const std::size_t dot = file.rfind('.');
  return dot == std::string_view::npos || dot == 0 ? file : file.substr(0, dot);
}

bool is_dcf_char(char c) {
  const char l = lower(c);
  return is_digit(c) || (l >= 'a' && l <= 'z') || c == '_';
}

/// Shots of one folder and one prefix: by counter, beginning behind the widest gap of the circle
/// when the nearer way round goes through 9999.
template <class Iterator>
void unwrap(Iterator begin, Iterator end) {
  if (end - begin < 2) return;
  const auto name = [](const Shot& shot) { return numbered_name(shot.frame.file); };
  for (Iterator it = begin; it != end; ++it) {
    const NumberedName n = name(*it);
    if (!n.wraps || !n.counter || *n.counter > kCycle) return;
  }
  int widest = kCycle / 2;
  Iterator start = begin;
  for (Iterator it = begin + 1; it != end; ++it) {
    const int gap = *name(*it).counter - *name(*(it - 1)).counter;
    if (gap > widest) {
      widest = gap;
      start = it;
    }
  }
  std::rotate(begin, start, end);
}

template <class Iterator>
void sort_by_name(Iterator begin, Iterator end) {
  const auto key_less = [](const Shot& a, const Shot& b) {
    if (const int c = natural_compare(a.folder, b.folder); c != 0) return c < 0;
    const NumberedName na = numbered_name(a.frame.file);
    const NumberedName nb = numbered_name(b.frame.file);
    if (const int c = natural_compare(na.prefix, nb.prefix); c != 0) return c < 0;
    if (na.counter != nb.counter) return na.counter < nb.counter;  // no number first
    return a.frame.file < b.frame.file;
  };
  std::sort(begin, end, key_less);
  for (Iterator run = begin; run != end;) {
    const std::string prefix = numbered_name(run->frame.file).prefix;
    const Iterator run_end = std::find_if(run, end, [&](const Shot& shot) {
      return shot.folder != run->folder ||
             natural_compare(numbered_name(shot.frame.file).prefix, prefix) != 0;
    });
    unwrap(run, run_end);
    run = run_end;
  }
}

using Series = std::pair<std::string, std::string>;  // folder and prefix

Series series_of(const Shot& shot) {
  std::string prefix = numbered_name(shot.frame.file).prefix;
  std::ranges::transform(prefix, prefix.begin(), lower);
  return {shot.folder, std::move(prefix)};
}

/// Do both names begin alike, up to their first digit? A0001b and A0002 do, P1019999 and P1020001
/// do; a name without a digit is like none.
bool named_alike(std::string_view a, std::string_view b) {
  const auto lead = [](std::string_view file) -> std::optional<std::string> {
    const std::string_view stem = stem_of(file);
    const auto digit = std::ranges::find_if(stem, is_digit);
    if (digit == stem.end()) return std::nullopt;
    std::string text(stem.begin(), digit);
    std::ranges::transform(text, text.begin(), lower);
    return text;
  };
  const auto lead_a = lead(a);
  return lead_a && lead_a == lead(b);
}

struct Place {
  std::size_t index = 0;
  bool after = true;
};

/// Beside the timed shot of the same folder and prefix that precedes it by number, going round the
/// circle; beside the one that follows, where none precedes within half of it.
std::optional<Place> place_by_number(const Shot& shot, const std::vector<Shot>& timed) {
  const Series series = series_of(shot);
  const auto counter = numbered_name(shot.frame.file).counter;
  if (!counter) return std::nullopt;
  std::optional<Place> best;
  int best_distance = 0;
  for (std::size_t i = 0; i < timed.size(); ++i) {
    if (timed[i].folder != shot.folder || series_of(timed[i]) != series) continue;
    const auto other = numbered_name(timed[i].frame.file).counter;
    if (!other) continue;
    int ahead = *counter - *other;
    if (*counter <= kCycle && *other <= kCycle && std::abs(ahead) > kCycle / 2)
      ahead += ahead < 0 ? kCycle : -kCycle;
    // Any predecessor is better than any successor.
    const bool after = ahead >= 0;
    const bool better = !best || (after && !best->after) ||
                        (after == best->after && std::abs(ahead) < best_distance);
    if (!better) continue;
    best = Place{.index = i, .after = after};
    best_distance = std::abs(ahead);
  }
  return best;
}

/// Beside its neighbours by name among those of its folder that are named alike.
std::optional<Place> place_by_name(const Shot& shot, const std::vector<Shot>& timed) {
  std::optional<std::size_t> before;
  std::optional<std::size_t> first;
  for (std::size_t i = 0; i < timed.size(); ++i) {
    if (timed[i].folder != shot.folder || !named_alike(timed[i].frame.file, shot.frame.file))
      continue;
    if (!first) first = i;
    if (natural_compare(timed[i].frame.file, shot.frame.file) <= 0 &&
        (!before || natural_compare(timed[i].frame.file, timed[*before].frame.file) >= 0))
      before = i;
  }
  if (before) return Place{.index = *before, .after = true};
  if (first) return Place{.index = *first, .after = false};
  return std::nullopt;
}

double median(std::vector<double> values) {
  std::ranges::sort(values);
  const std::size_t n = values.size();
  return n % 2 == 1 ? values[n / 2] : 0.5 * (values[n / 2 - 1] + values[n / 2]);
}

}  // namespace

std::optional<int> trailing_number(std::string_view file) {
  const std::string_view stem = stem_of(file);
  std::size_t begin = stem.size();
  while (begin > 0 && stem.size() - begin < 9 && is_digit(stem[begin - 1])) --begin;
  if (begin == stem.size()) return std::nullopt;
  return std::stoi(std::string(stem.substr(begin)));
}

NumberedName numbered_name(std::string_view file) {
  const std::string_view stem = stem_of(file);
  NumberedName name;
  if (stem.size() == 8 && std::ranges::all_of(stem, is_dcf_char) &&
      std::ranges::all_of(stem.substr(4), is_digit) && stem.substr(4) != "0000") {
    name.prefix = stem.substr(0, 4);
    name.counter = std::stoi(std::string(stem.substr(4)));
    name.wraps = true;
    return name;
  }
  std::size_t begin = stem.size();
  while (begin > 0 && stem.size() - begin < 9 && is_digit(stem[begin - 1])) --begin;
  name.prefix = stem.substr(0, begin);
  name.counter = trailing_number(file);
  name.wraps = stem.size() - begin >= 4;
  return name;
}

bool is_dcf_folder(std::string_view name) {
  return name.size() == 8 && name[0] != '0' && std::ranges::all_of(name.substr(0, 3), is_digit) &&
         std::ranges::all_of(name.substr(3), [](char c) {
           return is_digit(c) || (c >= 'A' && c <= 'Z') || c == '_';
         });
}

int natural_compare(std::string_view a, std::string_view b) {
  std::size_t i = 0;
  std::size_t j = 0;
  while (i < a.size() && j < b.size()) {
    if (is_digit(a[i]) && is_digit(b[j])) {
      const auto run = [](std::string_view text, std::size_t& at) {
        while (at < text.size() && text[at] == '0') ++at;
        const std::size_t begin = at;
        while (at < text.size() && is_digit(text[at])) ++at;
        return text.substr(begin, at - begin);
      };
      const std::string_view x = run(a, i);
      const std::string_view y = run(b, j);
      if (x.size() != y.size()) return x.size() < y.size() ? -1 : 1;
      if (const int c = x.compare(y); c != 0) return c < 0 ? -1 : 1;
    } else {
      const char x = lower(a[i++]);
      const char y = lower(b[j++]);
      if (x != y) return static_cast<unsigned char>(x) < static_cast<unsigned char>(y) ? -1 : 1;
    }
  }
  const std::size_t rest_a = a.size() - i;
  const std::size_t rest_b = b.size() - j;
  return rest_a == rest_b ? 0 : (rest_a < rest_b ? -1 : 1);
}

void fill_in_cameras(std::vector<Shot>& shots) {
  sort_by_name(shots.begin(), shots.end());
  struct Count {
    std::size_t shots = 0, named = 0, timed_unnamed = 0;
  };
  std::vector<Series> series;
  std::map<Series, Count> counts;
  for (const Shot& shot : shots) {
    Count& count = counts[series.emplace_back(series_of(shot))];
    ++count.shots;
    if (!shot.camera.empty()) ++count.named;
    if (shot.camera.empty() && shot.frame.time_s) ++count.timed_unnamed;
  }
  // Those that neighbours may be asked for theirs, be it that there is none.
  std::vector<bool> settled(shots.size());
  for (std::size_t i = 0; i < shots.size(); ++i) {
    const Count& count = counts[series[i]];
    settled[i] = !shots[i].camera.empty() ||
                 (shots[i].frame.time_s && count.timed_unnamed >= kFewestOfABurst) ||
                 (count.named + count.timed_unnamed == 0 && count.shots >= kFewestOfABurst);
  }
  std::vector<std::string> cameras(shots.size());
  for (std::size_t i = 0; i < shots.size(); ++i) {
    cameras[i] = shots[i].camera;
    if (settled[i]) continue;
    // The nearest one of the same series if there is one, else of those named alike.
    for (const bool same_series : {true, false}) {
      std::optional<std::size_t> best;
      for (std::size_t j = 0; j < shots.size(); ++j) {
        const auto distance = [i](std::size_t other) { return i < other ? other - i : i - other; };
        if (!settled[j] || (best && distance(j) >= distance(*best))) continue;
        if (same_series ? series[j] != series[i]
                        : !named_alike(shots[j].frame.file, shots[i].frame.file))
          continue;
        best = j;
      }
      if (!best) continue;
      cameras[i] = shots[*best].camera;
      break;
    }
  }
  for (std::size_t i = 0; i < shots.size(); ++i) shots[i].camera = std::move(cameras[i]);
}

std::vector<std::vector<Shot>> in_capture_order(std::vector<Shot> shots,
                                                std::set<std::string> folders_with_times) {
  sort_by_name(shots.begin(), shots.end());
  const auto untimed_begin = std::stable_partition(
      shots.begin(), shots.end(), [](const Shot& shot) { return shot.frame.time_s.has_value(); });
  std::vector<Shot> timed(std::make_move_iterator(shots.begin()),
                          std::make_move_iterator(untimed_begin));
  std::vector<Shot> untimed(std::make_move_iterator(untimed_begin),
                            std::make_move_iterator(shots.end()));
  const auto by_time = [](const Shot& a, const Shot& b) {
    return *a.frame.time_s < *b.frame.time_s;
  };
  std::ranges::stable_sort(timed, by_time);
  // A clock that knows no fractions gives a run of frames one time.
  for (auto run = timed.begin(); run != timed.end();) {
    const auto run_end = std::upper_bound(run, timed.end(), *run, by_time);
    sort_by_name(run, run_end);
    run = run_end;
  }

  std::map<Series, std::size_t> series_size;
  for (const Shot& shot : untimed) ++series_size[series_of(shot)];
  for (const Shot& shot : timed) folders_with_times.insert(shot.folder);
  // Without any time, a folder is one sequence, whatever the names in it; only where some of them
  // would make a burst, a few that are not named like those stay out of it.
  std::map<std::string, std::vector<std::string>> burst_names;  // folder -> one of each such series
  for (const Shot& shot : untimed)
    if (series_size[series_of(shot)] >= kFewestOfABurst)
      burst_names[shot.folder].push_back(shot.frame.file);
  const auto is_foreign = [&](const Shot& shot) {
    const auto names = burst_names.find(shot.folder);
    return names != burst_names.end() &&
           std::ranges::none_of(names->second, [&](const std::string& file) {
             return named_alike(file, shot.frame.file);
           });
  };
  std::vector<std::vector<Shot>> before(timed.size());
  std::vector<std::vector<Shot>> after(timed.size());
  std::map<Series, std::vector<Shot>> apart;
  for (Shot& shot : untimed) {
    std::optional<Place> place = place_by_number(shot, timed);
    const Series series = series_of(shot);
    if (!place && series_size[series] < kFewestOfABurst) place = place_by_name(shot, timed);
    if (place) {
      auto& beside = place->after ? after : before;
      beside[place->index].push_back(std::move(shot));
      continue;
    }
    const bool of_its_own = folders_with_times.contains(series.first) || is_foreign(shot);
    apart[{series.first, of_its_own ? series.second : ""}].push_back(std::move(shot));
  }

  std::vector<std::vector<Shot>> sequences;
  if (!timed.empty()) {
    std::vector<Shot> sequence;
    for (std::size_t i = 0; i < timed.size(); ++i) {
      std::ranges::move(before[i], std::back_inserter(sequence));
      sequence.push_back(std::move(timed[i]));
      std::ranges::move(after[i], std::back_inserter(sequence));
    }
    sequences.push_back(std::move(sequence));
  }
  for (auto& [series, sequence] : apart) sequences.push_back(std::move(sequence));
  return sequences;
}

std::vector<std::vector<FrameRef>> split_at_pauses(std::vector<FrameRef> frames,
                                                   const IntakeOptions& options) {
  std::vector<std::size_t> timed;
  for (std::size_t i = 0; i < frames.size(); ++i)
    if (frames[i].time_s) timed.push_back(i);

  std::vector<double> intervals_s;  // intervals_s[i] lies before timed[i + 1]
  for (std::size_t i = 1; i < timed.size(); ++i)
    intervals_s.push_back(*frames[timed[i]].time_s - *frames[timed[i - 1]].time_s);

  // The median of what came since the last pause decides. At first there is too little of it: then
  // what follows is looked at too, up to something that is a pause whatever the median.
  constexpr std::size_t kEnough = 3;
  const double surely_a_pause_s =
      std::max(options.pause_s, options.pause_factor * options.slow_median_s);
  std::vector<std::size_t> starts;  // index into frames where a burst after the first begins
  std::size_t since = 0;            // first interval since the last pause
  for (std::size_t i = 0; i < intervals_s.size(); ++i) {
    if (intervals_s[i] <= options.pause_s) continue;
    std::vector<double> sample(intervals_s.begin() + static_cast<std::ptrdiff_t>(since),
                               intervals_s.begin() + static_cast<std::ptrdiff_t>(i));
    for (std::size_t j = i + 1; j < intervals_s.size() && sample.size() < kEnough; ++j) {
      if (intervals_s[j] > surely_a_pause_s) break;
      sample.push_back(intervals_s[j]);
    }
    if (sample.empty()) sample.push_back(intervals_s[i]);  // two presses and nothing near them
    double longest_s = options.pause_s;
    const double median_s = median(std::move(sample));
    if (median_s < options.slow_median_s)
      longest_s = std::max(longest_s, options.pause_factor * median_s);
    if (intervals_s[i] <= longest_s) continue;

    // Frames without a time between the two go with the one that is nearer by number.
    const FrameRef& last = frames[timed[i]];
    const FrameRef& next = frames[timed[i + 1]];
    std::size_t start = timed[i + 1];
    while (start > timed[i] + 1) {
      const auto& number = frames[start - 1].number;
      if (!number || !last.number || !next.number ||
          std::abs(*number - *next.number) >= std::abs(*number - *last.number))
        break;
      --start;
    }
    starts.push_back(start);
    since = i + 1;
  }

  std::vector<std::vector<FrameRef>> bursts;
  if (frames.empty()) return bursts;
  starts.push_back(frames.size());
  std::size_t begin = 0;
  for (const std::size_t end : starts) {
    bursts.emplace_back(
        std::make_move_iterator(frames.begin() + static_cast<std::ptrdiff_t>(begin)),
        std::make_move_iterator(frames.begin() + static_cast<std::ptrdiff_t>(end)));
    begin = end;
  }
  return bursts;
}

std::vector<std::vector<FrameRef>> split_by_size(std::vector<FrameRef> frames) {
  std::vector<std::pair<cv::Size, std::size_t>> sizes;  // and how many frames have it
  const auto place_of = [&](const cv::Size& size) {
    return std::ranges::find(sizes, size, [](const auto& entry) { return entry.first; });
  };
  for (const FrameRef& frame : frames) {
    if (!frame.file_size) continue;
    auto place = place_of(*frame.file_size);
    if (place == sizes.end()) place = sizes.insert(place, {*frame.file_size, 0});
    ++place->second;
  }
  const auto usual =
      std::ranges::max_element(sizes, {}, [](const auto& entry) { return entry.second; });
  if (usual == sizes.end() || usual->second < kFewestOfABurst) return {std::move(frames)};
  std::rotate(sizes.begin(), usual, usual + 1);

  std::vector<std::vector<FrameRef>> parts(sizes.size());
  for (FrameRef& frame : frames) {
    const auto part = frame.file_size ? place_of(*frame.file_size) - sizes.begin() : 0;
    parts[static_cast<std::size_t>(part)].push_back(std::move(frame));
  }
  return parts;
}

}  // namespace ringsweep
