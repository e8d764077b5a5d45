#pragma once
/// What the user said of the picture and its depth -> the same on a burst's grid and axis.

#include <string>
#include <vector>

#include "ringsweep/analyse.h"
#include "upright_map.h"

namespace ringsweep {

/// Where the user's words are to be found.
struct SaidOf {
  const MeasuredBurst& burst;
  const FocalPositions& focus;  ///< grown towards near, where that is known
  UprightMap upright;
  bool near_known = false;
};

/// @param notes  gets a sentence for each word that is not heeded
[[nodiscard]] SubjectWish wish_on_grid(const SubjectChoice& choice, const SaidOf& of,
                                       std::vector<std::string>& notes);

}  // namespace ringsweep
