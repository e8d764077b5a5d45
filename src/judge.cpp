#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <utility>

#include "burst/difference_variance.h"
#include "burst/lens_blur.h"
#include "depth_map.h"
#include "ringsweep/analyse.h"
#include "ringsweep/drops.h"
#include "ringsweep/exposure.h"
#include "ringsweep/poses.h"
#include "ringsweep/profiles.h"
#include "ringsweep/registration.h"
#include "ringsweep/subject.h"
#include "ringsweep/sweeps.h"
#include "ringsweep/thin_lens.h"
#include "ringsweep/upright.h"
#include "said_subject.h"
#include "sweeps_apart.h"
#include "upright_map.h"
#include "usable_frames.h"

namespace ringsweep {
namespace {

constexpr double kGreenMm = 0.00055;  // wavelength for the quarter-wave blur

/// All that is decided of one measured burst, in the order of the design.
class Judge {
 public:
  Judge(const MeasuredBurst& burst, const AnalysisOptions& options)
      : burst_(burst), options_(options) {}

  BurstAnalysis run();

 private:
  [[nodiscard]] bool nothing_measured();
  void describe_measured();
  void know_the_lens();
  void hold_frames_against_the_limit();
  void allow_for_lens_blur();
  [[nodiscard]] std::optional<BurstAnalysis> sweeps_apart();
  void cut_into_sweeps();
  void find_near_side();
  void look_for_the_subject();
  bool forgive_shake_off_the_subject();
  void find_the_subject();
  [[nodiscard]] UprightMap upright() const;
  [[nodiscard]] CoverageOptions coverage_options() const;
  [[nodiscard]] double share_sharp(const FocalPositions& part) const;
  [[nodiscard]] cv::Rect box_between(double low_px, double high_px) const;
  [[nodiscard]] Coverage coverage_of(const FocalPositions& part,
                                     const CoverageOptions& options) const;
  void place(Coverage& coverage) const;
  void count_at_other_limits();
  [[nodiscard]] std::size_t as_measured(std::size_t sweep) const;
  void compare_the_sweeps();
  void find_what_is_outside();
  [[nodiscard]] FocalPositions only_frames(const std::function<bool(std::size_t)>& in) const;
  [[nodiscard]] FocalPositions only_sweeps(const std::vector<std::size_t>& sweeps) const;
  void place_movement();
  void find_jumps();
  void place(DropChange& drop) const;
  void place_drops();
  void decide_coverage();
  [[nodiscard]] VerdictOptions options_for_part() const;
  [[nodiscard]] Verdict decide_pose(const FocalPositions& part, const Coverage& coverage) const;
  void open_for_moved_lights(Coverage& coverage, const FocalPositions& part) const;
  void split_at_conflicts();
  void note_movement();
  void note_left_out();
  void limit_by_size();
  void describe_frames();

  const MeasuredBurst& burst_;
  const AnalysisOptions& options_;
  BurstAnalysis out_;
  KnownLens lens_;
  FocalPositions focus_;  ///< of the burst, held against the limit, grown towards near if known
  bool turned_ = false;   ///< against the fit
  std::vector<SweepRange> ranges_;
  SubjectWish wish_;
  Subject subject_;
  std::vector<bool> no_light_;  ///< frames that the flash did not light
  KnownEnds known_;
  double lens_blur_px_ = 0.0;  ///< diameter that no frame is sharper than; 0: not known
};

bool Judge::nothing_measured() {
  if (burst_.any) return false;
  out_.fit_status = FitStatus::too_few_frames;
  out_.verdict.reasons.push_back({.kind = ReasonKind::too_few_frames});
  return true;
}

void Judge::describe_measured() {
  out_.folder = burst_.folder;
  out_.frames.resize(burst_.frames.size());
  out_.orientation = burst_.orientation;
  out_.full_size = burst_.full_size;
  out_.full_px_per_file_px = burst_.full_px_per_file_px;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    const MeasuredFrame& measured = burst_.frames[k];
    const std::optional<double>& time_s = burst_.refs[k].time_s;
    FrameAnalysis& frame = out_.frames[k];
    frame.file = burst_.refs[k].file;
    if (time_s && !out_.start_s) out_.start_s = time_s;
    if (time_s) frame.time_s = *time_s - *out_.start_s;
    frame.problem = measured.problem;
    if (frame.problem.empty())
      out_.full_size_from = std::max(out_.full_size_from, burst_.refs[k].full_size_from);
    frame.flags = measured.flags;
    frame.gain_ev = measured.exposure.gain_ev;
    // What brings it to the reference is the inverse.
    frame.scale = std::exp(-measured.reference_from_frame.log_scale);
    frame.reference_from_frame = measured.full_reference_from_frame;
  }
  if (out_.full_size.empty()) return;
  out_.working_px_per_px = burst_.reduction;
  out_.blur_limit_px = options_.blur_limit_px.value_or(default_blur_limit_px(out_.full_size));
  out_.allowed_step_px = 2.0 * out_.blur_limit_px;
}

void Judge::know_the_lens() {
  lens_ = known_lens(burst_.refs, options_.lens);
  out_.ring = ring_scale_of(lens_, options_.lens);
  out_.working_f_number_given = lens_.working_f_number.has_value();
  const auto f_number = lens_.working_f_number ? lens_.working_f_number : lens_.f_number;
  if (f_number && lens_.pitch_mm)
    out_.quarter_wave_blur_px = quarter_wave_blur_px(kGreenMm, *f_number, *lens_.pitch_mm);
  out_.wave_model = lens_.wave_model();
}

void Judge::hold_frames_against_the_limit() {
  focus_ = without_shaken(burst_.focus, out_.blur_limit_px);
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    out_.frames[k].shake_px = focus_.frames[k].shake_px;
    if (shook(focus_.frames[k], out_.blur_limit_px))
      out_.frames[k].flags.push_back(FrameFlag::shaken);
  }
  out_.fit_status = focus_.status;
  out_.fit_reason = focus_.reason;
  out_.haze = burst_.haze;
  if (out_.wave_model) lens_blur_px_ = out_.quarter_wave_blur_px.value_or(0.0);
  if (!out_.wave_model && focus_.status == FitStatus::converged) allow_for_lens_blur();
  out_.scale_sd = focus_.scale_sd;
  out_.reference = burst_.reference;
}

/// Discs make distances too short where the lens is not sharp: widens the scale's sd, and says so.
void Judge::allow_for_lens_blur() {
  const LensBlurSigns signs = find_lens_blur_signs(burst_.profiles, focus_);
  const auto blur =
      lens_blur(signs, burst_.profiles.full_px_per_px, out_.quarter_wave_blur_px.value_or(0.0));
  if (blur) lens_blur_px_ = blur->quarter_wave_px;
  if (blur && blur->short_by <= 0.0) return;
  out_.lens_doubt = {.quarter_wave_px = blur ? std::optional(blur->quarter_wave_px) : std::nullopt,
                     .needs_working_f_number = !lens_.working_f_number,
                     .needs_pitch = !lens_.pitch_mm};
  const char* remedy = lens_.pitch_mm           ? "--working-f-number"
                       : lens_.working_f_number ? "--pitch-um"
                                                : "--working-f-number and --pitch-um";
  focus_.scale_sd = scale_sd_with(blur.value_or(kLensBlurNotTold), focus_.scale_sd);
  if (!blur) {
    out_.notes.push_back(std::string("The pictures do not tell how much the lens itself blurs; if "
                                     "much, distances are longer than said: say ") +
                         remedy + ".");
    return;
  }
  out_.notes.push_back("The lens's own blur (diffraction, most likely) is about " +
                       std::to_string(std::lround(blur->quarter_wave_px)) +
                       " px here, and distances may be longer than said: with " + remedy +
                       " they would be better known.");
}

/// Where the frames do not agree, those of each sweep may.
std::optional<BurstAnalysis> Judge::sweeps_apart() {
  if (burst_.apart.empty()) return std::nullopt;
  std::vector<SweepAlone> sweeps;
  for (const MeasuredSweep& sweep : burst_.apart)
    sweeps.push_back({.first = sweep.first, .analysis = judge(sweep.burst, options_)});
  return put_together(out_, std::move(sweeps));
}

void Judge::cut_into_sweeps() {
  ranges_ = find_sweeps(focus_, least_turn_px(out_.blur_limit_px), burst_.time_s());
}

void Judge::find_near_side() {
  NearSideClues clues{.picture = burst_.picture_tells_near};
  // Without a sweep there is no end at which it began.
  if (!ranges_.empty()) {
    clues.first_end = options_.first_end;
    clues.first_sweep_rises = ranges_.front().rising;
  }
  if (options_.larger_picture && focus_.status == FitStatus::converged) {
    // Of the pictures themselves: what brings them to the reference is the inverse.
    std::vector<double> of_picture;
    for (const MeasuredFrame& frame : burst_.frames)
      of_picture.push_back(-frame.reference_from_frame.log_scale);
    clues.lens = lens_tells(focus_, of_picture, *options_.larger_picture);
  }
  out_.near_side = weigh_near_side(clues);
  turned_ = out_.near_side.known() && out_.near_side.probability < 0.5;
  focus_ = grown_towards_near(std::move(focus_), out_.near_side);
  cut_into_sweeps();
  if (!out_.near_side.contradicted) return;
  const std::string said = out_.near_side.from == NearSideSource::lens
                               ? "What is known of the lens says which end is near"
                               : std::string("You said that the first sweep began at the ") +
                                     (*clues.first_end == Side::near ? "near end" : "far end");
  out_.notes.push_back(said +
                       "; the pictures speak against it: what hides what at depth edges, and how "
                       "blurred the background is, say the other.");
}

UprightMap Judge::upright() const {
  return {.reference_from_grid = burst_.reference_from_grid,
          .full_size = out_.full_size,
          .orientation = out_.orientation,
          .tile_px = burst_.grid.tile_px};
}

CoverageOptions Judge::coverage_options() const {
  // No step makes a picture sharper than the lens; but more blur than the handbooks allow is blur.
  const double coarsest_px = handbook_blur_limit_px(out_.full_size);
  CoverageOptions options{.blur_limit_px = out_.blur_limit_px};
  options.least_width_px = 2.0 * std::min(lens_blur_px_, coarsest_px);
  if (!options_.subject.outline.empty() || !options_.subject.mask.empty()) options.gap_share = 0.0;
  return options;
}

void Judge::look_for_the_subject() {
  subject_ = find_subject(burst_.profiles, focus_, out_.blur_limit_px, burst_.view, wish_);
  // Positions that are not to be trusted cover nothing, and leave no gap either.
  known_ = {.towards_near = out_.near_side.probability,
            .subject_trusted = subject_.trusted,
            .range_said = subject_.said,
            .perch_low = subject_.perch_low,
            .perch_high = subject_.perch_high};
  if (focus_.status == FitStatus::converged)
    out_.coverage = coverage_of(focus_, coverage_options());
}

/// Where a frame shows nothing sharp, shake looks much like defocus; and nobody misses it.
/// @return whether there was any
bool Judge::forgive_shake_off_the_subject() {
  if (!out_.coverage.has_subject) return false;
  const double low_px = out_.coverage.subject_low_px - out_.blur_limit_px;
  const double high_px = out_.coverage.subject_high_px + out_.blur_limit_px;
  bool any = false;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FocalPosition& frame = focus_.frames[k];
    if (frame.usable || !burst_.focus.frames[k].usable || !frame.q_px ||
        (*frame.q_px >= low_px && *frame.q_px <= high_px))
      continue;
    frame.usable = any = true;
    std::erase(out_.frames[k].flags, FrameFlag::shaken);
  }
  return any;
}

void Judge::find_the_subject() {
  wish_ = wish_on_grid(options_.subject,
                       {.burst = burst_,
                        .focus = focus_,
                        .upright = upright(),
                        .near_known = out_.near_side.known()},
                       out_.notes);
  look_for_the_subject();
  if (forgive_shake_off_the_subject()) {
    cut_into_sweeps();
    look_for_the_subject();
  }
  place(out_.coverage);
}

/// Share of the subject within the blur limit of a usable frame.
double Judge::share_sharp(const FocalPositions& part) const {
  std::size_t sharp = 0;
  for (const double q : subject_.positions_px)
    sharp += std::ranges::any_of(part.frames,
                                 [&](const FocalPosition& f) {
                                   return f.usable && f.q_px &&
                                          std::abs(*f.q_px - q) <= out_.blur_limit_px;
                                 })
                 ? 1U
                 : 0U;
  return static_cast<double>(sharp) /
         static_cast<double>(std::max<std::size_t>(1, subject_.positions_px.size()));
}

/// Around the subject's tiles between two positions, full-size px of the upright reference frame.
/// Of scattered ones the outermost twentieth on each side is left out.
cv::Rect Judge::box_between(double low_px, double high_px) const {
  std::vector<double> x, y;
  const UprightMap map = upright();
  for (std::size_t t = 0; t < burst_.profiles.tiles.size(); ++t) {
    const double q = focus_.tiles[t].q_px;
    if (subject_.roles[t] != TileRole::subject || q <= low_px || q >= high_px) continue;
    const cv::Point2d p = map.tile(burst_.profiles.tiles[t].row, burst_.profiles.tiles[t].col);
    x.push_back(p.x);
    y.push_back(p.y);
  }
  if (x.empty()) return {};
  std::ranges::sort(x);
  std::ranges::sort(y);
  const std::size_t skip = x.size() / 20;
  const double half = 0.5 * burst_.grid.tile_px * burst_.reduction;
  const cv::Point top_left(cvFloor(x[skip] - half), cvFloor(y[skip] - half));
  const cv::Point bottom_right(cvCeil(x[x.size() - 1 - skip] + half),
                               cvCeil(y[y.size() - 1 - skip] + half));
  return cv::Rect(top_left, bottom_right) & cv::Rect({}, map.size());
}

/// Of the subject by some of the frames.
Coverage Judge::coverage_of(const FocalPositions& part, const CoverageOptions& options) const {
  Coverage coverage = assess_coverage(part, subject_.positions_px, options);
  for (End& end : coverage.ends)
    open_where_lights_lie(end,
                          lights_beyond_sweep(burst_.lights, burst_.profiles, part, subject_,
                                              end.low, options.blur_limit_px),
                          known_);
  open_where_cut_off(coverage, known_);
  return coverage;
}

void Judge::place(Coverage& coverage) const {
  const double b = out_.blur_limit_px;
  for (Gap& gap : coverage.gaps)
    gap.box_px =
        box_between(*focus_.frames[gap.lower].q_px + b, *focus_.frames[gap.upper].q_px - b);
  for (End& end : coverage.ends) {
    const double q = *focus_.frames[end.frame].q_px;
    constexpr double kFar = 1e12;
    // Where it is cut off, what is nearest to there.
    const double from = end.subject_share > 0.0 ? b : 0.5 * b;
    if (end.subject_share > 0.0 || end.open)
      end.box_px = end.low ? box_between(-kFar, q - from) : box_between(q + from, kFar);
  }
}

void Judge::count_at_other_limits() {
  for (const double limit : {2.0, std::hypot(out_.full_size.width, out_.full_size.height) / 3000.0,
                             handbook_blur_limit_px(out_.full_size)}) {
    CoverageOptions options = coverage_options();
    options.blur_limit_px = limit;
    const Coverage coverage = coverage_of(focus_, options);
    LimitRow row{.blur_limit_px = limit};
    for (const Gap& gap : coverage.gaps) ++(gap.soft ? row.soft : row.gaps);
    for (const End& end : coverage.ends) row.open_ends += end.open ? 1 : 0;
    out_.limits.push_back(row);
  }
  std::ranges::sort(out_.limits, {}, &LimitRow::blur_limit_px);
}

/// Frames were measured in sweeps that another blur limit may have cut otherwise: the one in which
/// the middle of this one lies.
std::size_t Judge::as_measured(std::size_t sweep) const {
  return sweep_of(burst_.sweeps, (ranges_[sweep].first + ranges_[sweep].last) / 2);
}

void Judge::compare_the_sweeps() {
  std::vector<FrameView> views;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    // Of the picture itself: what brings it to the reference is the inverse.
    const Similarity& s = burst_.frames[k].reference_from_frame;
    const double width = out_.full_size.width / burst_.thumbnail_px;
    constexpr double kDegrees = 180.0 / std::numbers::pi;
    views.push_back({.log_scale = -s.log_scale,
                     .rotation_deg = -kDegrees * s.rotation_rad,
                     .shift_x = -s.shift_x_px / width,
                     .shift_y = -s.shift_y_px / width,
                     .light_ev = burst_.frames[k].exposure.gain_ev});
  }
  const std::vector<SweepDifference> differences = compare_sweeps(focus_, ranges_, views);
  for (std::size_t i = 0; i < differences.size(); ++i) {
    SweepDifference& difference = out_.sweeps[i].difference;
    difference = differences[i];
    const std::size_t measured = as_measured(i);
    difference.light_from_elsewhere =
        burst_.lit_alike[measured] != burst_.lit_alike[as_measured(0)];
    difference.drop_size = std::ranges::any_of(
        out_.movement.grown, [&](const GrownPart& part) { return part.sweep <= measured; });
    const std::vector<double>& parallax_px = out_.movement.parallax_px;
    if (measured < parallax_px.size() && parallax_px[measured] > out_.blur_limit_px)
      difference.viewpoint_px = parallax_px[measured];
  }
}

void Judge::find_what_is_outside() {
  constexpr double kLeastShare = 0.01;  // of the subject; ours, no source
  std::vector<cv::Mat> seen;
  for (const MeasuredFrame& frame : burst_.frames) seen.push_back(frame.valid);
  const Outside outside =
      outside_picture(burst_.profiles, focus_, subject_, seen, out_.blur_limit_px);
  if (outside.subject_share < kLeastShare) return;
  out_.verdict.notes.push_back({.kind = ReasonKind::outside_picture,
                                .first_frame = outside.first_frame,
                                .last_frame = outside.last_frame,
                                .subject_share = outside.subject_share});
}

/// Others cover nothing.
FocalPositions Judge::only_frames(const std::function<bool(std::size_t)>& in) const {
  FocalPositions part = focus_;
  for (std::size_t k = 0; k < part.frames.size(); ++k)
    part.frames[k].usable = part.frames[k].usable && in(k);
  return part;
}

/// The frames of these sweeps.
FocalPositions Judge::only_sweeps(const std::vector<std::size_t>& sweeps) const {
  return only_frames([&](std::size_t k) {
    return std::ranges::any_of(
        sweeps, [&](std::size_t i) { return k >= ranges_[i].first && k <= ranges_[i].last; });
  });
}

void Judge::place_movement() {
  out_.movement = burst_.movement;
  find_conflicts(out_.movement, focus_, subject_.roles, out_.blur_limit_px);
  const UprightMap map = upright();
  for (MovedPart& part : out_.movement.parts) part.box_px = map.box(part.box_on_grid);
}

/// Of the whole picture, where they take a visible piece off its edge.
void Judge::find_jumps() {
  constexpr double kLeastShare = 0.01;  // of the picture's width: ours, no source
  std::vector<cv::Vec2d> middle_px;
  for (const MeasuredFrame& frame : burst_.frames) {
    const Similarity& s = frame.reference_from_frame;  // what the picture did is the inverse
    middle_px.push_back(-burst_.thumbnail_px * cv::Vec2d(s.shift_x_px, s.shift_y_px));
  }
  out_.whole_shifts =
      find_whole_shifts(focus_, ranges_, middle_px, kLeastShare * out_.full_size.width);
}

/// From px of the grid to full-size px of the upright reference frame; and from the surface that
/// carries the drop to the drop's front, where it is known which way that is.
void Judge::place(DropChange& drop) const {
  // Blur per px of depth is m / N_w (thin lens), 1/16 for life size at f/8, and a drop's front
  // stands between one and two radii before what it sits on.
  constexpr double kFrontPx = 1.6 / 16.0;  // of blur per px of radius
  drop.at = upright().point(drop.at);
  drop.radius_px *= burst_.reduction;
  drop.reach_px *= burst_.reduction;
  drop.q_px *= turned_ ? -burst_.reduction : burst_.reduction;
  if (out_.near_side.known()) drop.q_px += kFrontPx * drop.radius_px;
}

void Judge::place_drops() {
  if (options_.ignore_drops) return;
  out_.drops = burst_.drops;
  std::vector<DropFrame> frames;
  for (const FocalPosition& frame : focus_.frames)
    frames.push_back({.q_px = frame.q_px.value_or(0.0), .usable = frame.usable && frame.q_px});
  const cv::Mat& said = wish_.mask;
  // A drop's focal position errs by 0.75 px, and a loss that is passed over is worse than one too
  // many: even where it is rather not sharp on both sides it counts. Of 241 losses of open seeds 21
  // of 96 count so that should not, 8 of 145 do not that should.
  constexpr double kMarginPx = 0.15;
  const double limit_px = out_.blur_limit_px + kMarginPx * burst_.reduction;
  for (DropChange& drop : out_.drops.lost) {
    const cv::Point tile(static_cast<int>(drop.at.x) / burst_.grid.tile_px,
                         static_cast<int>(drop.at.y) / burst_.grid.tile_px);
    const bool in_said = !said.empty() && cv::Rect({}, said.size()).contains(tile) &&
                         said.at<std::uint8_t>(tile) != 0;
    place(drop);
    drop.conflict = said.empty() ? sharp_on_both_sides(drop, frames, limit_px) : in_said;
  }
  for (DropChange& drop : out_.drops.appeared) place(drop);
}

void Judge::decide_coverage() {
  std::vector<FrameExposure> exposure;
  for (const MeasuredFrame& frame : burst_.frames) {
    const FrameExposure& e = exposure.emplace_back(frame.exposure);
    no_light_.push_back(e.dark || (e.dim && !e.usable) || e.partly_lit);
  }
  out_.subject_trusted = subject_.trusted;
  out_.subject_said = subject_.said;
  out_.verdict = decide(focus_, out_.coverage, ranges_, no_light_, out_.allowed_step_px, known_);
  if (focus_.status == FitStatus::converged) count_at_other_limits();
  for (std::size_t i = 0; i < ranges_.size(); ++i) {
    const FocalPositions part = only_sweeps({i});
    Coverage coverage = coverage_of(part, coverage_options());
    place(coverage);
    out_.sweeps.push_back({.first = ranges_[i].first,
                           .last = ranges_[i].last,
                           .rising = ranges_[i].rising,
                           .verdict = decide(part, coverage, {ranges_[i]}, no_light_,
                                             out_.allowed_step_px, known_, options_for_part()),
                           .gaps = coverage.gaps});
  }
  compare_the_sweeps();
  if (focus_.status == FitStatus::converged) find_what_is_outside();
  if (out_.verdict.kind == VerdictKind::complete) {
    out_.complete_sweeps =
        fewest_complete(ranges_.size(), [&](const std::vector<std::size_t>& sweeps) {
          if (sweeps.size() == 1)
            return out_.sweeps[sweeps[0]].verdict.kind == VerdictKind::complete;
          const FocalPositions part = only_sweeps(sweeps);
          return decide(part, coverage_of(part, coverage_options()), ranges_, no_light_,
                        out_.allowed_step_px, known_, options_for_part())
                     .kind == VerdictKind::complete;
        });
  }
  const std::vector<std::optional<double>> time_s = burst_.time_s();
  out_.advice = advise({.focus = focus_,
                        .subject_px = subject_.positions_px,
                        .sweeps = ranges_,
                        .exposure = exposure,
                        .time_s = time_s,
                        .blur_limit_px = out_.blur_limit_px});
}

/// How much of the subject lies beyond a part's far end is seen where the burst goes on there.
VerdictOptions Judge::options_for_part() const {
  VerdictOptions options;
  const bool far_is_low = known_.towards_near >= 0.5;
  if (std::ranges::none_of(out_.coverage.ends,
                           [&](const End& end) { return end.open && end.low == far_is_low; }))
    options.far_share = options.far_share_seen;
  return options;
}

/// An end that the sweep went on to cover is wanted, even where it is not known to be the near one.
Verdict Judge::decide_pose(const FocalPositions& part, const Coverage& coverage) const {
  VerdictOptions options = options_for_part();
  if (std::ranges::none_of(out_.coverage.ends, &End::open)) options.unknown_share = 0.0;
  const auto decided = [&](const Coverage& of, const KnownEnds& known) {
    return decide(part, of, ranges_, no_light_, out_.allowed_step_px, known, options);
  };
  if (!known_.subject_trusted && !known_.range_said) {
    Coverage lost = coverage;
    lost.ends = ends_lost(coverage, out_.coverage, options.far_share);
    KnownEnds all = known_;
    all.range_said = true;
    Verdict verdict = decided(lost, all);
    if (!is_complete(verdict.kind)) return verdict;
  }
  return decided(coverage, known_);
}

/// A pose lacks what has moved where its lights are sharp beyond it, in frames of other poses.
void Judge::open_for_moved_lights(Coverage& coverage, const FocalPositions& part) const {
  std::vector<bool> in_pose;
  for (const FocalPosition& frame : part.frames) in_pose.push_back(frame.usable && frame.q_px);
  std::vector<cv::Rect2d> boxes;
  for (const MovedPart& moved : out_.movement.parts)
    if (moved.conflict) boxes.push_back(moved.box_on_grid);
  for (End& end : coverage.ends)
    open_where_lights_lie(end,
                          lights_beyond_pose(burst_.lights, focus_, in_pose, boxes, end.low,
                                             out_.blur_limit_px, burst_.reduction),
                          known_);
}

/// Coverage is decided pose by pose: where a part moved, frames before and after do not go
/// together.
void Judge::split_at_conflicts() {
  const std::vector<Reason> reasons = conflict_reasons(out_.movement, out_.drops);
  std::vector<std::size_t> firsts;
  // Frames that do not tell whether it was before or after are a pose of their own.
  for (const Reason& reason : reasons) {
    firsts.push_back(reason.last_frame);
    if (reason.kind == ReasonKind::drop_lost) firsts.push_back(reason.first_frame + 1);
  }
  const std::vector<std::size_t> pose = number_poses(out_.frames.size(), firsts);
  for (std::size_t k = 0; k < pose.size(); ++k) out_.frames[k].pose = pose[k];
  if (reasons.empty()) return;
  CoverageOptions of_pose = coverage_options();
  of_pose.end_doubt = 0.0;  // the other poses show what it lacks
  // A pose that shows the whole animal will do; of the perch the other poses show more.
  const auto judged = [&](const FocalPositions& part) {
    Coverage coverage = assess_coverage(part, subject_.animal_px, of_pose);
    open_for_moved_lights(coverage, part);
    place(coverage);
    return PoseJudged{.verdict = decide_pose(part, coverage),
                      .subject_share = share_sharp(part),
                      .usable = static_cast<std::size_t>(std::ranges::count_if(
                          part.frames, [](const FocalPosition& f) { return f.usable && f.q_px; }))};
  };
  std::vector<PoseJudged> poses;
  for (std::size_t i = 0; i <= pose.back(); ++i)
    poses.push_back(judged(only_frames([&](std::size_t k) { return pose[k] == i; })));
  const std::size_t best = best_pose(poses);
  for (std::size_t k = 0; k < pose.size(); ++k)
    if (pose[k] != best) out_.frames[k].flags.push_back(FrameFlag::moved);
  out_.verdict = decide_with_conflicts(out_.verdict, reasons, poses);
  for (Sweep& sweep : out_.sweeps) {
    const auto within = [&](std::size_t k) { return k >= sweep.first && k <= sweep.last; };
    std::vector<Reason> inside;
    for (const Reason& reason : reasons)
      if (reason.last_frame > sweep.first && reason.last_frame <= sweep.last)
        inside.push_back(reason);
    std::vector<PoseJudged> parts;
    for (std::size_t i = pose[sweep.first]; i <= pose[sweep.last]; ++i)
      parts.push_back(
          judged(only_frames([&](std::size_t k) { return within(k) && pose[k] == i; })));
    sweep.verdict = decide_with_conflicts(sweep.verdict, inside, parts);
  }
  out_.complete_sweeps.clear();
  if (out_.verdict.kind != VerdictKind::complete_without) return;
  out_.complete_sweeps =
      fewest_complete(ranges_.size(), [&](const std::vector<std::size_t>& sweeps) {
        FocalPositions part = only_sweeps(sweeps);
        for (std::size_t k = 0; k < pose.size(); ++k)
          part.frames[k].usable = part.frames[k].usable && pose[k] == best;
        return is_complete(judged(part).verdict.kind);
      });
}

/// What moved and changes nothing, and what it says of the animal.
void Judge::note_movement() {
  std::vector<std::size_t> moves(ranges_.size()), trembling(ranges_.size());
  const MovedPart* largest = nullptr;
  for (const MovedPart& part : out_.movement.parts) {
    if (ranges_.empty()) return;
    if (part.kind == MoveKind::to_and_fro) {
      for (const std::size_t k : part.moves) ++trembling[sweep_of(ranges_, k)];
      // Trembling of what is blurred does a stack no harm.
      if (part.sharp_on_both_sides() && (largest == nullptr || part.shift_px > largest->shift_px))
        largest = &part;
    } else {
      ++moves[sweep_of(ranges_, part.frame)];
    }
  }
  if (largest != nullptr) {
    const auto calmest =
        static_cast<std::size_t>(std::ranges::min_element(trembling) - trembling.begin());
    Reason note{.kind = ReasonKind::trembled,
                .first_frame = largest->frame,
                .last_frame = largest->frame,
                .width_px = largest->shift_px,
                .width_sd_px = largest->shift_sd_px,
                .box_px = largest->box_px};
    if (ranges_.size() > 1 && 2 * trembling[calmest] < *std::ranges::max_element(trembling)) {
      note.calm_first = ranges_[calmest].first;
      note.calm_last = ranges_[calmest].last;
    }
    out_.verdict.notes.push_back(note);
  }
  // More from each sweep to the next, and one alone is no habit.
  constexpr std::size_t kFewest = 2;
  if (moves.size() > 1 && moves.back() >= kFewest &&
      std::ranges::adjacent_find(moves, std::greater_equal<>()) == moves.end())
    out_.verdict.notes.push_back({.kind = ReasonKind::waking});
}

/// Checks for which there was not the memory.
void Judge::note_left_out() {
  const auto note = [&](const char* what, std::size_t bytes) {
    constexpr double kMegabyte = 1e6;
    if (bytes > 0)
      out_.notes.push_back(
          std::string(what) + " not looked for, for want of memory: with --memory " +
          std::to_string(std::lround(std::ceil(static_cast<double>(bytes) / kMegabyte))) +
          " they would be.");
  };
  note("Parts that moved were", burst_.movement_needs_bytes);
  if (!options_.ignore_drops) note("Lost drops were", burst_.drops_need_bytes);
}

/// What a reduced copy does not show cannot be told.
void Judge::limit_by_size() {
  const ShownSize shown{.blur_limit_px = out_.blur_limit_px,
                        .full_px_per_file_px = out_.full_px_per_file_px,
                        .unknown = out_.full_size_from == FullSizeFrom::unknown};
  out_.too_small = too_small(shown);
  if (!out_.too_small) return;
  out_.verdict = limited_by_size(std::move(out_.verdict), shown);
  for (Sweep& sweep : out_.sweeps) sweep.verdict = limited_by_size(std::move(sweep.verdict), shown);
  out_.complete_sweeps.clear();
}

void Judge::describe_frames() {
  const std::size_t none = out_.frames.size();
  std::size_t sweep = 0, previous = none;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FrameAnalysis& frame = out_.frames[k];
    frame.focus_px = focus_.frames[k].q_px;
    frame.focus_sd_px = focus_.frames[k].sd_px;
    frame.scale_off_px = focus_.frames[k].scale_off_px;
    frame.usable = focus_.frames[k].usable && frame.focus_px;
    while (sweep < ranges_.size() && k > ranges_[sweep].last) ++sweep, previous = none;
    if (!frame.usable) continue;
    if (previous != none) {
      const double step = std::abs(*frame.focus_px - *out_.frames[previous].focus_px);
      const double sd = std::sqrt(scatter_variance_px2(focus_, previous, k));
      if (step < 0.1 * out_.allowed_step_px && step <= 2.0 * sd)
        frame.flags.push_back(FrameFlag::idle);
    }
    previous = k;
  }
}

BurstAnalysis Judge::run() {
  describe_measured();
  if (!out_.full_size.empty()) know_the_lens();
  if (nothing_measured()) return out_;
  hold_frames_against_the_limit();
  cut_into_sweeps();
  if (auto apart = sweeps_apart()) return *std::move(apart);
  find_near_side();
  find_the_subject();
  out_.look = burst_.look;
  place_movement();
  find_jumps();
  place_drops();
  part_drops_and_movement(out_.movement, out_.drops);
  decide_coverage();
  split_at_conflicts();
  note_movement();
  note_left_out();
  limit_by_size();
  describe_frames();
  out_.depth = depth_map(burst_, focus_, subject_, out_.blur_limit_px, upright());
  return out_;
}

}  // namespace

BurstAnalysis judge(const MeasuredBurst& burst, const AnalysisOptions& options) {
  return Judge(burst, options).run();
}

}  // namespace ringsweep
