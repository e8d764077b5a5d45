#include "ringsweep/subject.h"

#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <iterator>
#include <limits>
#include <optional>
#include <stdexcept>
#include <utility>

#include "burst/depth_tiles.h"
#include "burst/perch.h"
#include "burst/perch_strip.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

constexpr std::size_t kPiece = 3;    // tiles; fewer are noise
constexpr std::size_t kFewest = 12;  // tiles that can be a subject
constexpr double kBlurredErr = 0.5;  // of what a tile lies beyond an end, so much it may be off
constexpr double kEndsErr = 0.25;    // of the blur limit: so well an animal's ends are told
// The perch ends where a hundredth of it is left; the sweep goes on past it by so many blur limits.
constexpr double kPerchQuantile = 0.01;
constexpr double kPast = 1.25;
constexpr double kAllPerch = 0.9;  // share from which on animal and perch cannot be told apart,
constexpr double kAllPerchOfStrip = 0.95;  // and where the perch is a strip beside which much lies
constexpr double kEndQuantile = 0.005;     // the last hair is no end; as in coverage.cpp

/// The usable frames' outermost positions.
std::optional<std::pair<double, double>> sweep_range(const FocalPositions& focus) {
  std::optional<std::pair<double, double>> range;
  for (const FocalPosition& frame : focus.frames) {
    if (!frame.usable || !frame.q_px) continue;
    if (!range) range = {*frame.q_px, *frame.q_px};
    range->first = std::min(range->first, *frame.q_px);
    range->second = std::max(range->second, *frame.q_px);
  }
  return range;
}

/// Beyond an end, stops at the first break in depth: tiles farther out are `apart`. One tile in 500
/// is noise and bridges nothing.
/// @param direction +1 above, -1 below
void cut_beyond(std::vector<TileRole>& roles, const DepthTiles& field, double edge,
                double direction, const SubjectOptions& options) {
  Tiles beyond;
  for (std::size_t t = 0; t < roles.size(); ++t)
    if (roles[t] == TileRole::subject && direction * (field.q(t) - edge) > 0.0) beyond.push_back(t);
  std::ranges::sort(beyond, {}, [&](std::size_t t) { return direction * field.q(t); });
  const auto subject = static_cast<std::size_t>(std::ranges::count(roles, TileRole::subject));
  const std::size_t run = std::max<std::size_t>(1, subject / 500);
  double last = edge;
  std::size_t kept = 0, pending = 0;
  for (const std::size_t t : beyond) {
    if (direction * (field.q(t) - edge) > options.reach_px ||
        direction * (field.q(t) - last) > options.island_gap_px)
      break;
    if (++pending < run) continue;
    kept += pending;
    pending = 0;
    last = field.q(t);
  }
  for (std::size_t i = kept; i < beyond.size(); ++i) roles[beyond[i]] = TileRole::apart;
}

/// Large things that lie wholly beyond an end: so blurred in all frames that hardly a tile of them
/// is sure of its depth, but together they are on that side. No perch, nor what runs out of the
/// picture: a blurred blade, the background.
/// @param may_be  tiles that can be of one
/// @param shown  how many tiles show their depth
/// @return one a tile
std::vector<bool> blurred_bodies(const DepthTiles& field, const std::vector<bool>& may_be,
                                 std::ptrdiff_t shown, double low_px, double high_px,
                                 const SubjectOptions& options) {
  const double least = std::max(options.body_of_picture * field.size().area(),
                                options.body_of_tiles * static_cast<double>(shown));
  std::vector<bool> bodies(field.count());
  const auto take = [&](const auto& is_beyond) {
    std::vector<bool> beyond(field.count());
    for (std::size_t t = 0; t < beyond.size(); ++t) beyond[t] = may_be[t] && is_beyond(field.q(t));
    for (const Tiles& piece : field.touching(beyond))
      if (static_cast<double>(piece.size()) >= least && !field.reaches_border(piece))
        for (const std::size_t t : piece) bodies[t] = true;
  };
  take([&](double q) { return q < low_px; });
  take([&](double q) { return q > high_px; });
  return bodies;
}

/// A tile of a blurred body is unsure of its depth, those around it together are less so.
double depth_of_body(const DepthTiles& field, const std::vector<bool>& body, std::size_t tile) {
  constexpr int kReach = 2;
  std::vector<double> q{field.q(tile)};
  field.around(tile, kReach, [&](std::size_t other) {
    if (body[other]) q.push_back(field.q(other));
  });
  return quantile_in_place(q, 0.5);
}

/// A drop, say, or a hair: small, and most of what lies around it is perch.
/// @param is_perch, is_other of a tile
template <class IsPerch, class IsOther>
bool lies_on_perch(const DepthTiles& field, const Tiles& piece, const IsPerch& is_perch,
                   const IsOther& is_other) {
  constexpr std::size_t kLargest = 30;  // tiles
  if (piece.size() > kLargest) return false;
  std::size_t perch = 0, other = 0;
  for (const std::size_t t : piece)
    field.around(t, DepthTiles::kLinkTiles, [&](std::size_t n) {
      if (std::ranges::find(piece, n) != piece.end()) return;
      if (is_perch(n)) ++perch;
      if (is_other(n)) ++other;
    });
  return perch > 2 * other;
}

/// Beyond the end at `edge`, drops pieces that are too small, and what runs out of the picture:
/// tiles on or beside a perch's plane, then pieces that reach the border and are no thicker
/// elsewhere.
/// @return whether there is a perch
bool drop_perch_beyond(std::vector<TileRole>& roles, const DepthTiles& field, const Perch& found,
                       double edge, double direction, const SubjectOptions& options) {
  std::vector<bool> beyond(roles.size()), held = found.holds;
  std::size_t perch = 0;
  const auto out_px = [&](std::size_t t) { return direction * (field.q(t) - edge); };
  for (std::size_t t = 0; t < roles.size(); ++t)
    beyond[t] = roles[t] == TileRole::subject && out_px(t) > 0.0 && out_px(t) <= options.reach_px;
  for (bool more = true; more;) {  // from tile to tile
    more = false;
    for (std::size_t t = 0; t < roles.size(); ++t) {
      if (!beyond[t]) continue;
      if (!found.holds[t] && !found.is_beside(t, field) &&
          !found.goes_on_at(t, field, held, kBlurredErr * out_px(t)))
        continue;
      roles[t] = TileRole::perch;
      beyond[t] = false, held[t] = more = true;
      ++perch;
    }
  }
  for (const Tiles& piece : field.pieces(beyond)) {
    const bool runs_out =
        lies_on_perch(
            field, piece, [&](std::size_t t) { return roles[t] == TileRole::perch; },
            [&](std::size_t t) { return roles[t] == TileRole::subject; }) ||
        (field.reaches_border(piece) && field.thick(piece).empty());
    if (piece.size() >= kPiece && !runs_out) continue;
    if (runs_out) perch += piece.size();
    for (const std::size_t t : piece) roles[t] = runs_out ? TileRole::perch : TileRole::stray;
  }
  return perch >= kPiece;
}

/// The perch with drops and hairs on it: no animal.
std::vector<bool> with_what_lies_on_it(const Perch& perch, const std::vector<TileRole>& roles,
                                       const DepthTiles& field) {
  std::vector<bool> whole = perch.holds, rest(roles.size());
  for (std::size_t t = 0; t < roles.size(); ++t) {
    if (roles[t] != TileRole::subject || perch.holds[t]) continue;
    rest[t] = true;
  }
  std::vector<Tiles> small;
  for (const Tiles& piece : field.pieces(rest))
    if (lies_on_perch(
            field, piece, [&](std::size_t t) { return whole[t]; },
            [&](std::size_t t) { return rest[t]; }))
      small.push_back(piece);
  for (const Tiles& piece : small)
    for (const std::size_t t : piece) whole[t] = true;
  return whole;
}

struct NoAnimal {
  std::vector<bool> tiles;  ///< one each
  double most = 0.0;        ///< share of it from which on animal and perch cannot be told apart
};

/// What is perch among the subject and the perch so far: of a strip, by where it lies; else as
/// found.
NoAnimal no_animal(const DepthTiles& field, const Perch& perch, const std::vector<bool>& supported,
                   const std::vector<TileRole>& roles, const SubjectOptions& options) {
  std::vector<bool> known(roles.size()), among(roles.size());
  for (std::size_t t = 0; t < roles.size(); ++t) {
    known[t] = supported[t] && perch.holds[t];
    among[t] = roles[t] == TileRole::subject;
  }
  if (auto told = perch_of_strip(field, known, among, options.seed))
    return {std::move(*told), kAllPerchOfStrip};
  return {with_what_lies_on_it(perch, roles, field), kAllPerch};
}

struct AnimalDepth {
  bool told = false;  ///< else nearly all is perch: animal and perch cannot be told apart
  double from_px = -std::numeric_limits<double>::infinity();
  double to_px = std::numeric_limits<double>::infinity();
};

/// The perch counts as far as the animal's own depth goes: there it is what the animal stands on.
/// And to its end, where the sweep goes on past that: then the whole of it was meant. What of it
/// lies elsewhere gets its role.
/// @param q_px  one a tile
/// @param low, high  the sweep's ends
AnimalDepth leave_perch_at_animal(std::vector<TileRole>& roles, const std::vector<double>& q_px,
                                  const NoAnimal& no_animal, double low, double high,
                                  double blur_limit_px) {
  std::vector<double> animal, perch;
  std::size_t all = 0;
  for (std::size_t t = 0; t < roles.size(); ++t) {
    if (roles[t] == TileRole::perch) perch.push_back(q_px[t]);
    if (roles[t] != TileRole::subject) continue;
    ++all;
    (no_animal.tiles[t] ? perch : animal).push_back(q_px[t]);
  }
  if (static_cast<double>(animal.size()) < (1.0 - no_animal.most) * static_cast<double>(all))
    return {};
  AnimalDepth depth{.told = true};
  if (animal.size() < kFewest) return depth;
  std::ranges::sort(animal);
  std::ranges::sort(perch);
  const double err_px = kEndsErr * blur_limit_px, past_px = kPast * blur_limit_px;
  depth.from_px = quantile_of_sorted(animal, kEndQuantile) - err_px;
  depth.to_px = quantile_of_sorted(animal, 1.0 - kEndQuantile) + err_px;
  double from = depth.from_px, to = depth.to_px;
  if (perch.size() >= kFewest) {
    if (quantile_of_sorted(perch, kPerchQuantile) > low + past_px) from = low;
    if (quantile_of_sorted(perch, 1.0 - kPerchQuantile) < high - past_px) to = high;
  }
  for (std::size_t t = 0; t < roles.size(); ++t)
    if (roles[t] == TileRole::subject && no_animal.tiles[t] && (q_px[t] < from || q_px[t] > to))
      roles[t] = TileRole::perch;
  return depth;
}

}  // namespace

Subject find_subject(const Profiles& profiles, const FocalPositions& focus, double blur_limit_px,
                     const SubjectView& view, const SubjectWish& wish,
                     const SubjectOptions& options) {
  const cv::Size grid(profiles.grid.cols(), profiles.grid.rows());
  if (!wish.mask.empty() && wish.mask.size() != grid)
    throw std::invalid_argument("find_subject: the mask has another size than the grid");
  for (const cv::Mat* mask : {&view.all_see, &view.bands})
    if (!mask->empty() && mask->size() != grid)
      throw std::invalid_argument("find_subject: the view has another size than the grid");
  Subject result;
  result.said = !wish.mask.empty() || wish.low_px || wish.high_px;
  result.roles.assign(profiles.tiles.size(), TileRole::stray);
  const auto range = sweep_range(focus);
  if (!range) return result;
  const DepthTiles field(profiles, focus, view.all_see, options);
  const std::vector<bool> supported = field.supported();
  for (std::size_t t = 0; t < supported.size(); ++t)
    if (supported[t]) result.roles[t] = TileRole::subject;

  const auto not_meant = [&](std::size_t t) {
    const TileProfile& tile = profiles.tiles[t];
    return (!wish.mask.empty() && wish.mask.at<std::uint8_t>(tile.row, tile.col) == 0) ||
           (wish.low_px && field.q(t) < *wish.low_px) ||
           (wish.high_px && field.q(t) > *wish.high_px);
  };
  for (std::size_t t = 0; t < supported.size(); ++t)
    if (supported[t] && not_meant(t)) result.roles[t] = TileRole::not_meant;

  const auto [low, high] = *range;
  AnimalDepth animal{.told = true};
  std::vector<bool> body(supported.size());
  std::vector<double> q_px;
  for (std::size_t t = 0; t < supported.size(); ++t) q_px.push_back(field.q(t));
  if (wish.mask.empty()) {
    const Perch perch = find_perch(field, supported, view.bands, low, high, options);
    result.perch_low =
        drop_perch_beyond(result.roles, field, perch, low - blur_limit_px, -1.0, options);
    result.perch_high =
        drop_perch_beyond(result.roles, field, perch, high + blur_limit_px, 1.0, options);
    std::vector<bool> may_be(supported.size());
    for (std::size_t t = 0; t < supported.size(); ++t) may_be[t] = !perch.holds[t] && !not_meant(t);
    body = blurred_bodies(field, may_be, std::ranges::count(supported, true), low - blur_limit_px,
                          high + blur_limit_px, options);
    for (std::size_t t = 0; t < supported.size(); ++t) {
      if (!body[t]) continue;
      result.roles[t] = TileRole::subject;
      if (!supported[t]) q_px[t] = depth_of_body(field, body, t);
    }
    animal = leave_perch_at_animal(result.roles, q_px,
                                   no_animal(field, perch, supported, result.roles, options), low,
                                   high, blur_limit_px);
  }
  cut_beyond(result.roles, field, low, -1.0, options);
  cut_beyond(result.roles, field, high, 1.0, options);
  for (std::size_t t = 0; t < supported.size(); ++t) {
    if (body[t]) result.roles[t] = TileRole::subject;
    if (result.roles[t] == TileRole::subject)
      result.positions_px.push_back(
          std::clamp(q_px[t], low - options.reach_px, high + options.reach_px));
  }
  std::ranges::sort(result.positions_px);
  std::ranges::copy_if(result.positions_px, std::back_inserter(result.animal_px),
                       [&](double q) { return q >= animal.from_px && q <= animal.to_px; });
  result.trusted = result.positions_px.size() >= kFewest && (animal.told || result.said);
  return result;
}

Outside outside_picture(const Profiles& profiles, const FocalPositions& focus,
                        const Subject& subject, std::span<const cv::Mat> seen,
                        double blur_limit_px) {
  if (seen.size() != focus.frames.size())
    throw std::invalid_argument("outside_picture: one mask for each frame");
  Outside result{.first_frame = focus.frames.size()};
  std::size_t outside = 0;
  for (std::size_t t = 0; t < profiles.tiles.size(); ++t) {
    if (subject.roles[t] != TileRole::subject) continue;
    std::vector<std::size_t> sharp;
    bool any_sees = false;
    for (std::size_t k = 0; k < focus.frames.size(); ++k) {
      const FocalPosition& frame = focus.frames[k];
      if (!frame.usable || !frame.q_px || seen[k].empty() ||
          std::abs(*frame.q_px - focus.tiles[t].q_px) > blur_limit_px)
        continue;
      sharp.push_back(k);
      any_sees =
          any_sees || seen[k].at<std::uint8_t>(profiles.tiles[t].row, profiles.tiles[t].col) != 0;
    }
    if (sharp.empty() || any_sees) continue;
    ++outside;
    result.first_frame = std::min(result.first_frame, sharp.front());
    result.last_frame = std::max(result.last_frame, sharp.back());
  }
  if (outside == 0) return {};
  result.subject_share =
      static_cast<double>(outside) / static_cast<double>(subject.positions_px.size());
  return result;
}

}  // namespace ringsweep
