// Which bursts of a card are looked at. What day and time make is reckoned by hand: 16 June 2024
// began 1718496000 s after 1970 (date -u -d 2024-06-16 +%s).

#include "app/choose_bursts.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;
using ::testing::IsEmpty;

constexpr double kMidnight_s = 1718496000.0;

/// A burst of `frames` a second apart, known by its folder's name.
Burst burst_at(const std::string& name, std::optional<double> begin_s, std::size_t frames = 6) {
  Burst burst{.folder = name, .frames = {}};
  for (std::size_t k = 0; k < frames; ++k) {
    FrameRef frame;
    frame.file = "frame" + std::to_string(k) + ".JPG";
    frame.path = "/home/" + name + "/" + frame.file;
    if (begin_s) frame.time_s = *begin_s + static_cast<double>(k);
    burst.frames.push_back(frame);
  }
  return burst;
}

Burst on_card_as(Burst burst, const std::string& folder, const std::string& last_file) {
  burst.frames.back().path = "/card/DCIM/" + folder + "/" + last_file;
  return burst;
}

std::optional<fs::path> always(const Burst&) { return "/card"; }
std::optional<fs::path> never(const Burst&) { return std::nullopt; }

std::vector<std::string> names(const ChosenBursts& chosen) {
  std::vector<std::string> names;
  for (const Burst& burst : chosen.bursts) names.push_back(burst.folder);
  return names;
}

const std::vector<Burst> kMorning{burst_at("single", kMidnight_s + 3600.0, 1),
                                  burst_at("four", kMidnight_s + 4 * 3600.0),
                                  burst_at("half past four", kMidnight_s + 4.5 * 3600.0),
                                  burst_at("five", kMidnight_s + 5 * 3600.0 + 60.0),
                                  burst_at("half past", kMidnight_s + 5.5 * 3600.0),
                                  burst_at("later single", kMidnight_s + 9 * 3600.0, 1)};

TEST(ChooseBursts, OfACardTheNewestAndTheHourBeforeIt) {
  const ChosenBursts chosen = choose_bursts(kMorning, {}, always);
  EXPECT_THAT(names(chosen), ElementsAre("half past four", "five", "half past", "later single"));
  EXPECT_EQ(chosen.older, 1U);  // the single frame is no burst
}

TEST(ChooseBursts, WhatIsOnNoCardIsAllWanted) {
  const ChosenBursts chosen = choose_bursts(kMorning, {}, never);
  EXPECT_EQ(chosen.bursts.size(), 6U);
  EXPECT_EQ(chosen.older, 0U);
}

TEST(ChooseBursts, EachCardHasANewestOfItsOwn) {
  std::vector<Burst> bursts = kMorning;
  bursts.push_back(burst_at("home", kMidnight_s + 86400.0));
  bursts.push_back(burst_at("other card, old", kMidnight_s + 2 * 86400.0));
  bursts.push_back(burst_at("other card, new", kMidnight_s + 3 * 86400.0));
  const CardOf card_of = [](const Burst& burst) -> std::optional<fs::path> {
    if (burst.folder == "home") return std::nullopt;
    return burst.folder.starts_with("other card") ? "/other" : "/card";
  };
  const ChosenBursts chosen = choose_bursts(bursts, {}, card_of);
  EXPECT_THAT(names(chosen), ElementsAre("half past four", "five", "half past", "later single",
                                         "home", "other card, new"));
  EXPECT_EQ(chosen.older, 2U);
}

TEST(ChooseBursts, AsTheUserSays) {
  EXPECT_EQ(choose_bursts(kMorning, {.all = true, .last = {}, .since = {}}, always).bursts.size(),
            6U);
  for (const bool card : {true, false}) {
    const CardOf on_card = card ? always : never;
    const ChosenBursts last =
        choose_bursts(kMorning, {.all = false, .last = 2, .since = {}}, on_card);
    EXPECT_THAT(names(last), ElementsAre("five", "half past", "later single"));
    EXPECT_EQ(last.older, 2U);
    const ChosenBursts since =
        choose_bursts(kMorning, {.all = false, .last = {}, .since = moment_of("04:30")}, on_card);
    EXPECT_THAT(names(since), ElementsAre("half past four", "five", "half past", "later single"));
    EXPECT_EQ(since.older, 1U);
  }
  EXPECT_EQ(choose_bursts(kMorning, {.all = false, .last = 9, .since = {}}, always).older, 0U);
}

TEST(ChooseBursts, ATimeOfDayIsTheLatestBeforeTheNewest) {
  const std::vector<Burst> night{burst_at("evening", kMidnight_s - 3600.0),
                                 burst_at("night", kMidnight_s + 3600.0)};
  const auto since = [&](const char* text) {
    return choose_bursts(night, {.all = false, .last = {}, .since = moment_of(text)}, always);
  };
  EXPECT_THAT(names(since("22:30")), ElementsAre("evening", "night"));
  EXPECT_THAT(names(since("23:30")), ElementsAre("night"));
  EXPECT_THAT(names(since("00:30")), ElementsAre("night"));
  EXPECT_THAT(names(since("2024-06-15")), ElementsAre("evening", "night"));
  EXPECT_THAT(names(since("2024-06-16")), ElementsAre("night"));
  EXPECT_THAT(names(since("2024-06-17")), IsEmpty());
}

TEST(ChooseBursts, WithoutATimeABurstMayBeTheNewest) {
  const std::vector<Burst> bursts{burst_at("old", kMidnight_s),
                                  burst_at("new", kMidnight_s + 7200.0),
                                  burst_at("no time", std::nullopt)};
  EXPECT_THAT(names(choose_bursts(bursts, {}, always)), ElementsAre("new", "no time"));
  EXPECT_THAT(
      names(choose_bursts(bursts, {.all = false, .last = {}, .since = moment_of("02:00")}, always)),
      ElementsAre("new", "no time"));
  EXPECT_THAT(names(choose_bursts(bursts, {.all = false, .last = 1, .since = {}}, always)),
              ElementsAre("new"));
  EXPECT_EQ(choose_bursts({burst_at("a", {}), burst_at("b", {})}, {}, always).bursts.size(), 2U);
  EXPECT_THAT(choose_bursts({}, {}, always).bursts, IsEmpty());
}

// The camera's battery was out: its clock began again in an earlier year, its numbers went on.
TEST(ChooseBursts, AClockThatWasSetBackHidesNothing) {
  const std::vector<Burst> bursts{
      on_card_as(burst_at("after", 0.0), "101ABCDE", "DSC00004.JPG"),
      on_card_as(burst_at("other camera", 10.0), "102OTHER", "DSC00009.JPG"),
      on_card_as(burst_at("long before", kMidnight_s - 86400.0), "100ABCDE", "DSC09000.JPG"),
      on_card_as(burst_at("before", kMidnight_s), "100ABCDE", "DSC09998.JPG")};
  const ChosenBursts chosen = choose_bursts(bursts, {}, always);
  EXPECT_THAT(names(chosen), ElementsAre("after", "before"));
  EXPECT_EQ(chosen.older, 2U);
  const auto last = [&](std::size_t count) {
    return names(choose_bursts(bursts, {.all = false, .last = count, .since = {}}, always));
  };
  EXPECT_THAT(last(1), ElementsAre("after"));
  EXPECT_THAT(last(2), ElementsAre("after", "before"));
  EXPECT_THAT(last(3), ElementsAre("after", "long before", "before"));
  const BurstChoice since{.all = false, .last = {}, .since = moment_of("2024-06-16")};
  EXPECT_THAT(names(choose_bursts(bursts, since, always)), ElementsAre("after", "before"));
}

TEST(ChooseBursts, OfOneTimeTheLaterByNumberThenByOrderIsTheNewer) {
  const std::vector<Burst> bursts{
      on_card_as(burst_at("second", kMidnight_s), "100ABCDE", "ABCD0020.JPG"),
      on_card_as(burst_at("first", kMidnight_s), "100ABCDE", "ABCD0010.JPG"),
      burst_at("unnumbered", kMidnight_s), burst_at("unnumbered, later", kMidnight_s)};
  const auto last = [&](std::size_t count) {
    return names(choose_bursts(bursts, {.all = false, .last = count, .since = {}}, always));
  };
  EXPECT_THAT(last(1), ElementsAre("second"));
  EXPECT_THAT(last(2), ElementsAre("second", "first"));
  EXPECT_THAT(last(3), ElementsAre("second", "first", "unnumbered, later"));
}

TEST(MomentOf, ReadsTimesAndDays) {
  EXPECT_EQ(moment_of("05:24")->of_day_s, 19440.0);
  EXPECT_EQ(moment_of("5:24:10")->of_day_s, 19450.0);
  EXPECT_FALSE(moment_of("05:24")->day_s);
  EXPECT_EQ(moment_of("2024-06-16")->day_s, kMidnight_s);
  EXPECT_EQ(moment_of("2024-06-16 05:24")->of_day_s, 19440.0);
  EXPECT_EQ(moment_of("2024-06-16T05:24")->day_s, kMidnight_s);
  for (const char* wrong :
       {"", "24:00", "05:60", "05", "2024-02-30", "2024-06-16 25:00", "now", "05:24 ",
        "20245-06-16", "2024-06-1605:24", " 05:24", "T05:24", "2024-06-16 ", "2024-06-16T"})
    EXPECT_FALSE(moment_of(wrong)) << wrong;
}

}  // namespace
}  // namespace ringsweep::app
