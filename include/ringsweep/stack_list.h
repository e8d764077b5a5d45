#pragma once
/// Stack list: which frames of a burst go into the stack, and why the others do not.
///
/// A frame at q_k shows every depth within the blur limit b of q_k sharp (coverage.h). With an
/// overlap o it is counted on for r = (1 - o) b only: neighbours of a list lie at most 2 r, that
/// is (1 - o) allowed steps, apart, its ends at most r inside the ends of the wanted range. What
/// of the range is farther than r from every frame of the list is thin, what is farther than b
/// soft. No list is thinner than all usable frames together.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

namespace ringsweep {

enum class WhyLeftOut {
  in_the_list,     ///< it is not
  outside_range,   ///< shows nothing of the wanted range, or nothing that the list does not show
  idle,            ///< the ring stood still: another frame shows the same
  not_needed,      ///< fewest frames: others cover what it shows
  other_sweep,     ///< of a sweep that is not needed, and whose light or aperture was another
  other_pose,      ///< the subject had moved: it belongs into the list of another pose
  dark,            ///< the flash missed it
  dim,             ///< too weak a flash
  partly_lit,      ///< the flash lit a part only
  shaken,          ///< moved while exposed
  moved,           ///< a part of the subject is elsewhere
  unreadable,      ///< a damaged file
  other_settings,  ///< a test shot
  other_picture,   ///< something else in it
  no_position      ///< where it focuses cannot be told
};

/// What is known of one frame.
struct StackFrame {
  std::optional<double> q_px{};  ///< where it focuses, px
  /// Why it cannot be used; in_the_list: it can.
  WhyLeftOut fault = WhyLeftOut::in_the_list;
  bool idle = false;      ///< nothing new against the usable frame before it in its sweep
  std::size_t sweep = 0;  ///< of which sweep it is
  std::size_t pose = 0;   ///< frames of two poses never go into one list
  bool moved = false;     ///< a part of it is displaced, but not where it is sharp
  double shake_px = 0.0;  ///< movement while exposed; >= 0
  double gain_ev = 0.0;   ///< exposure against the fully lit frames
};

/// Depths from `low_px` to `high_px`.
struct DepthRange {
  double low_px = 0.0;
  double high_px = 0.0;
};

struct StackOptions {
  double blur_limit_px = 2.0;  ///< largest disc that counts as sharp, diameter; > 0
  double overlap = 0.25;       ///< o, 0 to 0.95: common practice, no source
};

/// What is to be covered.
struct StackRange {
  DepthRange wanted{};
  std::vector<DepthRange> empty{};  ///< depths without subject, apart, by rising position
};

/// A stretch of the wanted range that is thin, between two neighbours of the list.
struct ThinPlace {
  std::optional<std::size_t> lower{};  ///< frame below it; absent at the low end
  std::optional<std::size_t> upper{};  ///< frame above it; absent at the high end
  double thin_px = 0.0;                ///< how much is farther than r from both; > 0
  double soft_px = 0.0;                ///< how much is farther than the blur limit from both
};

/// The list of one pose.
struct StackList {
  std::size_t pose = 0;
  std::vector<std::size_t> frames{};   ///< indices, by rising position
  std::vector<WhyLeftOut> left_out{};  ///< one for each frame of the burst
  std::vector<ThinPlace> thin{};       ///< by rising position
};

/// Every usable frame of the wanted range but those that show the same as another one, and of those
/// just outside it what its ends need. One list for each pose that has usable frames, by number.
/// @param frames N, capture order.
/// @throws std::invalid_argument for a range or options that make no sense.
/// Cost O(N^2).
[[nodiscard]] std::vector<StackList> all_good_frames(std::span<const StackFrame> frames,
                                                     const StackRange& range,
                                                     const StackOptions& options = {});

/// The fewest frames that leave no more of the wanted range thin than all usable frames do. Of
/// several such sets the one whose neighbours in depth change sweep least often (best never); then
/// with the fewest moved frames; then the least shaken and most evenly lit; then the most even
/// steps. Exact: the shortest path over the frames in order of depth, lengths compared in that
/// order (Bellman, On a Routing Problem, 1958, from memory).
/// Same lists, inputs and errors as all_good_frames. Cost O(N^2).
[[nodiscard]] std::vector<StackList> fewest_frames(std::span<const StackFrame> frames,
                                                   const StackRange& range,
                                                   const StackOptions& options = {});

/// How much worse a frame is for its shake and its light: (shake / blur limit)^2 + gain^2 (EV^2),
/// in hundredths, where what nobody sees, below a quarter of the limit or of an EV, counts nothing.
/// Common practice, no source.
[[nodiscard]] int stack_defect(const StackFrame& frame, const StackOptions& options = {});

}  // namespace ringsweep
