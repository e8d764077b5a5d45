#pragma once
/// Wording: the sentences that the summary, the details and report.json share.

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep::wording {

/// Names of the frames as the rear screen shows them: the last four digits of the name. A name that
/// does not end in four digits, or two frames of one burst with the same digits: the name without
/// its extension, or whole where that is not unique either. One label per frame, capture order.
[[nodiscard]] std::vector<std::string> frame_labels(const BurstAnalysis& burst);

/// What a camera or a person may have put into a name, safe for a terminal: valid UTF-8, control
/// characters replaced by '?'.
[[nodiscard]] std::string printable(std::string_view text);

/// Bytes that are no UTF-8 replaced by U+FFFD; nothing else is changed.
[[nodiscard]] std::string valid_utf8(std::string_view text);

/// "1216", "1216 and 1221", "1216, 1221 and 1230 to 1233": runs of three or more drawn together.
/// @param frames indices into `labels`, rising.
[[nodiscard]] std::string list_of_frames(std::span<const std::size_t> frames,
                                         std::span<const std::string> labels);

/// "a", "a and b", "a, b and c"; `last` is the word before the last one.
[[nodiscard]] std::string joined(std::span<const std::string> parts, std::string_view last = "and");

/// `text` broken at spaces into lines of at most `columns`, later ones beginning with `indent`.
/// Ends with a line feed.
[[nodiscard]] std::string wrapped(std::string_view text, std::size_t columns = 100,
                                  std::string_view indent = "  ");

/// Each line of `text` by itself, what goes on two columns further in than it begins.
[[nodiscard]] std::string wrapped_lines(std::string_view text, std::size_t columns);

/// The options that would take away the doubt about distances, "--working-f-number and --pitch-um".
[[nodiscard]] std::string lens_options(const LensDoubt& doubt);

/// Time of day on the camera's clock when a frame was shot, "04:52"; absent where it has no time.
[[nodiscard]] std::optional<std::string> clock_time(const BurstAnalysis& burst, std::size_t frame);

/// Indices of the frames that carry the flag, rising.
[[nodiscard]] std::vector<std::size_t> flagged(const BurstAnalysis& burst, FrameFlag flag);

/// "1207 to 1231", test shots and pictures of something else at either end left off.
[[nodiscard]] std::string frames_shot(const BurstAnalysis& burst,
                                      std::span<const std::string> labels);

/// Those of the frames shot that are of one pose.
struct FramesThatGo {
  std::string words;     ///< "1212 to 1231", or "1207 to 1231 without 1216 and 1221"
  bool one_run = false;  ///< the first of these
};
[[nodiscard]] FramesThatGo frames_that_go_together(const BurstAnalysis& burst,
                                                   std::span<const std::string> labels);

/// "3.20 px (sd 0.10 px)"; "14.00 px or more" at SubjectOptions::reach_px beyond the sweep, where
/// blur tells no more of the subject's depth. Beyond a part of the sweep it may be farther.
[[nodiscard]] std::string beyond_the_end(double beyond_px, double sd_px);

/// The words of report.json: "complete-without", "partly-lit".
[[nodiscard]] std::string_view json_word(VerdictKind kind);
[[nodiscard]] std::string_view json_word(FrameFlag flag);
[[nodiscard]] std::string_view json_word(NearSideSource source);
[[nodiscard]] std::string_view json_word(FullSizeFrom from);
[[nodiscard]] std::string_view json_word(MoveKind kind);
[[nodiscard]] std::string_view json_word(DropFate fate);
/// "near" or "far" where that is known, else "first" or "last".
[[nodiscard]] std::string_view json_word(const BurstAnalysis& burst, const End& end);

/// "near " or "far ", the end where the first sweep began (`at_start`) or ended; "" where it is not
/// known.
[[nodiscard]] std::string_view near_or_far(const BurstAnalysis& burst, bool at_start);

/// What is visibly not the same in a sweep and the first one, "its light, its size"; "" for
/// nothing.
[[nodiscard]] std::string difference_words(const SweepDifference& difference);

/// "3 water drops fell or dried, upper left, between 1210 and 1211". @param reason  drop_lost
[[nodiscard]] std::string drops_gone(const BurstAnalysis& burst, const Reason& reason,
                                     std::span<const std::string> labels);

/// "Not checked: movement, lost drops.\n", what was not looked for; "" where all was.
[[nodiscard]] std::string not_checked(const BurstAnalysis& burst);

/// Where in the upright picture a box lies, "upper left", "in the middle", "across the picture"; ""
/// for an empty one.
[[nodiscard]] std::string_view place_words(const BurstAnalysis& burst, const cv::Rect& box);

/// "a little of it", "about a fifth of it", "most of it": how much a share of the subject is.
[[nodiscard]] std::string_view share_words(double share);

/// A reason with its numbers, one sentence, for the details and report.json.
[[nodiscard]] std::string reason_with_numbers(const BurstAnalysis& burst, const Reason& reason);

/// The same in plain words, without a full stop, as the summary has it.
[[nodiscard]] std::string plain_reason(const BurstAnalysis& burst, const Reason& reason,
                                       std::span<const std::string> labels);

/// With a capital letter and a full stop.
[[nodiscard]] std::string sentence(std::string text);

/// The two frames of a gap, the one shot earlier first.
struct FramePair {
  std::size_t after = 0;
  std::size_t before = 0;
};
[[nodiscard]] FramePair by_time(const Gap& gap);

/// Whether an end of the coverage is the one where the burst's first sweep began.
[[nodiscard]] bool is_first_end(const BurstAnalysis& burst, const End& end);

}  // namespace ringsweep::wording
