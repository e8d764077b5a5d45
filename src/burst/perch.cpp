#include "burst/perch.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>

#include "burst/stem.h"
#include "numerics/quantile.h"

namespace ringsweep {
namespace {

/// What hides a stem's texture here and there (drops, hairs, the animal's shade) ends a band: the
/// candidates that go on as one that reaches the border.
Tiles bands_go_on(const DepthTiles& field, const std::vector<bool>& band, const Tiles& candidates,
                  double off_px) {
  Tiles found;
  for (const Tiles& piece : field.pieces(band)) {
    if (!field.reaches_border(piece)) continue;
    Stem stem(field, piece);
    if (stem.is_one())
      std::ranges::copy(stem.follow(candidates, off_px), std::back_inserter(found));
  }
  return found;
}

}  // namespace

bool Perch::is_beside(std::size_t t, const DepthTiles& field) const {
  bool beside = false;
  field.around(t, DepthTiles::kLinkTiles,
               [&](std::size_t other) { beside = beside || holds[other]; });
  return beside && std::ranges::any_of(surfaces, [&](const Surface& s) {
           return std::abs(s.above_px(field, t)) < 2.0 * off_px && !s.is_thick(t);
         });
}

bool Perch::goes_on_at(std::size_t t, const DepthTiles& field, const std::vector<bool>& held,
                       double err_px) const {
  constexpr int kReach = 2;
  constexpr std::size_t kFewest = 3;
  if (std::ranges::none_of(surfaces, &Surface::wide)) return false;
  Tiles beside;
  field.around(t, kReach, [&](std::size_t other) {
    if (held[other]) beside.push_back(other);
  });
  if (beside.size() < kFewest) return false;
  const double off = std::max(2.0 * off_px, err_px);
  return std::ranges::any_of(surfaces, [&](const Surface& s) {
    if (!s.wide || s.is_thick(t)) return false;
    const double here = s.above_px(field, t);
    if (std::abs(here) < off) return true;
    std::vector<double> above;
    for (const std::size_t other : beside) above.push_back(s.above_px(field, other));
    return std::abs(here - quantile_in_place(above, 0.5)) < off;
  });
}

bool Perch::is_thick(std::size_t t) const {
  return std::ranges::any_of(surfaces, [&](const Surface& s) { return s.is_thick(t); });
}

Perch find_perch(const DepthTiles& field, const std::vector<bool>& supported, const cv::Mat& bands,
                 double low_px, double high_px, const SubjectOptions& options) {
  const double sweep_px = high_px - low_px;
  const double fading_px = options.fading_share * sweep_px;
  std::vector<Fading> fades(field.count(), Fading::no);
  for (std::size_t t = 0; t < fades.size() && sweep_px >= options.strip_sweep_px; ++t)
    fades[t] = field.q(t) < low_px + fading_px    ? Fading::low
               : field.q(t) > high_px - fading_px ? Fading::high
                                                  : Fading::no;
  Perch perch{.holds = std::vector<bool>(field.count()),
              .off_px = std::max(options.plane_px, options.plane_share * sweep_px)};
  perch.surfaces = surfaces_through_picture(field, supported, fades, perch.off_px, options);
  for (const Surface& s : perch.surfaces)
    for (const std::size_t t : s.tiles) perch.holds[t] = true;
  if (bands.empty()) return perch;
  std::vector<bool> band(field.count());
  for (std::size_t t = 0; t < field.count(); ++t) {
    if (bands.at<std::uint8_t>(field.tile(t).row, field.tile(t).col) == 0) continue;
    perch.holds[t] = true;
    band[t] = supported[t];
  }
  Tiles rest;
  for (std::size_t t = 0; t < field.count(); ++t)
    if (supported[t] && !band[t] && !perch.is_thick(t)) rest.push_back(t);
  for (const std::size_t t : bands_go_on(field, band, rest, 2.0 * perch.off_px))
    perch.holds[t] = true;
  return perch;
}

}  // namespace ringsweep
