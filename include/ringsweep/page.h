#pragma once
/// Page: what the analysis found, stack lists and pictures -> report.html and frames.csv, as
/// strings. Pictures come in as JPEG bytes; nothing is read or written here.

#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "ringsweep/analyse.h"
#include "ringsweep/report.h"
#include "ringsweep/session.h"
#include "ringsweep/stack_list.h"

namespace ringsweep {

enum class FindingKind { gap, soft_place, open_end, moved, trembled, drop_lost };

/// What a burst lacks or what happened in it, with what to look at to see it.
struct Finding {
  FindingKind kind = FindingKind::gap;
  bool decides = false;   ///< the verdict hangs on it
  std::string words{};    ///< one sentence, as the summary says it
  std::string numbers{};  ///< another one with its numbers
  cv::Rect box_px{};      ///< where it is, full-size upright px of the reference frame; maybe empty
  cv::Rect crop_px{};     ///< what the proof shows, the same px; empty: nothing can be shown
  std::size_t before = 0;        ///< frame of the first proof, index in capture order
  std::size_t after = 0;         ///< frame of the second
  std::optional<double> q_px{};  ///< where what is shown would be sharp, px
};

/// Gaps and soft places by position, open ends, parts that moved, drops that went.
[[nodiscard]] std::vector<Finding> findings(const BurstAnalysis& burst);

/// A picture as a browser takes it.
struct PagePicture {
  std::string jpeg;  ///< bytes; empty: there is none
  cv::Size size;     ///< px
};

struct Proof {
  PagePicture before;
  PagePicture after;
};

/// What the page shows of one burst beside numbers.
struct BurstPictures {
  std::vector<PagePicture> frames;  ///< N, capture order, upright
  PagePicture look;           ///< the sharpest of all frames, over the upright reference frame
  std::vector<Proof> proofs;  ///< one a finding
};

/// What the stack list of one burst is made from, and the list of what is wanted.
struct BurstStack {
  StackRange range;
  std::vector<StackFrame> frames;  ///< N
  std::vector<StackList> lists;    ///< all_good_frames()
};

struct PageBurst {
  BurstPictures pictures;
  std::optional<BurstStack> stack;  ///< absent: no list can be made
};

/// What the page knows of the run that made it.
struct PageRun {
  std::string paths;     ///< as the user typed them, quoted for a shell
  std::string left_out;  ///< what was too short to be a burst; may be empty
};

/// report.html: one page with everything in it, which asks for no other file and no network.
/// @param more  one a burst, then one a scene's whole
/// @throws std::invalid_argument where there are not as many of `more` as of these.
[[nodiscard]] std::string report_page(std::span<const BurstAnalysis> bursts,
                                      std::span<const Scene> scenes,
                                      std::span<const PageBurst> more, const PageRun& run);

/// One line a frame, with names and units of report.json, by RFC 4180.
/// @param more  as of report_page()
[[nodiscard]] std::string frames_csv(std::span<const BurstAnalysis> bursts,
                                     std::span<const PageBurst> more);

}  // namespace ringsweep
