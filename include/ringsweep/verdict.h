#pragma once
/// Verdict: coverage -> complete, reshoot or cannot tell, with reasons. What conflicts make of it:
/// poses.h.

#include <algorithm>
#include <cstddef>
#include <functional>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "ringsweep/coverage.h"
#include "ringsweep/lights.h"
#include "ringsweep/sweeps.h"

namespace ringsweep {

enum class VerdictKind { complete, complete_without, reshoot, cannot_tell };

/// As it is, or without some frames: one may leave.
[[nodiscard]] inline bool is_complete(VerdictKind kind) {
  return kind == VerdictKind::complete || kind == VerdictKind::complete_without;
}

enum class ReasonKind {
  covered,        ///< every depth of the subject is sharp in a usable frame
  gap,            ///< `first_frame` and `last_frame` are too far apart
  gap_from_dark,  ///< the same, and frames between them that the flash did not light are the cause
  soft_place,     ///< a note: a gap too narrow, too small or too doubtful to shoot again for it
  open_end,       ///< subject beyond the outermost usable frame `first_frame`
  perch_goes_on,  ///< a note: stem, blade or leaf beyond `first_frame`, left out of the subject
  moved,          ///< a conflict: a part is elsewhere from `first_frame` on, by `width_px`
  trembled,  ///< a note: a part went to and fro from `first_frame` on; calmest from `calm_first` to
             ///< `calm_last`, where those differ
  waking,    ///< a note: more moves from sweep to sweep
  outside_picture,  ///< a note: subject outside the frames that would show it sharp, which are
                    ///< `first_frame` to `last_frame`
  ends_not_told,   ///< a note: from `first_frame` to `last_frame` all is sharp; what lies beyond is
                   ///< not for us to judge
  too_few_frames,  ///< fewer than 3 usable frames
  no_subject,      ///< nothing is sharp anywhere
  no_sweep,        ///< the ring was not turned
  drop_lost,       ///< `drops` water drops went between `first_frame` and `last_frame`
  fit_not_trusted,     ///< the positions do not agree with the pictures; `detail` says why
  pictures_too_small,  ///< reduced copies, or pictures that may be: what is sharp at full size they
                       ///< do not show. In a reshoot a note
};

/// One reason, as values: report.h words it, plainly or with numbers.
struct Reason {
  ReasonKind kind = ReasonKind::covered;
  std::size_t first_frame = 0;  ///< index in capture order; the frame shot earlier
  std::size_t last_frame = 0;   ///< the frame shot later; the same for an open end
  double width_px = 0.0;        ///< gap width, or how far the subject goes on beyond the end
  double width_sd_px = 0.0;
  double subject_share = 0.0;
  std::size_t drops = 0;       ///< drop_lost: how many
  bool close_call = false;     ///< between 0.85 and 1.15 of what is allowed
  std::size_t calm_first = 0;  ///< trembled: the calmest sweep
  std::size_t calm_last = 0;
  std::size_t lights = 0;  ///< open_end: End::lights
  bool at_start = false;   ///< open_end, perch_goes_on: the end where the first sweep began
  cv::Rect box_px{};       ///< where in the picture: as in Gap
  std::string detail{};    ///< fit_not_trusted: the fit's own words
};

/// What a gap, or a soft place, is as a reason.
[[nodiscard]] Reason reason_of(const Gap& gap);
/// What an open end is as a reason.
[[nodiscard]] Reason reason_of(const End& end, bool at_start);

struct Verdict {
  VerdictKind kind = VerdictKind::cannot_tell;
  std::vector<Reason> reasons;  ///< never empty
  std::vector<Reason> notes{};  ///< what the verdict does not hang on, and is worth knowing
};

/// The ring was turned.
[[nodiscard]] inline bool is_sweep(const Verdict& verdict) {
  return std::ranges::none_of(
      verdict.reasons, [](const Reason& reason) { return reason.kind == ReasonKind::no_sweep; });
}

/// What decides about the ends.
struct KnownEnds {
  double towards_near = 0.5;    ///< probability that positions grow towards near: NearSide
  bool subject_trusted = true;  ///< Subject::trusted
  bool range_said = false;      ///< by the user: what is said is wanted
  bool perch_low = false;       ///< Subject::perch_low
  bool perch_high = false;
};

struct VerdictOptions {
  /// An open far end is a note, until so much of the subject is seen to lie beyond it; an end of
  /// unknown side until so much. Ours, no source. What is blurred in all frames shows its depth at
  /// some places only: on bench/accuracy's open seeds a quarter of the subject and more was seen as
  /// 0.07 to 0.45, less than that as 0.01 to 0.07. Where other frames show it sharp, a quarter of
  /// what is seen of it is a third of its tiles: smooth bodies have few, and thin legs, whose tiles
  /// show ground too, lie far (131 open seeds: 0.33 in the median, 0.27 to 0.40 in half of them).
  double far_share = 0.1;
  double far_share_seen = 0.33;
  double unknown_share = 0.02;
  /// An end that is the far one, or the near one, with this probability is judged as such. Asked
  /// for less than to say it (NearSideOptions): on bench/accuracy's open seeds 17 of 17 between
  /// 0.97 and 0.98 were right. Not less: from 0.9 on 33 of 33 were, but of one ray-traced burst and
  /// what was made of it (a gnat before it, grass that sways) 7 of 22 are not, up to 0.946.
  double likely = 0.97;
};

/// Opens the near end where a perch goes on and the subject is cut off: near what runs out of the
/// picture a body that is blurred in all frames passes for it. Only an end that is likely the near
/// one: the far one may stay soft.
void open_where_cut_off(Coverage& coverage, const KnownEnds& known,
                        const VerdictOptions& options = {});

/// Opens an end beyond which lights lie, unless it is rather the far one, which may stay soft.
void open_where_lights_lie(End& end, const LightsBeyond& lights, const KnownEnds& known);

/// @param dark N, capture order: true for frames that the flash did not light.
/// @param allowed_step_px 2 x blur limit.
[[nodiscard]] Verdict decide(const FocalPositions& focus, const Coverage& coverage,
                             const std::vector<SweepRange>& sweeps, const std::vector<bool>& dark,
                             double allowed_step_px, const KnownEnds& known = {},
                             const VerdictOptions& options = {});

/// How well the files show the full-size picture.
struct ShownSize {
  double blur_limit_px = 2.0;        ///< full-size px
  double full_px_per_file_px = 1.0;  ///< of reduced copies more than 1
  bool unknown = false;              ///< whether they are reduced, and by how much
};

/// Whether the files are too small to show what the blur limit asks for.
[[nodiscard]] bool too_small(const ShownSize& shown);

/// What is left of a verdict where the files are too small: what they show to be missing or moved
/// is so in the full-size pictures, too; what looks well may not be. Unchanged where they are not.
[[nodiscard]] Verdict limited_by_size(Verdict verdict, const ShownSize& shown);

/// The fewest sweeps that are complete together; the earliest of several choices.
/// @param complete  whether these sweeps, rising indices, cover the subject; asked at most
/// 2^num_sweeps times, of more than 12 sweeps for each alone, each pair and all.
/// @return rising indices; empty where not even all together are.
[[nodiscard]] std::vector<std::size_t> fewest_complete(
    std::size_t num_sweeps, const std::function<bool(const std::vector<std::size_t>&)>& complete);

}  // namespace ringsweep
