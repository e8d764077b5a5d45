#pragma once
/// Scores a report against what is known of the burst: pure functions of JSON, no file is opened.
///
/// A said position is right up to one shift and sign for the whole burst: pictures alone tell
/// neither. All lengths in px of blur of the full-size frame.

#include <cstddef>
#include <map>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

namespace ringsweep::accuracy {

/// Found and due are counted one to one; what matches nothing is false.
struct Count {
  std::size_t found = 0;
  std::size_t due = 0;
  std::size_t wrong = 0;
};

/// Least squares y = slope x + offset.
struct Line {
  double slope = 0.0;
  double offset = 0.0;
};

/// Error of one frame's position.
struct FrameError {
  std::string file{};
  double px = 0.0;                ///< shift and sign of the burst removed
  double shape_px = 0.0;          ///< the scale error removed too
  std::optional<double> in_sd{};  ///< shape_px over the sd that the report gives the position
};

/// One gap, movement or drop that was due or told, with the size that it is sorted by.
struct Sized {
  double px = 0.0;
  bool right = false;  ///< due: it was found; told: it is there
};

/// One kind of event. Sizes: a gap's width, a movement's shift, a drop's radius; the truth's for
/// what was due, the report's for what was told. What the truth calls optional is in neither list.
struct Events {
  std::vector<Sized> due;
  std::vector<Sized> told;
};

/// A part that truly moved, and what was told of it.
struct MoveScore {
  std::string kind{};                ///< of the truth: stays, drifts, to-and-fro
  double shift_px = 0.0;             ///< true
  double seen_px = 0.0;              ///< true area of what is seen of it; 0: the truth does not say
  bool seen_there = false;           ///< a box told covers 30 % of the true one, whatever its frame
  bool found = false;                ///< and is within a frame of when it moved
  std::optional<double> error_px{};  ///< of the shift, said less true, where it was found
};

/// A gap that was told with the probability that it is one, and whether it is.
struct ToldGap {
  double probability = 0.0;
  bool wider = false;  ///< its two frames are truly farther apart than the allowed step
};

/// One row of the table of bursts with known truth. Absent: there is nothing to compare.
struct BurstScore {
  std::size_t split_into = 1;  ///< bursts of the report that this one was taken for
  std::string verdict_said;
  std::string verdict_true;
  bool verdict_right = false;
  Count used;  ///< frames with a position, of those on the subject that are not dark
  std::vector<FrameError> errors;   ///< of these; empty below three, as all up to scale_holds
  std::optional<double> rms_px;     ///< of their positions, shift and sign removed
  std::optional<double> shape_px;   ///< the same, scale error removed too
  std::optional<bool> sign_right;   ///< positions grow towards near
  std::optional<bool> sign_told;    ///< the report says so, from the picture; absent where it has
                                    ///< another source, or none is named
  std::optional<double> scale;      ///< slope of said against true positions; 1 is right
  std::optional<double> cover;      ///< share whose 95 % interval holds, shift and scale removed
  std::optional<bool> scale_holds;  ///< the scale's 95 % interval
  Count gaps;  ///< a gap overlaps half of the true one and is at most 1.5 times as wide
  Events gap_list;
  std::vector<double> gap_width_errors;   ///< of those found: said over true width, less 1
  std::vector<double> gap_widths_in_sd;   ///< of those found: said less true width, in said sds
  std::vector<double> step_widths_in_sd;  ///< the same of every step between frames that are `used`
  std::optional<Count> ends;              ///< open ends
  std::optional<Count> lit;     ///< frames dark or dim, one as good as the other; these alone:
  std::optional<Count> dark;    ///< flash missed
  std::optional<Count> dim;     ///< flash weak
  std::optional<Count> shaken;  ///< only where checks_made has a word that begins with "shak"
  std::optional<Count> moved;   ///< a box covers 30 % of the true one within a frame of it and is
                                ///< at most twice the rectangle around all true ones
  Events move_list;
  std::vector<MoveScore> moves;
  std::optional<Count> drops;  ///< lost ones, by place
  Events drop_list;
  std::optional<Count> when;   ///< of them, told within a frame of when they went
  std::optional<Count> open;   ///< of them, told within a frame, or with that in the time left open
  std::optional<double> turn;  ///< said over true turn factor
  /// Said over true number of frames for the same turn, the rounding to whole frames taken out.
  std::optional<double> same_turn;
  /// True widest step with subject inside over the allowed step; absent where the truth names none.
  std::optional<double> widest_step;
  bool at_rest = true;             ///< nothing of the subject moved, no drop went or came
  std::vector<ToldGap> told_gaps;  ///< those that are told with their probability
  /// The summary speaks of a gap (soft places apart), an open end, a movement, a lost drop or a
  /// shaken frame that is not there. What stands in the report alone is no warning.
  bool false_warning = false;
};

/// One row of the table of real stacks whose focus setting is known.
struct StackScore {
  std::size_t frames_sure = 0;  ///< with a position whose sd is at most 1 px
  std::size_t frames = 0;
  std::optional<double> tau;  ///< Kendall's, without sign; absent below four sure frames
  double px_per_step = 0.0;
  double rms_steps = 0.0;  ///< from the straight line, as a share of the median step
  std::size_t gaps = 0;
  std::string verdict;
};

/// All bursts of a report as one: a folder with a truth is one burst, a report that splits it is
/// scored on the sum. null where the report has no burst.
[[nodiscard]] nlohmann::json merged(const nlohmann::json& report);

/// @param said   merged(report), not null
/// @param truth  truth.json of the burst
/// @throws nlohmann::json::exception where the truth lacks a field it must have
[[nodiscard]] BurstScore score_burst(const nlohmann::json& said, const nlohmann::json& truth);

/// @param focus_of  focus setting by file name, in any unit; at least four different ones
[[nodiscard]] StackScore score_stack(const nlohmann::json& said,
                                     const std::map<std::string, double>& focus_of);

}  // namespace ringsweep::accuracy
