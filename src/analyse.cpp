#include "ringsweep/analyse.h"

#include <tbb/task_arena.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <stdexcept>
#include <string>
#include <utility>

#include "burst/lens_blur.h"
#include "burst/light_exponent.h"
#include "first_look.h"
#include "frame/sample_windows.h"
#include "majority.h"
#include "measured_frames.h"
#include "ringsweep/bands.h"
#include "ringsweep/drops.h"
#include "ringsweep/exposure.h"
#include "ringsweep/frame_name.h"
#include "ringsweep/poses.h"
#include "ringsweep/profiles.h"
#include "ringsweep/registration.h"
#include "ringsweep/subject.h"
#include "ringsweep/sweeps.h"
#include "ringsweep/thin_lens.h"
#include "ringsweep/upright.h"
#include "sweeps_apart.h"
#include "telling.h"
#include "upright_map.h"

namespace ringsweep {
namespace {

/// Of pictures that a step after the fit holds all at once; it is left out where they are more.
constexpr double kMostBytesAgain = 1e9;
constexpr double kGreenMm = 0.00055;  // wavelength for the quarter-wave blur

/// A movement is known no better than this: on real stacks shot from a stand, where nothing shakes,
/// up to 2.4 px are read, and no frame is to be thrown away for that. Beyond the blur limit, px.
constexpr double kShakeErrorPx = 1.0;

bool smaller(const cv::Size& a, const cv::Size& b) {
  return a.width != b.width ? a.width < b.width : a.height < b.height;
}

/// All stages but the first look of one burst, in the order of the design.
class BurstJob {
 public:
  BurstJob(BurstPart part, const ReadFrame& read, const AnalysisOptions& options, Telling& telling)
      : burst_(std::move(part.burst)),
        looks_(std::move(part.looks)),
        read_(read),
        options_(options),
        telling_(telling),
        for_each_(telling.for_each()) {}

  BurstAnalysis run();
  /// The sweep of a burst: it is not parted again.
  BurstAnalysis run_alone() {
    is_sweep_ = true;
    return run();
  }

 private:
  void describe_measured();
  [[nodiscard]] double light_exponent(BlurModel model, const ProfileOptions& options) const;
  void fit();
  void allow_for_lens_blur();
  void find_sweeps_and_subject();
  [[nodiscard]] double ask_the_picture() const;
  void find_near_side();
  void choose_reference();
  [[nodiscard]] std::optional<BurstAnalysis> sweeps_apart();
  [[nodiscard]] std::optional<std::size_t> frame_named(const std::string& name) const;
  [[nodiscard]] UprightMap upright() const;
  [[nodiscard]] cv::Mat mask_on_grid() const;
  [[nodiscard]] SubjectWish wish();
  [[nodiscard]] CoverageOptions coverage_options() const;
  [[nodiscard]] double share_sharp(const FocalPositions& part) const;
  [[nodiscard]] cv::Rect box_between(double low_px, double high_px) const;
  void place(Coverage& coverage) const;
  void count_at_other_limits();
  void find_light();
  void compare_the_sweeps();
  void find_what_is_outside();
  [[nodiscard]] FocalPositions only_sweeps(const std::vector<std::size_t>& sweeps) const;
  [[nodiscard]] bool may_hold(double bytes_per_px) const;
  void look_for_movement();
  void look_for_drops();
  void place(DropChange& drop) const;
  [[nodiscard]] FocalPositions only_frames(const std::function<bool(std::size_t)>& in) const;
  void judge();
  [[nodiscard]] Verdict decide_pose(const FocalPositions& part, const Coverage& coverage) const;
  void split_at_conflicts();
  void note_movement();
  void describe_frames();
  [[nodiscard]] double contrast_in_focus(std::size_t t, std::span<const double> log_light) const;
  void draw_depth();

  const Burst burst_;
  std::vector<FirstLook> looks_;
  const ReadFrame& read_;
  const AnalysisOptions& options_;
  Telling& telling_;
  const ForEach for_each_;
  BurstAnalysis out_;
  KnownLens lens_;
  MeasuredFrames measured_;
  Profiles profiles_;
  std::vector<double> log_scale_;
  FocalPositions focus_;
  std::vector<SweepRange> ranges_;
  std::vector<std::size_t> lit_alike_;  // one a sweep
  Subject subject_;
  bool is_sweep_ = false;
  std::vector<bool> no_light_;  // frames that the flash did not light
  KnownEnds known_;
  double lens_blur_px_ = 0.0;  // diameter that no frame is sharper than; 0: not known
};

/// Discs make distances too short where the lens is not sharp: widens the scale's sd, and says so.
void BurstJob::allow_for_lens_blur() {
  const LensBlurSigns signs = find_lens_blur_signs(profiles_, focus_);
  const auto blur =
      lens_blur(signs, profiles_.full_px_per_px, out_.quarter_wave_blur_px.value_or(0.0));
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

void BurstJob::describe_measured() {
  out_.working_px_per_px = measured_.reduction;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FrameAnalysis& frame = out_.frames[k];
    frame.flags = measured_.flags[k];
    if (!measured_.problem[k].empty()) frame.problem = measured_.problem[k];
    frame.gain_ev = measured_.exposure[k].gain_ev;
    // What brings it to the reference is the inverse.
    frame.scale = std::exp(-measured_.registration.reference_from_frame[k].log_scale);
    frame.reference_from_frame = measured_.reference_from_frame(k);
  }
}

/// What the usable frames tell of the near side, with positions as they come from the fit.
double BurstJob::ask_the_picture() const {
  std::vector<std::size_t> order;
  for (std::size_t k = 0; k < focus_.frames.size(); ++k)
    if (focus_.frames[k].usable && focus_.frames[k].q_px && !measured_.edge_pictures[k].empty())
      order.push_back(k);
  std::ranges::stable_sort(order, {}, [&](std::size_t k) { return *focus_.frames[k].q_px; });
  std::vector<cv::Mat> pictures;
  std::vector<double> q_px;
  for (const std::size_t k : order) {
    pictures.push_back(measured_.edge_pictures[k]);
    q_px.push_back(*focus_.frames[k].q_px / (out_.working_px_per_px * measured_.edge_reduction));
  }
  const DepthLook look = look_at_depth(pictures, for_each_);
  // Haze takes contrast from the background too, and would pass for the ring.
  const std::vector<BackgroundPart> background =
      out_.haze ? std::vector<BackgroundPart>{}
                : find_background(pictures, q_px, look, {}, for_each_);
  return picture_tells(find_depth_edges(pictures, q_px, look), background);
}

void BurstJob::find_near_side() {
  NearSideClues clues;
  // Without a sweep there is no end at which it began.
  if (!ranges_.empty()) {
    clues.first_end = options_.first_end;
    clues.first_sweep_rises = ranges_.front().rising;
  }
  if (options_.larger_picture && focus_.status == FitStatus::converged) {
    // Of the pictures themselves: what brings them to the reference is the inverse.
    std::vector<double> of_picture;
    for (const double s : log_scale_) of_picture.push_back(-s);
    clues.lens = lens_tells(focus_, of_picture, *options_.larger_picture);
  }
  if (focus_.status == FitStatus::converged) clues.picture = ask_the_picture();
  measured_.edge_pictures.clear();  // nobody else needs them
  out_.near_side = weigh_near_side(clues);
  if (!out_.near_side.contradicted) return;
  const std::string said = out_.near_side.from == NearSideSource::lens
                               ? "What is known of the lens says which end is near"
                               : std::string("You said that the first sweep began at the ") +
                                     (*clues.first_end == Side::near ? "near end" : "far end");
  out_.notes.push_back(said +
                       "; the pictures speak against it: what hides what at depth edges, and how "
                       "blurred the background is, say the other.");
}

/// The power of the files' light in which blur adds up, from a part of the picture.
double BurstJob::light_exponent(BlurModel model, const ProfileOptions& options) const {
  const SampleWindows sample = sample_windows(measured_.mosaic, measured_.tiles, measured_.grid);
  if (sample.mosaic.empty()) return model.light_exponent;
  return find_light_exponent([&](double exponent) -> std::optional<double> {
    model.light_exponent = exponent;
    const BlurCurves curves = measure_blur_curves(sample.mosaic, sample.grid, for_each_, model);
    const FocalPositions focus = fit_focal_positions(
        collect_profiles(sample.frames, curves, sample.grid, measured_.reduction, options),
        measured_.measured, log_scale_, {}, for_each_);
    if (focus.status != FitStatus::converged) return std::nullopt;
    return focus.misfit;
  });
}

void BurstJob::fit() {
  const double f_number_per_um =
      out_.wave_model
          ? *lens_.working_f_number / (1000.0 * *lens_.pitch_mm * out_.working_px_per_px)
          : 0.0;
  telling_.tell("fitting", 0, 1);
  for (const Similarity& s : measured_.registration.reference_from_frame)
    log_scale_.push_back(s.log_scale);
  BlurModel model{.f_number_per_um = f_number_per_um};
  const ProfileOptions options{.noise_floor = find_noise_floor(measured_.tiles, measured_.grid)};
  model.light_exponent = light_exponent(model, options);
  const BlurCurves curves =
      measure_blur_curves(measured_.mosaic.luminance, measured_.grid, for_each_, model);
  profiles_ =
      collect_profiles(measured_.tiles, curves, measured_.grid, measured_.reduction, options);
  focus_ = fit_focal_positions(profiles_, measured_.measured, log_scale_, {}, for_each_);
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FocalPosition& frame = focus_.frames[k];
    frame.usable = frame.usable && measured_.exposure[k].usable;
    out_.frames[k].shake_px = frame.shake_px;
    if (!(frame.shake_px.value_or(0.0) > out_.blur_limit_px + kShakeErrorPx)) continue;
    out_.frames[k].flags.push_back(FrameFlag::shaken);
    frame.usable = false;
  }
  out_.fit_status = focus_.status;
  out_.fit_reason = focus_.reason;
  if (out_.wave_model) lens_blur_px_ = out_.quarter_wave_blur_px.value_or(0.0);
  if (!out_.wave_model && focus_.status == FitStatus::converged) allow_for_lens_blur();
  out_.scale_sd = focus_.scale_sd;
  if (focus_.status == FitStatus::converged) out_.haze = find_haze(focus_, measured_.log_light());
}

/// A usable frame near the middle of the positions.
void BurstJob::choose_reference() {
  double nearest = 1e300;
  for (std::size_t k = 0; k < focus_.frames.size(); ++k) {
    const FocalPosition& frame = focus_.frames[k];
    if (!frame.usable || !frame.q_px || std::abs(*frame.q_px) >= nearest) continue;
    nearest = std::abs(*frame.q_px);
    out_.reference = k;
  }
}

/// Where the frames do not agree, maybe those of each sweep do. Reads the pictures once more.
std::optional<BurstAnalysis> BurstJob::sweeps_apart() {
  constexpr std::size_t kFewestFrames = 5;  // of a burst, and of a sweep that is judged alone
  if (is_sweep_ || focus_.status != FitStatus::not_trusted || ranges_.size() < 2)
    return std::nullopt;
  std::vector<SweepAlone> sweeps;
  bool any = false;
  for (std::size_t i = 0; i < ranges_.size(); ++i) {
    const std::size_t first = i == 0 ? 0 : ranges_[i].first;
    const std::size_t end = i + 1 < ranges_.size() ? ranges_[i + 1].first : burst_.frames.size();
    const auto from = burst_.frames.begin() + static_cast<std::ptrdiff_t>(first);
    const auto to = burst_.frames.begin() + static_cast<std::ptrdiff_t>(end);
    if (end - first < kFewestFrames) return std::nullopt;
    BurstPart part{.burst = {.folder = burst_.folder, .frames = {from, to}}, .looks = {}};
    part.looks = look_at_all(part.burst.frames, read_, telling_);
    for (std::size_t k = first; k < end; ++k)
      part.looks[k - first].other_picture = looks_[k].other_picture;
    sweeps.push_back(
        {.first = first,
         .analysis = BurstJob(std::move(part), read_, options_, telling_).run_alone()});
    any = any || sweeps.back().analysis.fit_status == FitStatus::converged;
  }
  if (!any) return std::nullopt;
  return put_together(out_, std::move(sweeps));
}

/// By its name, or the digits that end it as the camera's screen shows them; the first of several.
std::optional<std::size_t> BurstJob::frame_named(const std::string& name) const {
  for (std::size_t k = 0; k < burst_.frames.size(); ++k)
    if (is_called(burst_.frames[k].file, name)) return k;
  return std::nullopt;
}

UprightMap BurstJob::upright() const {
  return {
      .reference_from_grid = measured_.grid_from_frame(out_.full_size, 1.0, out_.reference).inv(),
      .full_size = out_.full_size,
      .orientation = out_.orientation,
      .tile_px = measured_.grid.tile_px};
}

/// What the user said of the picture, for each tile; empty where nothing was said.
cv::Mat BurstJob::mask_on_grid() const {
  const SubjectChoice& choice = options_.subject;
  if (choice.outline.empty() && choice.mask.empty()) return {};
  const UprightMap map = upright();
  std::vector<cv::Point2f> outline(choice.outline.begin(), choice.outline.end());
  cv::Mat mask(measured_.grid.rows(), measured_.grid.cols(), CV_8UC1, cv::Scalar(0));
  for (int row = 0; row < mask.rows; ++row)
    for (int col = 0; col < mask.cols; ++col) {
      const cv::Point2d p = map.tile(row, col);
      bool in = true;
      if (!outline.empty()) in = cv::pointPolygonTest(outline, cv::Point2f(p), false) >= 0.0;
      if (!choice.mask.empty()) {
        const cv::Point at_mask(cvFloor((p.x + 0.5) * choice.mask.cols / map.size().width),
                                cvFloor((p.y + 0.5) * choice.mask.rows / map.size().height));
        in = in && cv::Rect({}, choice.mask.size()).contains(at_mask) &&
             choice.mask.at<std::uint8_t>(at_mask) != 0;
      }
      if (in) mask.at<std::uint8_t>(row, col) = 255;
    }
  return mask;
}

SubjectWish BurstJob::wish() {
  SubjectWish result{.mask = mask_on_grid()};
  const SubjectChoice& choice = options_.subject;
  const auto position = [&](const std::string& name) -> std::optional<double> {
    const auto k = frame_named(name);
    if (k && focus_.frames[*k].q_px) return focus_.frames[*k].q_px;
    out_.notes.push_back("Frame " + name +
                         (k ? " has no focal position" : " is not in this burst") +
                         ": what you said with it is not heeded.");
    return std::nullopt;
  };
  if (!choice.from_frame.empty() && !choice.to_frame.empty()) {
    const auto from = position(choice.from_frame), to = position(choice.to_frame);
    if (from && to) {
      result.low_px = std::min(*from, *to);
      result.high_px = std::max(*from, *to);
    }
  }
  if (!choice.leave_in_front_of.empty()) {
    const auto front = position(choice.leave_in_front_of);
    if (front && (out_.near_side.known() || *front > 0.0))
      result.high_px = std::min(*front, result.high_px.value_or(*front));
    else if (front)
      result.low_px = std::max(*front, result.low_px.value_or(*front));
  }
  return result;
}

CoverageOptions BurstJob::coverage_options() const {
  // No step makes a picture sharper than the lens; but more blur than the handbooks allow is blur.
  const double coarsest_px = handbook_blur_limit_px(out_.full_size);
  CoverageOptions options{.blur_limit_px = out_.blur_limit_px};
  options.least_width_px = 2.0 * std::min(lens_blur_px_, coarsest_px);
  if (!options_.subject.outline.empty() || !options_.subject.mask.empty()) options.gap_share = 0.0;
  return options;
}

void BurstJob::find_sweeps_and_subject() {
  ranges_ = find_sweeps(focus_, 2.0 * out_.allowed_step_px);
  SubjectView view{.all_see = measured_.all_see()};
  view.bands = find_bands(measured_.mosaic.luminance, measured_.grid, view.all_see, for_each_);
  subject_ = find_subject(profiles_, focus_, out_.blur_limit_px, view, wish());
  // Positions that are not to be trusted cover nothing, and leave no gap either.
  if (focus_.status != FitStatus::converged) return;
  out_.coverage = assess_coverage(focus_, subject_.positions_px, coverage_options());
  place(out_.coverage);
}

/// Share of the subject within the blur limit of a usable frame.
double BurstJob::share_sharp(const FocalPositions& part) const {
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
cv::Rect BurstJob::box_between(double low_px, double high_px) const {
  std::vector<double> x, y;
  const UprightMap map = upright();
  for (std::size_t t = 0; t < profiles_.tiles.size(); ++t) {
    const double q = focus_.tiles[t].q_px;
    if (subject_.roles[t] != TileRole::subject || q <= low_px || q >= high_px) continue;
    const cv::Point2d p = map.tile(profiles_.tiles[t].row, profiles_.tiles[t].col);
    x.push_back(p.x);
    y.push_back(p.y);
  }
  if (x.empty()) return {};
  std::ranges::sort(x);
  std::ranges::sort(y);
  const std::size_t skip = x.size() / 20;
  const double half = 0.5 * measured_.grid.tile_px * out_.working_px_per_px;
  const cv::Point top_left(cvFloor(x[skip] - half), cvFloor(y[skip] - half));
  const cv::Point bottom_right(cvCeil(x[x.size() - 1 - skip] + half),
                               cvCeil(y[y.size() - 1 - skip] + half));
  return cv::Rect(top_left, bottom_right) & cv::Rect({}, map.size());
}

void BurstJob::place(Coverage& coverage) const {
  const double b = out_.blur_limit_px;
  for (Gap& gap : coverage.gaps)
    gap.box_px =
        box_between(*focus_.frames[gap.lower].q_px + b, *focus_.frames[gap.upper].q_px - b);
  for (End& end : coverage.ends) {
    const double q = *focus_.frames[end.frame].q_px;
    constexpr double kFar = 1e12;
    if (end.subject_share > 0.0)
      end.box_px = end.low ? box_between(-kFar, q - b) : box_between(q + b, kFar);
  }
}

void BurstJob::count_at_other_limits() {
  for (const double limit : {2.0, std::hypot(out_.full_size.width, out_.full_size.height) / 3000.0,
                             handbook_blur_limit_px(out_.full_size)}) {
    CoverageOptions options = coverage_options();
    options.blur_limit_px = limit;
    const Coverage coverage = assess_coverage(focus_, subject_.positions_px, options);
    LimitRow row{.blur_limit_px = limit};
    for (const Gap& gap : coverage.gaps) ++(gap.soft ? row.soft : row.gaps);
    for (const End& end : coverage.ends) row.open_ends += end.open ? 1 : 0;
    out_.limits.push_back(row);
  }
  std::ranges::sort(out_.limits, {}, &LimitRow::blur_limit_px);
}

void BurstJob::compare_the_sweeps() {
  std::vector<FrameView> views;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    // Of the picture itself: what brings it to the reference is the inverse.
    const Similarity& s = measured_.registration.reference_from_frame[k];
    const double width = out_.full_size.width / measured_.thumbnail_px;
    constexpr double kDegrees = 180.0 / std::numbers::pi;
    views.push_back({.log_scale = -s.log_scale,
                     .rotation_deg = -kDegrees * s.rotation_rad,
                     .shift_x = -s.shift_x_px / width,
                     .shift_y = -s.shift_y_px / width,
                     .light_ev = measured_.exposure[k].gain_ev});
  }
  const std::vector<SweepDifference> differences = compare_sweeps(focus_, ranges_, views);
  for (std::size_t i = 0; i < differences.size(); ++i) {
    SweepDifference& difference = out_.sweeps[i].difference;
    difference = differences[i];
    difference.light_from_elsewhere = lit_alike_[i] != lit_alike_.front();
    difference.drop_size = std::ranges::any_of(
        out_.movement.grown, [&](const GrownPart& part) { return part.sweep <= i; });
    const std::vector<double>& parallax_px = out_.movement.parallax_px;
    if (i < parallax_px.size() && parallax_px[i] > out_.blur_limit_px)
      difference.viewpoint_px = parallax_px[i];
  }
}

/// Which sweeps are lit alike.
void BurstJob::find_light() {
  lit_alike_.assign(ranges_.size(), 0);
  if (ranges_.size() < 2) return;
  std::vector<cv::Mat> light;
  for (const TileMeasures& frame : measured_.tiles) {
    light.push_back(frame.level.clone());
    if (!light.back().empty()) light.back().setTo(std::nanf(""), frame.valid == 0);
  }
  const auto tiles_of = [&](TileRole role) {
    std::vector<cv::Point> tiles;
    for (std::size_t t = 0; t < profiles_.tiles.size(); ++t)
      if (subject_.roles[t] == role)
        tiles.emplace_back(profiles_.tiles[t].col, profiles_.tiles[t].row);
    return tiles;
  };
  lit_alike_ = groups_lit_alike(focus_, ranges_, light, tiles_of(TileRole::subject),
                                tiles_of(TileRole::perch), out_.blur_limit_px);
}

void BurstJob::find_what_is_outside() {
  constexpr double kLeastShare = 0.01;  // of the subject; ours, no source
  std::vector<cv::Mat> seen;
  for (const TileMeasures& frame : measured_.tiles) seen.push_back(frame.valid);
  const Outside outside = outside_picture(profiles_, focus_, subject_, seen, out_.blur_limit_px);
  if (outside.subject_share < kLeastShare) return;
  out_.verdict.notes.push_back({.kind = ReasonKind::outside_picture,
                                .first_frame = outside.first_frame,
                                .last_frame = outside.last_frame,
                                .subject_share = outside.subject_share});
}

/// Others cover nothing.
FocalPositions BurstJob::only_frames(const std::function<bool(std::size_t)>& in) const {
  FocalPositions part = focus_;
  for (std::size_t k = 0; k < part.frames.size(); ++k)
    part.frames[k].usable = part.frames[k].usable && in(k);
  return part;
}

/// The frames of these sweeps.
FocalPositions BurstJob::only_sweeps(const std::vector<std::size_t>& sweeps) const {
  return only_frames([&](std::size_t k) {
    return std::ranges::any_of(
        sweeps, [&](std::size_t i) { return k >= ranges_[i].first && k <= ranges_[i].last; });
  });
}

/// Whether all usable frames together may be held, at so many bytes a px of the grid.
bool BurstJob::may_hold(double bytes_per_px) const {
  const auto usable = std::ranges::count_if(focus_.frames, &FocalPosition::usable);
  return static_cast<double>(usable) * measured_.grid.size.area() * bytes_per_px <= kMostBytesAgain;
}

void BurstJob::look_for_movement() {
  // Light and mask in four bytes each, tiles 8 px wide, and a third more for the coarser levels.
  const double shrunk = 8.0 / measured_.grid.tile_px;
  if (focus_.status != FitStatus::converged || !may_hold(8.0 * 4.0 / 3.0 * shrunk * shrunk)) return;
  telling_.tell("looking for movement", 0, 1);
  out_.movement = find_movement(
      profiles_, focus_, ranges_,
      [this](std::size_t k) { return picture_again(measured_, burst_.frames[k], read_, k); },
      {.blur_limit_px = out_.blur_limit_px, .lit_alike = lit_alike_}, for_each_);
  const UprightMap map = upright();
  for (MovedPart& part : out_.movement.parts) {
    part.box_px = map.box(part.box_on_grid);
    // What is not wanted may move.
    const auto not_meant = std::ranges::count_if(part.tiles, [&](std::size_t t) {
      return subject_.roles[t] == TileRole::not_meant || subject_.roles[t] == TileRole::apart;
    });
    if (2 * not_meant > std::ssize(part.tiles)) part.conflict = false;
  }
}

/// From px of the grid to full-size px of the upright reference frame.
void BurstJob::place(DropChange& drop) const {
  drop.at = upright().point(drop.at);
  drop.radius_px *= measured_.reduction;
  drop.q_px *= measured_.reduction;
}

void BurstJob::look_for_drops() {
  if (focus_.status != FitStatus::converged || options_.ignore_drops || !may_hold(2.0)) return;
  telling_.tell("looking for drops", 0, 1);
  const std::size_t n = out_.frames.size();
  const double px = out_.working_px_per_px;
  std::vector<DropFrame> frames(n);
  std::vector<PackedPicture> pictures(n);
  for (std::size_t k = 0; k < n; ++k) {
    const FocalPosition& frame = focus_.frames[k];
    frames[k] = {.q_px = frame.q_px.value_or(0.0) / px, .usable = frame.usable && frame.q_px};
    if (frames[k].usable)
      pictures[k] =
          measured_.kept[k].values.empty()
              ? pack(picture_again(measured_, burst_.frames[k], read_, k), measured_.gain(k))
              : measured_.kept[k];
  }
  constexpr double kLeastWeight = SubjectOptions{}.min_weight;
  cv::Mat tile_q(measured_.grid.rows(), measured_.grid.cols(), CV_32FC1, cv::Scalar(NAN));
  for (std::size_t t = 0; t < profiles_.tiles.size(); ++t)
    if (focus_.tiles[t].weight >= kLeastWeight)
      tile_q.at<float>(profiles_.tiles[t].row, profiles_.tiles[t].col) =
          static_cast<float>(focus_.tiles[t].q_px / px);
  out_.drops =
      find_drops(frames, pictures, measured_.spots, tile_q, measured_.grid.tile_px, for_each_);
  measured_.spots.clear();  // nobody else needs them
  for (DropFrame& frame : frames) frame.q_px *= px;
  // In other light highlights lie elsewhere, and some are not there.
  const auto in_other_light = [&](const DropChange& drop) {
    return !ranges_.empty() &&
           lit_alike_[sweep_of(ranges_, drop.before)] != lit_alike_[sweep_of(ranges_, drop.after)];
  };
  std::erase_if(out_.drops.lost, in_other_light);
  std::erase_if(out_.drops.appeared, in_other_light);
  const cv::Mat said = mask_on_grid();
  for (DropChange& drop : out_.drops.lost) {
    const cv::Point tile(static_cast<int>(drop.at.x) / measured_.grid.tile_px,
                         static_cast<int>(drop.at.y) / measured_.grid.tile_px);
    const bool in_said = !said.empty() && cv::Rect({}, said.size()).contains(tile) &&
                         said.at<std::uint8_t>(tile) != 0;
    place(drop);
    drop.conflict = said.empty() ? sharp_on_both_sides(drop, frames, out_.blur_limit_px) : in_said;
  }
  for (DropChange& drop : out_.drops.appeared) place(drop);
  const auto together = [](const DropChange& drop, const MovedPart& part) {
    return drop.before < part.frame + 1 && part.frame <= drop.after + 1 &&
           part.box_px.contains(cv::Point(drop.at));
  };
  // A part hardly larger than a drop that rolled is that drop.
  std::erase_if(out_.movement.parts, [&](const MovedPart& part) {
    return std::ranges::any_of(out_.drops.lost, [&](const DropChange& drop) {
      constexpr double kSide = 6.0;  // in its radii
      const double side_px = kSide * drop.radius_px;
      return drop.fate == DropFate::rolled && together(drop, part) &&
             part.box_px.area() <= side_px * side_px;
    });
  });
  // What is on a part that moved went with it.
  const auto went_along = [&](const DropChange& drop) {
    return std::ranges::any_of(out_.movement.parts,
                               [&](const MovedPart& part) { return together(drop, part); });
  };
  std::erase_if(out_.drops.lost, went_along);
  std::erase_if(out_.drops.appeared, went_along);
}

void BurstJob::judge() {
  const std::size_t n = burst_.frames.size();
  no_light_.resize(n);
  for (std::size_t k = 0; k < n; ++k)
    no_light_[k] = measured_.exposure[k].dark ||
                   (measured_.exposure[k].dim && !measured_.exposure[k].usable) ||
                   measured_.exposure[k].partly_lit;
  out_.subject_trusted = subject_.trusted;
  out_.subject_said = subject_.said;
  known_ = {.towards_near = out_.near_side.probability,
            .subject_trusted = subject_.trusted,
            .range_said = subject_.said,
            .perch_low = subject_.perch_low,
            .perch_high = subject_.perch_high};
  out_.verdict = decide(focus_, out_.coverage, ranges_, no_light_, out_.allowed_step_px, known_);
  if (focus_.status == FitStatus::converged) count_at_other_limits();
  for (std::size_t i = 0; i < ranges_.size(); ++i) {
    const FocalPositions part = only_sweeps({i});
    Coverage coverage = assess_coverage(part, subject_.positions_px, coverage_options());
    place(coverage);
    out_.sweeps.push_back(
        {.first = ranges_[i].first,
         .last = ranges_[i].last,
         .rising = ranges_[i].rising,
         .verdict = decide(part, coverage, {ranges_[i]}, no_light_, out_.allowed_step_px, known_),
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
          return decide(part, assess_coverage(part, subject_.positions_px, coverage_options()),
                        ranges_, no_light_, out_.allowed_step_px, known_)
                     .kind == VerdictKind::complete;
        });
  }
  std::vector<std::optional<double>> time_s;
  for (const FrameAnalysis& frame : out_.frames) time_s.push_back(frame.time_s);
  out_.advice = advise({.focus = focus_,
                        .subject_px = subject_.positions_px,
                        .sweeps = ranges_,
                        .exposure = measured_.exposure,
                        .time_s = time_s,
                        .blur_limit_px = out_.blur_limit_px});
}

/// An end that the sweep went on to cover is wanted, even where it is not known to be the near one.
Verdict BurstJob::decide_pose(const FocalPositions& part, const Coverage& coverage) const {
  VerdictOptions options;
  if (std::ranges::none_of(out_.coverage.ends, &End::open)) options.unknown_share = 0.0;
  return decide(part, coverage, ranges_, no_light_, out_.allowed_step_px, known_, options);
}

/// Coverage is decided pose by pose: where a part moved, frames before and after do not go
/// together.
void BurstJob::split_at_conflicts() {
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
  const auto judged = [&](const FocalPositions& part) {
    Coverage coverage = assess_coverage(part, subject_.positions_px, coverage_options());
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
void BurstJob::note_movement() {
  std::vector<std::size_t> moves(ranges_.size()), trembling(ranges_.size());
  const MovedPart* largest = nullptr;
  for (const MovedPart& part : out_.movement.parts) {
    if (ranges_.empty()) return;
    if (part.kind == MoveKind::to_and_fro) {
      for (const std::size_t k : part.moves) ++trembling[sweep_of(ranges_, k)];
      if (largest == nullptr || part.shift_px > largest->shift_px) largest = &part;
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

void BurstJob::describe_frames() {
  const FrameAnalysis* previous = nullptr;
  std::size_t sweep = 0;
  for (std::size_t k = 0; k < out_.frames.size(); ++k) {
    FrameAnalysis& frame = out_.frames[k];
    frame.focus_px = focus_.frames[k].q_px;
    frame.focus_sd_px = focus_.frames[k].sd_px;
    frame.scale_off_px = focus_.frames[k].scale_off_px;
    frame.usable = focus_.frames[k].usable && frame.focus_px;
    while (sweep < ranges_.size() && k > ranges_[sweep].last) ++sweep, previous = nullptr;
    if (!frame.usable) continue;
    if (previous != nullptr) {
      const double step = std::abs(*frame.focus_px - *previous->focus_px);
      const double sd =
          std::hypot(frame.focus_sd_px.value_or(0.0), previous->focus_sd_px.value_or(0.0));
      if (step < 0.1 * out_.allowed_step_px && step <= 2.0 * sd)
        frame.flags.push_back(FrameFlag::idle);
    }
    previous = &frame;
  }
}

/// Log of the tile's coarse energy against the square of the picture's light, where a usable frame
/// focuses on it.
double BurstJob::contrast_in_focus(std::size_t t, std::span<const double> log_light) const {
  const TileProfile& tile = profiles_.tiles[t];
  double nearest = 0.25 * out_.blur_limit_px, contrast = std::numeric_limits<double>::quiet_NaN();
  for (std::size_t k = 0; k < focus_.frames.size(); ++k) {
    const FocalPosition& frame = focus_.frames[k];
    if (!frame.usable || !frame.q_px || std::abs(*frame.q_px - focus_.tiles[t].q_px) > nearest ||
        measured_.tiles[k].valid.at<std::uint8_t>(tile.row, tile.col) == 0)
      continue;
    nearest = std::abs(*frame.q_px - focus_.tiles[t].q_px);
    const double energy = measured_.tiles[k].energy.back().at<float>(tile.row, tile.col);
    contrast = std::log(std::max(1e-12, energy)) - 2.0 * log_light[k];
  }
  return contrast;
}

void BurstJob::draw_depth() {
  const int stray = static_cast<int>(TileRole::stray);
  const std::vector<double> light = measured_.log_light();
  out_.depth = {
      .q_px = cv::Mat(measured_.grid.rows(), measured_.grid.cols(), CV_32FC1, cv::Scalar(NAN)),
      .weight = cv::Mat(measured_.grid.rows(), measured_.grid.cols(), CV_32FC1, cv::Scalar(0)),
      .role = cv::Mat(measured_.grid.rows(), measured_.grid.cols(), CV_8UC1, cv::Scalar(stray)),
      .tile_px = measured_.grid.tile_px * out_.working_px_per_px,
      .log_contrast =
          cv::Mat(measured_.grid.rows(), measured_.grid.cols(), CV_32FC1, cv::Scalar(NAN)),
      .reference_from_tile = upright().reference_from_tile()};
  for (std::size_t t = 0; t < profiles_.tiles.size(); ++t) {
    const cv::Point at(profiles_.tiles[t].col, profiles_.tiles[t].row);
    out_.depth.q_px.at<float>(at) = static_cast<float>(focus_.tiles[t].q_px);
    out_.depth.weight.at<float>(at) = static_cast<float>(focus_.tiles[t].weight);
    out_.depth.role.at<std::uint8_t>(at) = static_cast<std::uint8_t>(subject_.roles[t]);
    out_.depth.log_contrast.at<float>(at) = static_cast<float>(contrast_in_focus(t, light));
  }
}

BurstAnalysis BurstJob::run() {
  const std::size_t n = burst_.frames.size();
  out_.folder = burst_.folder;
  out_.frames.resize(n);
  std::vector<int> orientations;
  for (std::size_t k = 0; k < n; ++k) {
    const FrameRef& frame = burst_.frames[k];
    out_.frames[k].file = frame.file;
    if (frame.time_s && !out_.start_s) out_.start_s = frame.time_s;
    if (frame.time_s) out_.frames[k].time_s = *frame.time_s - *out_.start_s;
    orientations.push_back(frame.orientation);
  }
  if (n == 0) {
    out_.fit_status = FitStatus::too_few_frames;
    out_.verdict.reasons.push_back({.kind = ReasonKind::too_few_frames});
    return out_;
  }
  out_.orientation = majority(orientations);
  std::vector<cv::Size> sizes;
  for (std::size_t k = 0; k < n; ++k) {
    out_.frames[k].problem = looks_[k].problem;
    if (looks_[k].light) sizes.push_back(looks_[k].full_size);
  }
  if (!sizes.empty()) out_.full_size = majority(sizes, smaller);
  if (out_.full_size.empty()) {
    out_.fit_status = FitStatus::too_few_frames;
    out_.verdict.reasons.push_back({.kind = ReasonKind::too_few_frames});
    for (FrameAnalysis& frame : out_.frames) frame.flags.push_back(FrameFlag::unreadable);
    return out_;
  }
  out_.blur_limit_px = options_.blur_limit_px.value_or(default_blur_limit_px(out_.full_size));
  out_.allowed_step_px = 2.0 * out_.blur_limit_px;
  lens_ = known_lens(burst_.frames, options_.lens);
  out_.ring = ring_scale_of(lens_, options_.lens);
  out_.working_f_number_given = lens_.working_f_number.has_value();
  const auto f_number = lens_.working_f_number ? lens_.working_f_number : lens_.f_number;
  if (f_number && lens_.pitch_mm)
    out_.quarter_wave_blur_px = quarter_wave_blur_px(kGreenMm, *f_number, *lens_.pitch_mm);
  out_.wave_model = out_.working_f_number_given && lens_.pitch_mm;
  measured_ = measure_frames(burst_.frames, looks_, read_,
                             {.full_size = out_.full_size,
                              .blur_limit_px = out_.blur_limit_px,
                              .spots = !options_.ignore_drops,
                              .max_frames_in_memory = options_.max_frames_in_memory},
                             telling_);
  describe_measured();
  if (!measured_.any()) {
    out_.fit_status = FitStatus::too_few_frames;
    out_.verdict.reasons.push_back({.kind = ReasonKind::too_few_frames});
    return out_;
  }
  fit();
  choose_reference();
  ranges_ = find_sweeps(focus_, 2.0 * out_.allowed_step_px);
  if (auto apart = sweeps_apart()) return *std::move(apart);
  find_near_side();
  focus_ = grown_towards_near(std::move(focus_), out_.near_side);
  find_sweeps_and_subject();
  out_.look = measured_.coarse[out_.reference];
  find_light();
  look_for_movement();
  look_for_drops();
  judge();
  split_at_conflicts();
  note_movement();
  describe_frames();
  draw_depth();
  telling_.tell("fitting", 1, 1);
  return out_;
}

}  // namespace

double handbook_blur_limit_px(cv::Size full_size) {
  return std::hypot(full_size.width, full_size.height) / 1500.0;
}

double default_blur_limit_px(cv::Size full_size) {
  return std::max(2.0, std::hypot(full_size.width, full_size.height) / 3000.0);
}

std::vector<BurstAnalysis> analyse(const Burst& burst, const ReadFrame& read,
                                   const AnalysisOptions& options, const Progress& progress) {
  if (options.blur_limit_px && !(*options.blur_limit_px > 0.0))
    throw std::invalid_argument("blur_limit_px must be > 0");
  if (const std::string why = why_not(options.lens); !why.empty()) throw std::invalid_argument(why);
  if (options.max_frames_in_memory < 2)
    throw std::invalid_argument("max_frames_in_memory must be at least 2");
  const int threads = options.threads > 0 ? options.threads : tbb::task_arena::automatic;
  tbb::task_arena arena(threads);
  Telling telling(progress);
  std::vector<BurstAnalysis> result;
  try {
    arena.execute([&] {
      for (BurstPart& part :
           part_by_scene(burst, look_at_all(burst.frames, read, telling), telling.for_each()))
        result.push_back(BurstJob(std::move(part), read, options, telling).run());
    });
  } catch (const Stopped&) {
    return {};
  }
  return result;
}

}  // namespace ringsweep
