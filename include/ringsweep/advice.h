#pragma once
/// Ring advice: how the hand turned the ring, how far to turn it per frame next time, and what the
/// flash would have kept up with.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/exposure.h"
#include "ringsweep/focal_positions.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

/// Way of the ring between two frames that show where it stood. Frames by index in capture order.
struct RingStep {
  std::size_t from = 0;
  std::size_t to = 0;    ///< the next frame that shows it; > from
  double step_px = 0.0;  ///< one frame's share: dark frames between have theirs
  std::size_t lost = 0;  ///< frames that the camera left out between, by its clock; no share
};

/// How the ring was turned in one sweep.
struct SweepTurn {
  std::size_t frames_on_subject = 0;  ///< dark ones and lost ones between the others included
  std::size_t frames_before = 0;      ///< on air, before the first that is on the subject
  std::size_t frames_after = 0;       ///< on air, after the last
  std::size_t standing_still = 0;     ///< frames that the ring did not move for
  std::size_t play = 0;               ///< the same where it turned back: that is the ring's play
  std::size_t still_at_start = 0;     ///< standing still at the sweep's ends, play or not
  std::size_t still_at_end = 0;
  double turn_px = 0.0;  ///< way of the ring over the frames on the subject
  /// Sd of the natural log of the steps on the subject; 0 is an even hand, 0.3 an uneven one.
  /// Scatter of the positions is taken off; standing still, turning back and a jump do not count.
  /// Absent: fewer than 4 steps.
  std::optional<double> evenness{};
  double largest_step_px = 0.0;         ///< on the subject, at the burst's rate: a frame's share
  std::optional<double> turn_factor{};  ///< step to aim at / largest step; < 1: turn less
  /// `frames_on_subject` / `turn_factor`: frames that take this hand over the same turn with none
  /// of its steps too large.
  std::optional<std::size_t> frames_for_same_turn{};
  std::vector<RingStep> too_quick{};  ///< beyond the allowed step, on the subject
  /// One step far larger than all others: the ring stuck, or the hand took a new grip.
  std::optional<RingStep> jump{};
};

enum class FlashPattern {
  every_nth,     ///< lit `fired` of `of` frames, over and over
  gave_up,       ///< none lit any more
  sagging,       ///< every frame lit, but too weakly
  now_and_then,  ///< no order in it
};

/// Where the flash did not recharge in time. Model: it gives what it has, and in the time of one
/// frame takes up `supply` of a full flash's energy; frames beyond that live on its store.
struct FlashBehind {
  FlashPattern pattern = FlashPattern::now_and_then;
  std::size_t first_frame = 0;  ///< the first that it did not light fully
  std::size_t lit_before = 0;   ///< frames lit fully since the start, or the last pause
  std::size_t fired = 0;        ///< every_nth: lit this many ...
  std::size_t of = 0;           ///< ... of so many
  double supply = 0.0;          ///< 0..1
  /// Rate that it would have kept up with; absent where the rate is not known, or it gave up.
  std::optional<double> held_rate_per_s{};
  double held_power_ev = 0.0;  ///< <= 0: power against this one that would have held at this rate
};

struct RingAdvice {
  double step_px = 0.0;                 ///< 0.75 x allowed step: the step to aim at
  std::optional<double> turn_factor{};  ///< step_px / largest step on the subject; < 1: turn less
  std::optional<std::size_t> frames_for_same_turn{};  ///< of the sweep with the largest step
  double largest_step_px = 0.0;        ///< at the burst's rate, dark frames shared out
  std::size_t sweep = 0;               ///< the one with the largest step
  std::vector<SweepTurn> sweeps{};     ///< one a sweep
  std::optional<double> rate_per_s{};  ///< absent: no times, or whole seconds only
  std::optional<FlashBehind> flash{};  ///< absent: it missed at most one frame
};

/// What the advice is made from; N frames in capture order.
struct TurnSeen {
  const FocalPositions& focus;
  std::span<const double> subject_px;             ///< positions of the subject's tiles, any order
  const std::vector<SweepRange>& sweeps;          ///< by rising frame
  std::span<const FrameExposure> exposure;        ///< N, or empty: nothing is known of the flash
  std::span<const std::optional<double>> time_s;  ///< N, or empty: no times
  double blur_limit_px = 2.0;
};

/// A step counts whose two frames are on the subject, or which goes over 1 % of it that neither
/// shows. A frame is on the subject when 1 % of its tiles lie within the blur limit of it: of the
/// ground truth's pixels it is 0.5 % (bench/accuracy), but tiles are placed with some scatter, and
/// their tails reach farther. The way over dark frames is shared equally, as DESIGN has it; so is
/// that over frames that are not usable or swayed in depth, as far as their positions let it. Where
/// the clock says that frames are lost, those take a share too: the step is the one at the burst's
/// rate.
[[nodiscard]] RingAdvice advise(const TurnSeen& seen);

/// The same turn in px of another sweep's blur. @param ratio  of them for one of its own, > 0
[[nodiscard]] SweepTurn in_px_of(SweepTurn turn, double ratio);

/// Takes from `advice.sweeps` what is said of the burst: of the one with the largest step.
void choose_sweep(RingAdvice& advice);

}  // namespace ringsweep
