#include "app/choose_bursts.h"

#include <algorithm>
#include <cctype>
#include <chrono>
#include <cmath>
#include <iterator>
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

/// Without a time, older than all that have one.
bool is_newer(const Burst& a, const Burst& b) { return begin_s(a) > begin_s(b); }

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
  constexpr std::size_t kNameLength = 8;
  constexpr std::size_t kNumberLength = 3;
  const auto digit = [](unsigned char c) { return std::isdigit(c) != 0; };
  if (folder.size() != kNameLength || stem.size() != kNameLength ||
      !std::all_of(folder.begin(), folder.begin() + kNumberLength, digit) ||
      !std::all_of(stem.end() - 4, stem.end(), digit))
    return std::nullopt;
  return CardPlace{
      .series = (file.parent_path().parent_path() / folder.substr(kNumberLength)).string() + '/' +
                stem.substr(0, kNumberLength),
      .counted = folder.substr(0, kNumberLength) + stem.substr(kNumberLength)};
}

bool is_counted_after(const Burst& a, const Burst& b) {
  const auto place_a = card_place(a);
  const auto place_b = card_place(b);
  return place_a && place_b && place_a->series == place_b->series &&
         place_a->counted > place_b->counted;
}

/// The moment, its day the last on which it came before `newest_s`.
double time_s(const Moment& moment, double newest_s) {
  if (moment.day_s) return *moment.day_s + moment.of_day_s;
  const double of_its_day_s = std::floor(newest_s / kDay_s) * kDay_s + moment.of_day_s;
  return of_its_day_s > newest_s ? of_its_day_s - kDay_s : of_its_day_s;
}

/// The `count`-th newest of the bursts long enough for a sweep; nothing where there are no more.
std::optional<Burst> oldest_of_last(std::span<const Burst> bursts, std::size_t count) {
  std::vector<Burst> whole;
  std::ranges::copy_if(bursts, std::back_inserter(whole), is_whole);
  if (whole.size() <= count) return std::nullopt;
  std::ranges::stable_sort(whole, is_newer);
  return whole[count - 1];
}

}  // namespace

std::optional<Moment> moment_of(std::string_view text) {
  static const std::regex form(R"((?:(\d{4})-(\d\d)-(\d\d))?(?:[T ]?(\d\d?):(\d\d)(?::(\d\d))?)?)");
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
                           const std::function<bool(const Burst&)>& on_card) {
  std::function<bool(const Burst&)> is_chosen = [](const Burst&) { return true; };
  // Of equally long ones too: a card of single pictures alone has no newest burst.
  const auto newest = std::ranges::max_element(bursts, [](const Burst& a, const Burst& b) {
    return std::pair(is_whole(a), begin_s(a)) < std::pair(is_whole(b), begin_s(b));
  });
  const std::optional<Burst> latest =
      newest == bursts.end() ? std::nullopt : std::optional(*newest);
  const std::optional<double> latest_s = latest ? begin_s(*latest) : std::nullopt;
  const auto since = [](double from_s) {
    return [from_s](const Burst& burst) { return begin_s(burst).value_or(from_s) >= from_s; };
  };
  if (choice.last) {
    if (const auto oldest = oldest_of_last(bursts, *choice.last))
      is_chosen = [oldest](const Burst& burst) { return !is_newer(*oldest, burst); };
  } else if (choice.since && latest_s) {
    is_chosen = since(time_s(*choice.since, *latest_s));
  } else if (!choice.all && latest_s) {
    is_chosen = [&, within = since(*latest_s - kHour_s)](const Burst& burst) {
      return within(burst) || is_counted_after(burst, *latest) || !on_card(burst);
    };
  }
  ChosenBursts chosen;
  for (Burst& burst : bursts) {
    if (is_chosen(burst))
      chosen.bursts.push_back(std::move(burst));
    else if (is_whole(burst))
      ++chosen.older;
  }
  return chosen;
}

}  // namespace ringsweep::app
