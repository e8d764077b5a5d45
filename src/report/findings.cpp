#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "report/depth_colours.h"
#include "report/wording.h"
#include "ringsweep/page.h"
#include "ringsweep/upright.h"

namespace ringsweep {
namespace {

using Labels = std::vector<std::string>;

/// Edge of what a proof shows, px of the working scale: fine enough to see the blur limit.
constexpr double kProofEdge = 320.0;

struct PlacedTile {
  cv::Point2d at;  // full-size upright px of the reference frame
  double q_px = 0.0;
};

/// The subject's tiles, or those of what it sits on as well.
std::vector<PlacedTile> placed_tiles(const BurstAnalysis& burst, bool perch_too) {
  std::vector<PlacedTile> tiles;
  const DepthMap& depth = burst.depth;
  for (int row = 0; row < depth.q_px.rows; ++row)
    for (int col = 0; col < depth.q_px.cols; ++col) {
      const TileRole role = role_at(depth, row, col);
      const float q_px = depth.q_px.at<float>(row, col);
      const bool wanted = role == TileRole::subject || (perch_too && role == TileRole::perch);
      if (!wanted || !std::isfinite(q_px)) continue;
      const cv::Vec3d at = depth.reference_from_tile * cv::Vec3d(col, row, 1.0);
      tiles.push_back(
          {.at = upright_from_sensor({at[0], at[1]}, burst.full_size, burst.orientation),
           .q_px = q_px});
    }
  return tiles;
}

/// A square of this edge around a place, moved into the picture.
cv::Rect square_at(const BurstAnalysis& burst, cv::Point2d middle, double edge_px) {
  const cv::Size size = upright_size(burst.full_size, burst.orientation);
  const int edge = std::min({cvRound(edge_px), size.width, size.height});
  if (edge < 1) return {};
  const auto from = [edge](double at, int length) {
    return std::clamp(cvRound(at - 0.5 * edge), 0, length - edge);
  };
  return {from(middle.x, size.width), from(middle.y, size.height), edge, edge};
}

/// The square that holds most of these tiles, its middle on one of them.
cv::Rect densest_square(const BurstAnalysis& burst, const std::vector<PlacedTile>& tiles) {
  const double edge_px = kProofEdge * burst.working_px_per_px;
  constexpr std::size_t kMostTried = 400;
  const std::size_t stride = std::max<std::size_t>(1, tiles.size() / kMostTried);
  std::size_t most = 0;
  cv::Rect best;
  for (std::size_t i = 0; i < tiles.size(); i += stride) {
    const cv::Rect square = square_at(burst, tiles[i].at, edge_px);
    const auto inside = static_cast<std::size_t>(std::ranges::count_if(
        tiles, [&](const PlacedTile& tile) { return square.contains(cv::Point(tile.at)); }));
    if (inside > most) most = inside, best = square;
  }
  return best;
}

/// Where the subject's tiles between two positions are seen best.
cv::Rect crop_between(const BurstAnalysis& burst, double low_px, double high_px) {
  std::vector<PlacedTile> tiles = placed_tiles(burst, false);
  std::erase_if(tiles, [&](const PlacedTile& t) { return t.q_px <= low_px || t.q_px >= high_px; });
  return densest_square(burst, tiles);
}

/// The median position of what lies in a box; nothing where no tile does.
std::optional<double> depth_in(const BurstAnalysis& burst, const cv::Rect& box) {
  std::vector<double> q_px;
  for (const PlacedTile& tile : placed_tiles(burst, true))
    if (box.contains(cv::Point(tile.at))) q_px.push_back(tile.q_px);
  if (q_px.empty()) return std::nullopt;
  std::ranges::nth_element(q_px, q_px.begin() + std::ssize(q_px) / 2);
  return q_px[q_px.size() / 2];
}

/// The usable frame from `first` to `last` that focuses nearest to a depth; `otherwise` where none
/// does.
std::size_t sharpest(const BurstAnalysis& burst, std::size_t first, std::size_t last,
                     std::optional<double> q_px, std::size_t otherwise) {
  double nearest = std::numeric_limits<double>::infinity();
  std::size_t best = otherwise;
  for (std::size_t k = first; q_px && k <= last && k < burst.frames.size(); ++k) {
    const FrameAnalysis& frame = burst.frames[k];
    if (!frame.usable || !frame.focus_px || std::abs(*frame.focus_px - *q_px) >= nearest) continue;
    nearest = std::abs(*frame.focus_px - *q_px);
    best = k;
  }
  return best;
}

/// The reason or note that speaks of the same frames.
const Reason* same_as(const BurstAnalysis& burst, std::initializer_list<ReasonKind> kinds,
                      std::size_t first, std::size_t last, bool& decides) {
  for (const bool reason : {true, false}) {
    const std::vector<Reason>& list = reason ? burst.verdict.reasons : burst.verdict.notes;
    const auto found = std::ranges::find_if(list, [&](const Reason& r) {
      return std::ranges::find(kinds, r.kind) != kinds.end() && r.first_frame == first &&
             r.last_frame == last;
    });
    if (found == list.end()) continue;
    decides = reason;
    return &*found;
  }
  decides = false;
  return nullptr;
}

Finding gap_finding(const BurstAnalysis& burst, const Gap& gap, const Labels& labels) {
  const auto [after, before] = wording::by_time(gap);
  Reason reason = reason_of(gap);
  Finding finding{.kind = gap.soft ? FindingKind::soft_place : FindingKind::gap,
                  .box_px = gap.box_px,
                  .before = after,
                  .after = before};
  if (const Reason* told =
          same_as(burst, {ReasonKind::gap, ReasonKind::gap_from_dark, ReasonKind::soft_place},
                  after, before, finding.decides))
    reason = *told;
  finding.words =
      reason.kind == ReasonKind::soft_place
          ? fmt::format("A little soft between {} and {}.", labels[after], labels[before])
          : wording::sentence(wording::plain_reason(burst, reason, labels));
  finding.numbers = wording::reason_with_numbers(burst, reason);
  const std::optional<double> low = burst.frames[gap.lower].focus_px;
  const std::optional<double> high = burst.frames[gap.upper].focus_px;
  if (low && high) {
    finding.q_px = 0.5 * (*low + *high);
    finding.crop_px = crop_between(burst, *low + burst.blur_limit_px, *high - burst.blur_limit_px);
  }
  return finding;
}

Finding end_finding(const BurstAnalysis& burst, const End& end, const Labels& labels) {
  Reason reason = reason_of(end, wording::is_first_end(burst, end));
  Finding finding{.kind = FindingKind::open_end, .box_px = end.box_px, .after = end.frame};
  if (const Reason* told =
          same_as(burst, {ReasonKind::open_end}, end.frame, end.frame, finding.decides))
    reason = *told;
  finding.words = wording::sentence(wording::plain_reason(burst, reason, labels));
  finding.numbers = wording::reason_with_numbers(burst, reason);
  const std::optional<double> q_px = burst.frames[end.frame].focus_px;
  if (!q_px) return finding;
  constexpr double kFar = 1e12;
  finding.crop_px = end.low ? crop_between(burst, -kFar, *q_px - burst.blur_limit_px)
                            : crop_between(burst, *q_px + burst.blur_limit_px, kFar);
  finding.q_px = end.low ? *q_px - end.beyond_px : *q_px + end.beyond_px;
  // Beside it the next one inwards: it grew sharper towards the end, and had not come there.
  const double step = end.low ? burst.allowed_step_px : -burst.allowed_step_px;
  finding.before = sharpest(burst, 0, burst.frames.size(), *q_px + step, end.frame);
  return finding;
}

Finding moved_finding(const BurstAnalysis& burst, const MovedPart& part, const Labels& labels) {
  const bool to_and_fro = part.kind == MoveKind::to_and_fro;
  Finding finding{.kind = to_and_fro ? FindingKind::trembled : FindingKind::moved,
                  .decides = part.conflict,
                  .box_px = part.box_px};
  const Reason reason{.kind = to_and_fro ? ReasonKind::trembled : ReasonKind::moved,
                      .first_frame = part.frame,
                      .last_frame = part.frame,
                      .width_px = part.shift_px,
                      .width_sd_px = part.shift_sd_px,
                      .box_px = part.box_px};
  const std::string_view where = wording::place_words(burst, part.box_px);
  if (to_and_fro) {
    finding.words = fmt::format("It trembled{}{}.", where.empty() ? "" : ", ", where);
  } else {
    finding.words = wording::sentence(wording::plain_reason(burst, reason, labels));
    if (!part.conflict)
      finding.words += " It was not sharp both before and after: it does no harm.";
  }
  finding.numbers =
      part.conflict || to_and_fro
          ? wording::reason_with_numbers(burst, reason)
          : fmt::format("It moved by {:.2f} px (sd {:.2f} px).", part.shift_px, part.shift_sd_px);
  finding.q_px = depth_in(burst, part.box_px);
  const std::size_t last_before = part.frame > 0 ? part.frame - 1 : 0;
  finding.before = sharpest(burst, 0, last_before, finding.q_px, last_before);
  finding.after = sharpest(burst, part.frame, burst.frames.size(), finding.q_px, part.frame);
  const double margin = 1.5;
  const double edge_px = std::max(kProofEdge * burst.working_px_per_px,
                                  margin * std::max(part.box_px.width, part.box_px.height));
  if (!part.box_px.empty())
    finding.crop_px = square_at(
        burst, {part.box_px.x + 0.5 * part.box_px.width, part.box_px.y + 0.5 * part.box_px.height},
        edge_px);
  return finding;
}

Finding drops_finding(const BurstAnalysis& burst, const DropEvent& event, const Labels& labels) {
  const Reason reason{.kind = ReasonKind::drop_lost,
                      .first_frame = event.before,
                      .last_frame = event.after,
                      .drops = event.count,
                      .box_px = event.box_px};
  Finding finding{.kind = FindingKind::drop_lost,
                  .decides = event.conflict,
                  .words = wording::sentence(wording::plain_reason(burst, reason, labels)),
                  .numbers = event.conflict ? wording::reason_with_numbers(burst, reason)
                                            : std::string("A note: no stack shows it twice."),
                  .box_px = event.box_px,
                  .before = event.before,
                  .after = event.after};
  const auto largest = std::ranges::max_element(burst.drops.lost, {}, [&](const DropChange& drop) {
    const bool of_it = drop.before >= event.before && drop.after <= event.after;
    return of_it ? drop.radius_px : -1.0;
  });
  if (largest == burst.drops.lost.end()) return finding;
  finding.q_px = largest->q_px;
  finding.before = sharpest(burst, 0, event.before, finding.q_px, event.before);
  finding.after = sharpest(burst, event.after, burst.frames.size(), finding.q_px, event.after);
  constexpr double kSurroundings =
      14.0;  // in its radii: the drop is small in it, and found at once
  const double edge_px =
      std::clamp(kSurroundings * largest->radius_px, 0.4 * kProofEdge * burst.working_px_per_px,
                 kProofEdge * burst.working_px_per_px);
  finding.crop_px = square_at(burst, largest->at, edge_px);
  return finding;
}

}  // namespace

std::vector<Finding> findings(const BurstAnalysis& burst) {
  const Labels labels = wording::frame_labels(burst);
  std::vector<Finding> list;
  for (const Gap& gap : burst.coverage.gaps) list.push_back(gap_finding(burst, gap, labels));
  for (const End& end : burst.coverage.ends)
    if (end.open) list.push_back(end_finding(burst, end, labels));
  for (const MovedPart& part : burst.movement.parts)
    list.push_back(moved_finding(burst, part, labels));
  for (const DropEvent& event : drop_events(burst.drops.lost))
    list.push_back(drops_finding(burst, event, labels));
  // What decides comes first.
  std::ranges::stable_partition(list, &Finding::decides);
  return list;
}

}  // namespace ringsweep
