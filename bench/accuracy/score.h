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

/// One row of the table of bursts with known truth. Absent: there is nothing to compare.
struct BurstScore {
  std::string verdict_said;
  std::string verdict_true;
  bool verdict_right = false;
  Count used;  ///< frames with a position, of those on the subject that are not dark
  std::optional<double> rms_px;    ///< of their positions, shift and sign removed
  std::optional<double> shape_px;  ///< the same, scale error removed too
  std::optional<double> scale;     ///< slope of said against true positions; 1 is right
  std::optional<double> cover;     ///< share whose 95 % interval holds, shift and scale removed
  Count gaps;  ///< a gap overlaps half of the true one and is at most 1.5 times as wide
  Count ends;  ///< open ends
  Count dark;  ///< dark and dim frames
  std::optional<double> turn;  ///< said over true turn factor
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
