#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include "report/wording.h"
#include "ringsweep/report.h"

namespace ringsweep {
namespace {

constexpr int kColumns = 56;  // of the depth: with both ends named it stays inside 80
constexpr std::string_view kMargin = "  ";

/// A stretch of depth without a sharp frame, and the frames beside it, from left to right.
struct Hole {
  int first = 0;
  int last = 0;
  bool soft = false;
  std::string left, right;
};

/// Depth from left to right: the near end first where that is known, else where one began.
class Depth {
 public:
  explicit Depth(const BurstAnalysis& burst)
      : low_(burst.coverage.subject_low_px),
        high_(burst.coverage.subject_high_px),
        falls_(burst.near_side.known() || (!burst.sweeps.empty() && !burst.sweeps[0].rising)) {}
  [[nodiscard]] bool falls() const { return falls_; }
  /// From 0 to `kColumns`.
  [[nodiscard]] double column(double q_px) const {
    const double t = std::clamp((q_px - low_) / (high_ - low_), 0.0, 1.0);
    return kColumns * (falls_ ? 1.0 - t : t);
  }

 private:
  double low_, high_;
  bool falls_;
};

/// At least one column wide, so that it is seen.
Hole hole_between(const Depth& depth, double a_px, double b_px) {
  const double a = depth.column(a_px), b = depth.column(b_px);
  const int first = std::min(kColumns - 1, static_cast<int>(std::lround(std::min(a, b))));
  const int last = std::max(first, static_cast<int>(std::lround(std::max(a, b))) - 1);
  return {.first = first, .last = last, .soft = false, .left = {}, .right = {}};
}

std::vector<Hole> holes_of(const BurstAnalysis& burst, const Depth& depth,
                           const std::vector<std::string>& labels) {
  const double b = burst.blur_limit_px;
  std::vector<Hole> holes;
  for (const Gap& gap : burst.coverage.gaps) {
    const auto& lower = burst.frames[gap.lower].focus_px;
    const auto& upper = burst.frames[gap.upper].focus_px;
    if (!lower || !upper) continue;
    Hole hole = hole_between(depth, *lower + b, *upper - b);
    hole.soft = gap.soft;
    hole.left = labels[depth.falls() ? gap.upper : gap.lower];
    hole.right = labels[depth.falls() ? gap.lower : gap.upper];
    holes.push_back(std::move(hole));
  }
  for (const End& end : burst.coverage.ends) {
    const auto& q_px = burst.frames[end.frame].focus_px;
    if (!end.open || !q_px) continue;
    Hole hole = end.low ? hole_between(depth, burst.coverage.subject_low_px, *q_px - b)
                        : hole_between(depth, *q_px + b, burst.coverage.subject_high_px);
    (end.low == depth.falls() ? hole.left : hole.right) = labels[end.frame];
    holes.push_back(std::move(hole));
  }
  std::ranges::sort(holes, {}, &Hole::first);
  return holes;
}

/// The frames beside holes, as far as there is room for their names.
std::string names_below(const std::vector<Hole>& holes) {
  std::string line;
  for (const Hole& hole : holes) {
    const std::string name =
        hole.left + (hole.left.empty() || hole.right.empty() ? "" : " | ") + hole.right;
    const int middle = (hole.first + hole.last + 1) / 2;
    const int from = std::clamp(middle - static_cast<int>(name.size()) / 2, 0,
                                std::max(0, kColumns - static_cast<int>(name.size())));
    if (std::ssize(line) > 0 && std::ssize(line) + 2 > from) continue;
    line.resize(static_cast<std::size_t>(from), ' ');
    line += name;
  }
  return line;
}

}  // namespace

std::string coverage_drawing(const BurstAnalysis& burst) {
  const Coverage& coverage = burst.coverage;
  if (burst.fit_status != FitStatus::converged || !coverage.has_subject ||
      !(coverage.subject_low_px < coverage.subject_high_px))
    return {};
  const Depth depth(burst);
  const std::vector<Hole> holes = holes_of(burst, depth, wording::frame_labels(burst));
  std::string bar(kColumns, '=');
  for (const Hole& hole : holes)
    for (int i = hole.first; i <= hole.last; ++i)
      bar[static_cast<std::size_t>(i)] = hole.soft ? '-' : '.';
  const bool known = burst.near_side.known();
  const std::string_view left = known ? "near" : "began", right = known ? "far" : "stopped";
  std::string text = fmt::format("{}{} [{}] {}\n", kMargin, left, bar, right);
  if (holes.empty()) return text;
  const std::string indent(kMargin.size() + left.size() + 2, ' ');
  const std::string names = names_below(holes);
  if (!names.empty()) text += indent + names + "\n";
  const bool missing = bar.find('.') != std::string::npos;
  const bool soft = bar.find('-') != std::string::npos;
  text += fmt::format("{}= sharp{}{}\n", indent, missing ? "   . nothing sharp" : "",
                      soft ? "   - a little soft" : "");
  return text;
}

}  // namespace ringsweep
