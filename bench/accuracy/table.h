#pragma once
/// The accuracy table: scores of many bursts -> rows of figures, as values and as text. Pure.
///
/// Errors of positions are pooled over frames, everything else over bursts, gaps, ends, frames,
/// movements or drops, as a row's label says. A figure without cases is absent and says why.

#include <array>
#include <cstddef>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "score.h"

namespace ringsweep::accuracy {

/// One burst, answered or not.
struct Case {
  std::string name;
  std::string group;
  std::string failed{};        ///< why there is no score; empty: there is one
  std::string verdict_true{};  ///< empty: the burst could not even be made
  std::optional<BurstScore> ours{};
  /// Ours again, working f-number and pitch given; only bursts made with diffraction.
  std::optional<BurstScore> lens_given{};
  std::optional<BurstScore> naive{};  ///< baseline.h
  double seconds = 0.0;               ///< from the paths to the answer
  double naive_seconds = 0.0;
};

struct Interval {
  double low = 0.0;
  double high = 0.0;
};

/// 95 % interval of a share, hits of n: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209. It takes
/// the n for independent; frames of one burst are less so than bursts.
/// @throws std::invalid_argument  n is 0, or hits above n
[[nodiscard]] Interval wilson95(std::size_t hits, std::size_t n);

struct Figure {
  std::optional<double> value{};       ///< absent: no cases
  std::size_t cases = 0;               ///< how many it is made from
  std::optional<std::size_t> hits{};   ///< of a share: how many of the cases
  std::optional<Interval> interval{};  ///< of a share
  std::string why{};                   ///< there is no value
};

struct NamedValue {
  std::string name;
  double value = 0.0;
};

enum class Unit { px, sd, relative, share, seconds };

struct Row {
  std::string id;     ///< "position.rms_px": key of the JSON, first column of the CSV
  std::string part;   ///< heading it stands under
  std::string label;  ///< what it is, in words
  Unit unit = Unit::px;
  Figure ours;
  Figure naive;
  std::vector<NamedValue> worst{};  ///< at most three bursts, worst first; main figures only
};

/// The rows of all cases, or of one group.
struct Table {
  std::string group;  ///< empty: all
  std::size_t bursts = 0;
  std::vector<std::string> failed{};  ///< bursts without an answer, and why
  std::vector<Row> rows{};
};

/// Edges of the size rows, px; a size on an edge belongs to the bin above it. What is smaller or
/// larger than all bins is in the rows of all sizes only.
inline constexpr std::array kMoveEdgesPx{0.5, 1.0, 2.0, 4.0, 8.0};
inline constexpr std::array kDropEdgesPx{2.0, 4.0, 8.0, 15.0};
/// Of gaps: just wider than the allowed step of 4 px, and clearly wider.
inline constexpr std::array kGapEdgesPx{4.0, 5.0, 8.0};

/// Probabilities of gaps; the last edge is above all.
inline constexpr std::array kSureEdges{0.5, 0.8, 0.95, 1.01};

[[nodiscard]] Table make_table(std::span<const Case> cases, const std::string& group = {});

/// All cases first, then each group in the order of its first burst.
[[nodiscard]] std::vector<Table> make_tables(std::span<const Case> cases);

/// The row of this id.
/// @throws std::out_of_range  there is none
[[nodiscard]] const Row& row(const Table& table, const std::string& id);

/// @param head  one line that says which bursts these are
[[nodiscard]] std::string table_text(std::span<const Table> tables, const std::string& head);
[[nodiscard]] nlohmann::json table_json(std::span<const Table> tables, const std::string& head);
[[nodiscard]] std::string table_csv(std::span<const Table> tables);

/// One row a burst.
[[nodiscard]] std::string bursts_csv(std::span<const Case> cases);

}  // namespace ringsweep::accuracy
