#pragma once
/// Learn lens: the analysis of a burst and how far the ring was turned over it -> what that lens
/// does from then on: degrees per mm of extension, and which side makes the picture larger.

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/near_side.h"
#include "ringsweep/result.h"
#include "ringsweep/ring_scale.h"

namespace ringsweep {

enum class LifeSize { below, beyond };

/// The side that makes the picture larger, and what it holds for: it turns around at 1:1 where the
/// whole lens moves, and lenses with inner focusing have ways of their own.
struct LearntSide {
  LifeSize at = LifeSize::below;
  FocusBy focus_by = FocusBy::not_said;
  Side larger_picture = Side::near;
};

struct LearntLens {
  double degrees_per_mm = 0.0;  ///< of extension; a property of the ring's thread alone
  double degrees_per_mm_sd =
      0.0;  ///< the scale's and the positions'; the reading of the ring aside
  std::vector<LearntSide> sides{};
};

/// One burst's lesson, and what it rests on.
struct LensLesson {
  LearntLens lens{};
  double extension_mm = 0.0;
  std::size_t first_frame = 0;  ///< first usable frame of the sweep, index in capture order
  std::size_t last_frame = 0;
  bool ends_left_out = false;  ///< frames of the burst lie outside: the turn must not count them
};

/// What is still to be said of the lens before degrees per mm can be learnt or used, as options of
/// the command line; empty: nothing.
[[nodiscard]] std::string missing_for_degrees(const RingScale& ring);

/// @param burst  of one sweep, `ring` all known but degrees per mm; m is that of its middle
/// @param turned_deg  of the ring, from the first usable frame of the sweep to the last; > 0
/// @return the lesson, `lens.sides` empty where the near side is not known by the user or the
/// picture; or why nothing can be learnt and what to do
/// @throws std::invalid_argument  turned_deg not > 0
[[nodiscard]] Result<LensLesson> learn_lens(const BurstAnalysis& burst, double turned_deg);

/// A lens learnt again: the new degrees, and the sides of both, the newer first where they are
/// about the same thing.
[[nodiscard]] LearntLens learnt_again(const LearntLens& before, LearntLens now);

/// For AnalysisOptions: absent where nothing was learnt for that side of life size and that way of
/// focusing, or one of the two is not known.
[[nodiscard]] std::optional<Side> larger_picture(const LearntLens& lens,
                                                 std::optional<double> magnification,
                                                 FocusBy focus_by);

}  // namespace ringsweep
