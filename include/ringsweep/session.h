#pragma once
/// Session: the bursts of a card -> scenes, the best burst of each, and how the session went.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/analyse.h"

namespace ringsweep {

/// A burst whose picture has lost contrast against the first of its scene.
struct Softer {
  std::size_t burst = 0;
  std::size_t than = 0;        ///< the first of the scene
  double contrast_lost = 0.0;  ///< share of the amplitude, 0..1
};

/// Bursts that show the same subject, by index, rising.
struct Scene {
  std::vector<std::size_t> bursts;
  std::size_t best = 0;  ///< the burst to stack, or the one that lacks least
  /// That of the best, or of `together`.
  VerdictKind verdict = VerdictKind::cannot_tell;
  /// Bursts that are complete together, rising, where none is alone; else empty.
  std::vector<std::size_t> together{};
  /// All of its bursts analysed as one, frames burst by burst, where `together` is not empty.
  std::optional<BurstAnalysis> whole{};
  std::optional<Softer> softer{};  ///< find_softer()
};

/// Groups bursts by what their reference frames show (alike() in registration.h; a doubt parts
/// them), in the order of their first burst. A burst without a picture is its own scene.
/// Cost O(bursts x scenes).
[[nodiscard]] std::vector<Scene> group_scenes(std::span<const BurstAnalysis> bursts);

/// Whether burst `a` is to be preferred to `b`: complete before complete-without before reshoot
/// before cannot-tell; then what lacks less: width of gaps and what lies beyond open ends, in
/// allowed steps; then the smaller widest step.
[[nodiscard]] bool better(const BurstAnalysis& a, const BurstAnalysis& b);

/// The first burst of a scene that has less contrast than its first one by 12 % or more: by the
/// median over the tiles that both focus on, energy against the light of the picture, and eight
/// times its own sd (as in haze.h, ours, no source). Nothing where fewer than 50 tiles tell, where
/// the two are of other sizes, or the picture's scale differs by more than 3 %.
[[nodiscard]] std::optional<Softer> find_softer(std::span<const BurstAnalysis> bursts,
                                                const Scene& scene);

/// Whether the bursts of a scene are worth to be analysed as one: several of them are sweeps, none
/// is complete.
[[nodiscard]] bool may_be_together(std::span<const BurstAnalysis> bursts, const Scene& scene);

/// The scene, now that its bursts were analysed as one.
/// @param whole of all frames of the scene's bursts, burst by burst; anything else changes nothing
[[nodiscard]] Scene judged_together(Scene scene, std::span<const BurstAnalysis> bursts,
                                    BurstAnalysis whole);

/// What a report shows, in its order: the bursts, then the scenes' wholes. Points into both.
[[nodiscard]] std::vector<const BurstAnalysis*> all_shown(std::span<const BurstAnalysis> bursts,
                                                          std::span<const Scene> scenes);

/// How a session went.
struct Session {
  std::size_t bursts = 0, complete_bursts = 0;
  std::size_t sweeps = 0, complete_sweeps = 0;
  std::size_t scenes = 0, complete_scenes = 0;
  /// Bursts that are not complete, by what they lack first.
  std::size_t too_quick = 0;      ///< a gap that the ring made
  std::size_t flash = 0;          ///< a gap that the flash made
  std::size_t began_late = 0;     ///< open end where the sweep began
  std::size_t stopped_early = 0;  ///< open end where it ended
  std::size_t not_told = 0;
  /// Widest step on the subject, in allowed steps: median over the first and the second half of the
  /// bursts that have one. Absent for fewer than four such bursts.
  std::optional<double> first_half_widest{};
  std::optional<double> second_half_widest{};
};

/// Bursts without a ring sweep do not count.
[[nodiscard]] Session sum_up(std::span<const BurstAnalysis> bursts, std::span<const Scene> scenes);

}  // namespace ringsweep
