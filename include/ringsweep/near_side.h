#pragma once
/// Near side: which way positions grow. Sharpness is the same on both sides of the focus, so the
/// fit leaves one sign open (DESIGN section 4).

#include <optional>
#include <span>

#include "ringsweep/background.h"
#include "ringsweep/depth_edges.h"
#include "ringsweep/focal_positions.h"

namespace ringsweep {

enum class Side { near, far };

enum class NearSideSource {
  unknown,  ///< nothing tells it strongly enough: positions may grow either way
  user,
  lens,    ///< learnt before: LensHabit in analyse.h
  picture  ///< what hides what at depth edges, and how blurred the background is
};

/// Which way positions grow, and who says so.
struct NearSide {
  NearSideSource from = NearSideSource::unknown;
  double probability = 0.5;   ///< that positions grow towards near; 1 on the user's word
  bool contradicted = false;  ///< the pictures speak strongly against the user or the lens
  [[nodiscard]] bool known() const { return from != NearSideSource::unknown; }
};

/// All that may tell it. Probabilities are those that positions grow towards near, as they come
/// from the fit; 0.5 says nothing.
struct NearSideClues {
  std::optional<Side> first_end{};  ///< the user: where the burst's first sweep began
  bool first_sweep_rises = true;    ///< positions grow over the first sweep
  double lens = 0.5;                ///< lens_tells()
  double picture = 0.5;             ///< picture_tells()
};

struct NearSideOptions {
  double strong = 0.995;  ///< a clue that is less sure than this tells nothing
};

/// The user goes before the lens, the lens before the picture.
[[nodiscard]] NearSide weigh_near_side(const NearSideClues& clues,
                                       const NearSideOptions& options = {});

/// What a learnt lens says: the picture's registered scale against the positions.
/// @param log_scale N, log of the picture's scale. @param larger_picture the side where this lens
/// makes the picture larger.
/// @return probability that positions grow towards near, 0..1.
/// @throws std::invalid_argument where the two have another size.
[[nodiscard]] double lens_tells(const FocalPositions& focus, std::span<const double> log_scale,
                                Side larger_picture);

/// What the depth edges say, those of one part of the picture as one: they err together.
/// @return probability that positions grow towards near, 0..1; 0.5 where no edge tells.
[[nodiscard]] double edges_tell(std::span<const DepthEdge> edges);

/// What the background says: it is less blurred the nearer to it a frame focuses. It is as sure as
/// its parts agree, and as its frames lie on a line.
/// @return probability that positions grow towards near, 0..1; 0.5 where there are too few parts,
/// or fewer than 5 frames. @throws std::invalid_argument where a part has not N - 1 contrasts.
[[nodiscard]] double background_tells(const Background& background);

/// Both together: they have no pixel in common.
[[nodiscard]] double picture_tells(std::span<const DepthEdge> edges, const Background& background);

/// Positions that grow towards near where the side is known; as they are where it is not. Changes
/// `side.probability` with them.
[[nodiscard]] FocalPositions grown_towards_near(FocalPositions focus, NearSide& side);

}  // namespace ringsweep
