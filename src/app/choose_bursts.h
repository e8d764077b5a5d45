#pragma once
/// Choose bursts: which of those on a card are looked at. In the field that is what was shot last.

#include <cstddef>
#include <filesystem>
#include <functional>
#include <optional>
#include <string_view>
#include <vector>

#include "ringsweep/frame.h"

namespace ringsweep::app {

inline constexpr std::size_t kFewestFrames = 5;  ///< a burst, by definition

/// A moment of the camera's clock, its day left open or not.
struct Moment {
  std::optional<double> day_s;  ///< begin of the day, seconds since 1970; absent: the latest such
  double of_day_s = 0.0;        ///< since the day began
};

/// "05:24", "2024-06-16", "2024-06-16 05:24" or "2024-06-16T05:24"; seconds may follow a time.
[[nodiscard]] std::optional<Moment> moment_of(std::string_view text);

/// At most one of the three is said.
struct BurstChoice {
  bool all = false;
  std::optional<std::size_t> last;  ///< so many, the newest
  std::optional<Moment> since;
};

struct ChosenBursts {
  std::vector<Burst> bursts;  ///< in capture order, with what is too short for a sweep
  std::size_t older = 0;      ///< bursts long enough for a sweep that were not chosen
};

/// The card a burst lies on, by its root; nothing for one that lies on none.
using CardOf = std::function<std::optional<std::filesystem::path>(const Burst&)>;

/// Chooses among bursts in capture order. Without a wish, of the bursts on each card the newest (of
/// those long enough for a sweep) and what was shot within an hour before it; all others.
/// One burst is newer than another by its time, then by folder and number of a card (CIPA DC-009),
/// then by the order they come in. The time of one that comes after another by folder and number is
/// no less than that one's: where it says less, the camera's clock was set back.
/// A burst whose frames have no time may be as new as any, and is older only than those that have
/// where the last so many are wanted.
[[nodiscard]] ChosenBursts choose_bursts(std::vector<Burst> bursts, const BurstChoice& choice,
                                         const CardOf& card_of);

}  // namespace ringsweep::app
