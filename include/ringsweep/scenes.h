#pragma once
/// Scenes: which frames show the same thing, and the bursts that a picture of something else parts.

#include <cstddef>
#include <optional>
#include <span>
#include <vector>

namespace ringsweep {

/// What a frame shows, as a number: frames of one number show the same. Absent where the frame
/// cannot tell (not read, or without light).
using SceneNumber = std::optional<std::size_t>;

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
