#include "app/choose_bursts.h"

#include <algorithm>
#include <cctype>
#include <chrono>
#include <cmath>
#include <compare>
#include <functional>
#include <map>
#include <numeric>
#include <regex>
#include <span>
#include <string>
#include <utility>

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

constexpr double kHour_s = 3600.0;  // one subject and the tries before it: ours, no source
constexpr double kDay_s = 86400.0;

std::optional<double> begin_s(const Burst& burst) {
  for (const FrameRef& frame : burst.frames)
    if (frame.time_s) return frame.time_s;
  return std::nullopt;
}

bool is_whole(const Burst& burst) { return burst.frames.size() >= kFewestFrames; }

/// Where a camera put a file, in the order in which it does (CIPA DC-009): folders of 100 to 999
/// and five characters of its own, files of a counter of four digits.
struct CardPlace {
  std::string series;   // card and names that one camera gives
  std::string counted;  // rises
};

std::optional<CardPlace> card_place(const Burst& burst) {
  const fs::path file(burst.frames.back().path);
  const std::string folder = file.parent_path().filename().string();
  const std::string stem = file.stem().string();
  constexpr std::size_t kNameLength = 8;          // of folders and of files
  constexpr std::size_t kFolderNumberLength = 3;  // begins a folder's name
  constexpr std::size_t kFileNumberLength = 4;    // ends a file's
  const auto digit = [](unsigned char c) { return std::isdigit(c) != 0; };
  if (folder.size() != kNameLength || stem.size() != kNameLength ||
      !std::all_of(folder.begin(), folder.begin() + kFolderNumberLength, digit) ||
      !std::all_of(stem.end() - kFileNumberLength, stem.end(), digit))
    return std::nullopt;
  constexpr std::size_t kOwnLength = kNameLength - kFileNumberLength;
  return CardPlace{
      .series = (file.parent_path().parent_path() / folder.substr(kFolderNumberLength)).string() +
                '/' + stem.substr(0, kOwnLength),
      .counted = folder.substr(0, kFolderNumberLength) + stem.substr(kOwnLength)};
}

/// Where a burst stands among the others: by time, then by folder and number, then in the order
/// they came in. Without a time, before all that have one.
struct Age {
  std::optional<double> time_s;
  std::string counted;
  std::size_t index = 0;
  auto operator<=>(const Age&) const = default;
};

std::vector<Age> ages_of(std::span<const Burst> bursts) {
  std::vector<Age> ages;
  std::map<std::string, std::map<std::string, std::vector<std::size_t>>> counted;  // by series
  for (std::size_t i = 0; i < bursts.size(); ++i) {
    const auto place = card_place(bursts[i]);
    ages.push_back({.time_s = begin_s(bursts[i]),
                    .counted = place ? place->counted : std::string(),
                    .index = i});
    if (place) counted[place->series][place->counted].push_back(i);
  }
  for (const auto& [series, numbers] : counted) {
    std::optional<double> latest_s;
    for (const auto& [number, same] : numbers)
      for (const std::size_t i : same)
        latest_s = ages[i].time_s = std::max(ages[i].time_s, latest_s);
  }
  return ages;
}

/// The moment, its day the last on which it came before `newest_s`.
double time_s(const Moment& moment, double newest_s) {
  if (moment.day_s) return *moment.day_s + moment.of_day_s;
  const double of_its_day_s = std::floor(newest_s / kDay_s) * kDay_s + moment.of_day_s;
  return of_its_day_s > newest_s ? of_its_day_s - kDay_s : of_its_day_s;
}

/// The newest of some bursts. Those too short for a sweep count only among themselves: a card of
/// single pictures alone has no newest burst.
std::optional<std::size_t> newest_of(std::span<const std::size_t> some,
                                     std::span<const Burst> bursts, std::span<const Age> ages) {
  const auto newest = std::ranges::max_element(some, [&](std::size_t a, std::size_t b) {
    return std::pair(is_whole(bursts[a]), ages[a]) < std::pair(is_whole(bursts[b]), ages[b]);
  });
  return newest == some.end() ? std::nullopt : std::optional(*newest);
}

/// Which are no older than the `count`-th newest of those long enough for a sweep.
std::vector<bool> among_last(std::size_t count, std::span<const Burst> bursts,
                             std::span<const Age> ages) {
  std::vector<Age> whole;
  for (std::size_t i = 0; i < bursts.size(); ++i)
    if (is_whole(bursts[i])) whole.push_back(ages[i]);
  std::vector<bool> chosen(bursts.size(), true);
  if (whole.size() <= count) return chosen;
  std::ranges::sort(whole, std::ranges::greater());
  for (std::size_t i = 0; i < bursts.size(); ++i) chosen[i] = ages[i] >= whole[count - 1];
  return chosen;
}

/// Leaves of `some` those that were shot since then, or at a time that is not known.
void leave_since(double from_s, std::span<const std::size_t> some, std::span<const Burst> bursts,
                 std::span<const Age> ages, std::vector<bool>& chosen) {
  for (const std::size_t i : some)
    chosen[i] = !begin_s(bursts[i]) || ages[i].time_s.value_or(from_s) >= from_s;
}

}  // namespace

std::optional<Moment> moment_of(std::string_view text) {
  static const std::regex form(
      R"((?:(\d{4})-(\d\d)-(\d\d)(?:[T ](?=\d)|$))?(?:(\d\d?):(\d\d)(?::(\d\d))?)?)");
  std::match_results<std::string_view::const_iterator> match;
  if (text.empty() || !std::regex_match(text.begin(), text.end(), match, form)) return std::nullopt;
  const auto number = [&](std::size_t group) {
    return match[group].matched ? std::stoi(match[group].str()) : 0;
  };
  Moment moment;
  if (match[1].matched) {
    using namespace std::chrono;
    const year_month_day date{year{number(1)}, month{static_cast<unsigned>(number(2))},
                              day{static_cast<unsigned>(number(3))}};
    if (!date.ok()) return std::nullopt;
    moment.day_s = static_cast<double>(sys_days{date}.time_since_epoch().count()) * kDay_s;
  }
  if (number(4) > 23 || number(5) > 59 || number(6) > 59) return std::nullopt;
  moment.of_day_s = number(4) * kHour_s + number(5) * 60.0 + number(6);
  return moment;
}

ChosenBursts choose_bursts(std::vector<Burst> bursts, const BurstChoice& choice,
                           const CardOf& card_of) {
  const std::vector<Age> ages = ages_of(bursts);
  std::vector<bool> is_chosen(bursts.size(), true);
  std::vector<std::size_t> all(bursts.size());
  std::iota(all.begin(), all.end(), std::size_t{0});
  if (choice.last) {
    is_chosen = among_last(*choice.last, bursts, ages);
  } else if (choice.since) {
    const auto newest = newest_of(all, bursts, ages);
    if (newest && ages[*newest].time_s)
      leave_since(time_s(*choice.since, *ages[*newest].time_s), all, bursts, ages, is_chosen);
  } else if (!choice.all) {
    std::map<fs::path, std::vector<std::size_t>> cards;
    for (const std::size_t i : all)
      if (const auto card = card_of(bursts[i])) cards[*card].push_back(i);
    for (const auto& [card, on_it] : cards) {
      const auto newest = newest_of(on_it, bursts, ages);
      if (newest && ages[*newest].time_s)
        leave_since(*ages[*newest].time_s - kHour_s, on_it, bursts, ages, is_chosen);
    }
  }
  ChosenBursts chosen;
  for (const std::size_t i : all) {
    if (is_chosen[i])
      chosen.bursts.push_back(std::move(bursts[i]));
    else if (is_whole(bursts[i]))
      ++chosen.older;
  }
  return chosen;
}

}  // namespace ringsweep::app
