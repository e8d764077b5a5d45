#pragma once
/// Scenes: which frames show the same thing, and the bursts that a picture of something else parts.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/exposure.h"
#include "ringsweep/for_each.h"
#include "ringsweep/registration.h"

namespace ringsweep {

/// What a frame shows, as a number: frames of one number show the same. Absent where the frame
/// cannot tell.
using SceneNumber = std::optional<std::size_t>;

struct SceneOptions {
  std::size_t fewest_frames = 5;  ///< of one scene make a burst: DESIGN section 2
  double black_ev = -2.5;  ///< darker than the scene by more is no light: a flash that missed
                           ///< and a cap on the lens look alike. As dark_ev in exposure.h
};

/// Sorts frames by what they show: alike() on neighbours, then across what parts them.
///
/// A frame unlike all the rest is no evidence of something else where
///   it only lost light: a flash that missed, came weakly or met the shutter;
///   it only lost detail: the ring turned so far that nothing is left of the scene;
///   it is burnt out.
/// So a hand with detail of its own is evidence, and so is a cap or a palm that is smooth, lit and
/// unlike the scene's light; one that lets no light in is not. A doubt speaks for the same scene:
/// a burst torn apart does more harm than two that are judged as one.
/// @param thumbnails N, capture order. @param light N; nullopt where a frame could not be read.
/// @return N; all absent where no scene has `fewest_frames`. Cost O(N).
[[nodiscard]] std::vector<SceneNumber> find_scenes(std::span<const Thumbnail> thumbnails,
                                                   std::span<const std::optional<LightGrid>> light,
                                                   const SceneOptions& options = {},
                                                   const ForEach& for_each = for_each_in_order);

/// A run of frames that is a burst of its own. Frames by index in capture order.
struct SceneRange {
  std::size_t first = 0;
  std::size_t last = 0;  ///< inclusive
  SceneNumber scene{};  ///< of the burst; frames with another number are pictures of something else
};

/// Parts frames where the scene changes, or where something else was shot between, if on either
/// side at least `fewest_frames` of one scene follow one another: DESIGN section 2. What is shorter
/// stays, as pictures of something else, in the burst that it follows (the first, where it follows
/// none): a test shot ends no burst. Frames that cannot tell interrupt nothing; after the last
/// picture of something else they belong to what follows.
/// @return ranges in capture order that together hold every frame; none where there are no frames.
[[nodiscard]] std::vector<SceneRange> split_by_scene(std::span<const SceneNumber> scenes,
                                                     std::size_t fewest_frames = 5);

}  // namespace ringsweep
