#include "maker/truth.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numeric>
#include <stdexcept>

#include "maker/camera.h"
#include "maker/viewpoint.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

using nlohmann::json;

double rounded(double value, double digits) {
  const double scale = std::pow(10.0, digits);
  return std::round(value * scale) / scale;
}

/// Share of the rising `values` within [low, high].
double share_between(std::span<const double> values, double low, double high) {
  if (values.empty() || high < low) return 0.0;
  const auto first = std::ranges::lower_bound(values, low);
  const auto last = std::ranges::upper_bound(values, high);
  return last <= first ? 0.0
                       : static_cast<double>(last - first) / static_cast<double>(values.size());
}

double quantile(std::span<const double> rising, double at) {
  const double place = at * static_cast<double>(rising.size() - 1);
  const auto low = static_cast<std::size_t>(place);
  const std::size_t high = std::min(low + 1, rising.size() - 1);
  return std::lerp(rising[low], rising[high], place - static_cast<double>(low));
}

/// The burst as the truth counts it, in px of blur at the middle scale with the recipe's pupil.
class Reckoning {
 public:
  Reckoning(const Recipe& recipe, const std::vector<FramePlan>& plans, const Sight& sight);

  [[nodiscard]] json written() const;

 private:
  /// Exposure against fully lit frames, the ambient light counted in both.
  [[nodiscard]] static double ev(const FramePlan& p) {
    const double ambient = std::exp2(p.ambient_ev);
    return std::log2((std::exp2(p.exposure_ev) + ambient) / (1.0 + ambient));
  }
  [[nodiscard]] static bool dark(const FramePlan& p) { return ev(p) <= kDarkEv; }
  [[nodiscard]] static double shake_px(const FramePlan& p) {
    return std::hypot(p.shake_x_px, p.shake_y_px);
  }
  [[nodiscard]] static bool lit_in_part(const FramePlan& p) { return p.lit_to < 1.0; }
  [[nodiscard]] static bool use(const FramePlan& p) {
    return p.written && !p.cut_short && !lit_in_part(p) && ev(p) > kFaintEv &&
           shake_px(p) < kShakenPx;
  }
  [[nodiscard]] double at_middle(double q_ref_px) const {
    return middle_scale_ * blur_between(middle_ref_px_, q_ref_px);
  }
  /// Px of blur at scale 1 from one focal position as seen from v_ref to another, along the ring.
  [[nodiscard]] double blur_between(double from_px, double to_px) const;
  [[nodiscard]] double sway_px(std::size_t k) const;
  /// How far from its focus a frame is sharp: through another pupil the same way blurs more or
  /// less.
  [[nodiscard]] double reach_px(std::size_t k) const {
    return kBlurLimitPx / plans_[k].pupil_factor;
  }
  [[nodiscard]] double lowest_px(std::size_t k) const { return q_[k] - reach_px(k); }
  [[nodiscard]] double highest_px(std::size_t k) const { return q_[k] + reach_px(k); }
  /// Blur of a position in the usable frame that shows it sharpest, from `first` to before `end`.
  [[nodiscard]] double nearest_px(double q, std::size_t first, std::size_t end) const;
  [[nodiscard]] double share_sharp(const std::vector<double>& ref_px, std::size_t first,
                                   std::size_t end) const;
  /// By where they begin to be sharp.
  [[nodiscard]] std::vector<std::size_t> usable_by_depth(std::size_t first, std::size_t end) const;
  [[nodiscard]] json gaps(std::size_t first, std::size_t end) const;
  /// How far the subject reaches beyond the usable frames; far, near.
  [[nodiscard]] std::pair<double, double> beyond(std::size_t first, std::size_t end) const;
  [[nodiscard]] bool covered(std::size_t first, std::size_t end) const;
  [[nodiscard]] json frames() const;
  /// Of the whole move; of one to and fro how far it went, not how far it was meant to.
  /// @param at  the first frame in which it is elsewhere
  [[nodiscard]] double share_made(const SeenMove& move, std::size_t at) const;
  [[nodiscard]] json moved(std::vector<std::size_t>& breaks) const;
  [[nodiscard]] json drops(std::vector<std::size_t>& breaks) const;
  /// Of the ring, between consecutive frames of one sweep on the subject or across it.
  struct LargestStep {
    double px = 0.0;
    decltype(FramePlan::sweep) sweep{};
  };
  [[nodiscard]] LargestStep largest_step() const;
  [[nodiscard]] json turn_factor() const;
  [[nodiscard]] json frames_for_same_turn() const;
  [[nodiscard]] json widest_step_px() const;

  const Recipe& recipe_;
  const std::vector<FramePlan>& plans_;
  const Sight& sight_;
  double middle_scale_ = 1.0;
  double middle_ref_px_ = 0.0;
  std::vector<double> subject_;  ///< rising
  double far_px_ = 0.0, near_px_ = 0.0;
  std::vector<double> ring_;  ///< of every frame
  std::vector<double> q_;     ///< against the subject: where it swayed in depth, another
  std::vector<bool> on_subject_;
};

Reckoning::Reckoning(const Recipe& recipe, const std::vector<FramePlan>& plans, const Sight& sight)
    : recipe_(recipe), plans_(plans), sight_(sight) {
  const Optics& o = recipe.optics;
  double low = 0.0, high = 0.0, v_min = 0.0, v_max = 0.0;
  for (const FramePlan& p : plans) {
    if (dark(p) || !p.written) continue;
    low = low == 0.0 ? p.scale : std::min(low, p.scale);
    high = std::max(high, p.scale);
    v_min = v_min == 0.0 ? p.v_mm : std::min(v_min, p.v_mm);
    v_max = std::max(v_max, p.v_mm);
  }
  if (low > 0.0) {
    middle_scale_ = std::sqrt(low * high);
    middle_ref_px_ = focused_q_px(o, std::sqrt(v_min * v_max));
  }
  for (const float q : sight.subject_q_px) subject_.push_back(at_middle(q));
  far_px_ = quantile(subject_, kSubjectEnds);
  near_px_ = quantile(subject_, 1.0 - kSubjectEnds);
  for (std::size_t k = 0; k < plans.size(); ++k) {
    ring_.push_back(at_middle(plans[k].ref_q_px));
    q_.push_back(ring_.back() - sway_px(k));
    on_subject_.push_back(share_between(subject_, lowest_px(k), highest_px(k)) >= kOnSubjectShare);
  }
}

double Reckoning::blur_between(double from_px, double to_px) const {
  const Optics& o = recipe_.optics;
  if (o.focusing != Focusing::body_fixed) return to_px - from_px;
  // Simpson's rule: over a whole burst the integrand changes by a few per cent, and evenly.
  return (to_px - from_px) / 6.0 *
         (blur_per_q(o, from_px) + 4.0 * blur_per_q(o, (from_px + to_px) / 2.0) +
          blur_per_q(o, to_px));
}

double Reckoning::sway_px(std::size_t k) const {
  double depth = 0.0;
  const int frame = static_cast<int>(k) + 1;
  for (const Sway& s : recipe_.sways) {
    if (frame >= s.first && frame <= s.last) depth += s.depth_px;
  }
  return depth * middle_scale_;
}

double Reckoning::nearest_px(double q, std::size_t first, std::size_t end) const {
  double nearest = 1e9;
  for (std::size_t k = first; k < end; ++k) {
    if (use(plans_[k])) nearest = std::min(nearest, std::abs(q_[k] - q) * plans_[k].pupil_factor);
  }
  return nearest;
}

double Reckoning::share_sharp(const std::vector<double>& ref_px, std::size_t first,
                              std::size_t end) const {
  const auto sharp = std::ranges::count_if(
      ref_px, [&](double q) { return nearest_px(at_middle(q), first, end) <= kBlurLimitPx; });
  return static_cast<double>(sharp) / static_cast<double>(std::max<std::size_t>(1, ref_px.size()));
}

std::vector<std::size_t> Reckoning::usable_by_depth(std::size_t first, std::size_t end) const {
  std::vector<std::size_t> order;
  for (std::size_t k = first; k < end; ++k) {
    if (use(plans_[k])) order.push_back(k);
  }
  std::ranges::stable_sort(order, {}, [this](std::size_t k) { return lowest_px(k); });
  return order;
}

json Reckoning::gaps(std::size_t first, std::size_t end) const {
  const std::vector<std::size_t> order = usable_by_depth(first, end);
  json list = json::array();
  std::size_t highest = 0;
  for (std::size_t i = 0; i < order.size(); ++i) {
    const std::size_t low = highest, high = order[i];
    if (i == 0 || highest_px(high) >= highest_px(highest)) highest = high;
    if (i == 0 || lowest_px(high) <= highest_px(low)) continue;
    const double share = share_between(subject_, highest_px(low), lowest_px(high));
    if (share < kGapShare) continue;
    list.push_back({{"after", plans_[std::min(low, high)].file},
                    {"before", plans_[std::max(low, high)].file},
                    {"width_px", rounded(q_[high] - q_[low], 3)},
                    {"subject_share", rounded(share, 4)}});
  }
  return list;
}

std::pair<double, double> Reckoning::beyond(std::size_t first, std::size_t end) const {
  double low = 0.0, high = 0.0;
  bool any = false;
  for (std::size_t k = first; k < end; ++k) {
    if (!use(plans_[k])) continue;
    low = any ? std::min(low, lowest_px(k)) : lowest_px(k);
    high = any ? std::max(high, highest_px(k)) : highest_px(k);
    any = true;
  }
  if (!any) return {near_px_ - far_px_, near_px_ - far_px_};
  return {low + kBlurLimitPx - far_px_, near_px_ - (high - kBlurLimitPx)};
}

bool Reckoning::covered(std::size_t first, std::size_t end) const {
  const auto [far, near] = beyond(first, end);
  const double last_sharp = far_px_ + far - kBlurLimitPx;  // towards the far end
  const bool far_enough =
      far <= kBlurLimitPx || share_between(subject_, -1e9, last_sharp) < kFarShare;
  return far_enough && near <= kBlurLimitPx &&
         std::ranges::none_of(gaps(first, end), [](const json& gap) {
           return gap["subject_share"].get<double>() >= kGapShareThatCounts;
         });
}

json Reckoning::frames() const {
  const Optics& o = recipe_.optics;
  json list = json::array();
  for (std::size_t k = 0; k < plans_.size(); ++k) {
    const FramePlan& p = plans_[k];
    if (!p.written) continue;
    json flags = json::array();
    if (dark(p)) {
      flags.push_back("dark");
    } else if (ev(p) <= kDimEv) {
      flags.push_back("dim");
    }
    if (shake_px(p) >= kShakenPx) flags.push_back("shaken");
    if (p.cut_short) flags.push_back("unreadable");
    if (lit_in_part(p)) flags.push_back("partly-lit");
    const Placement placement{p.scale, p.rotation_deg, p.shift_x_px, p.shift_y_px};
    const cv::Vec4d m = frame_from_scene(placement, {recipe_.width_px, recipe_.height_px});
    list.push_back(
        {{"file", p.file},
         {"index", list.size() + 1},
         {"focus_px", rounded(q_[k], 3)},
         {"ring_px", rounded(ring_[k], 3)},
         {"on_subject", static_cast<bool>(on_subject_[k]) && !p.cut_short},
         {"flags", flags},
         {"sweep", p.sweep + 1},
         {"v_mm", rounded(p.v_mm, 5)},
         {"u_mm", rounded(image_distance_mm(o.focal_length_mm, p.v_mm), 4)},
         {"from_scene", {rounded(m[0], 7), rounded(m[1], 7), rounded(m[2], 4), rounded(m[3], 4)}},
         {"exposure_ev", rounded(ev(p), 3)},
         {"shake_px", rounded(shake_px(p), 3)},
         {"time", p.time}});
    if (p.pupil_factor != 1.0) list.back()["blur"] = p.pupil_factor;
  }
  return list;
}

/// The next frame from k on that was written; the last one where there is none.
std::size_t written_from(const std::vector<FramePlan>& plans, std::size_t k) {
  while (k + 1 < plans.size() && !plans[k].written) ++k;
  return k;
}

/// The last frame before k that was written.
std::size_t written_before(const std::vector<FramePlan>& plans, std::size_t k) {
  while (k > 1 && !plans[k - 1].written) --k;
  return k > 0 ? k - 1 : 0;
}

double Reckoning::share_made(const SeenMove& move, std::size_t at) const {
  if (move.kind != Move::Kind::to_and_fro) return 1.0;
  // Twice the sd of its places in the frames that show it, the last at rest among them.
  const double middle = at_middle(quantile(move.before_px, 0.5));
  std::vector<std::pair<double, double>> places;  // by their blur
  for (std::size_t k = at - 1; k < plans_.size(); ++k)
    if (use(plans_[k])) places.emplace_back(std::abs(q_[k] - middle), move.shares[k]);
  std::ranges::stable_sort(places, {}, [](const auto& p) { return p.first; });
  std::size_t shown = 0;
  while (shown < places.size() && (shown < kFewestPlaces || places[shown].first <= kTrembleReachPx))
    ++shown;
  places.resize(shown);
  if (shown < 2) return 1.0;
  double mean = 0.0, squares = 0.0;
  for (const auto& place : places) mean += place.second / static_cast<double>(shown);
  for (const auto& place : places) squares += (place.second - mean) * (place.second - mean);
  return 2.0 * std::sqrt(squares / static_cast<double>(shown - 1));
}

json Reckoning::moved(std::vector<std::size_t>& breaks) const {
  json list = json::array();
  for (const SeenMove& move : sight_.moves) {
    const auto at = static_cast<std::size_t>(std::max(1, move.frame) - 1);
    if (at == 0 || at >= plans_.size()) continue;
    const double before = share_sharp(move.before_px, 0, at);
    const double after = share_sharp(move.after_px, at, plans_.size());
    const double shift = share_made(move, at) * move.shift_px * middle_scale_;
    const bool conflict =
        shift > kBlurLimitPx && before >= kConflictShare && after >= kConflictShare;
    if (conflict) breaks.push_back(at);
    const char* kind = move.kind == Move::Kind::stays    ? "stays"
                       : move.kind == Move::Kind::drifts ? "drifts"
                                                         : "to-and-fro";
    list.push_back({{"part", move.part},
                    {"kind", kind},
                    {"file", plans_[written_from(plans_, at)].file},
                    {"scene_box",
                     {rounded(move.box_px.x, 1), rounded(move.box_px.y, 1),
                      rounded(move.box_px.width, 1), rounded(move.box_px.height, 1)}},
                    {"shift_px", rounded(shift, 2)},
                    {"seen_px", rounded(move.seen_px * middle_scale_ * middle_scale_, 0)},
                    {"part_px",
                     {rounded(at_middle(quantile(move.before_px, 0.005)), 3),
                      rounded(at_middle(quantile(move.before_px, 0.995)), 3)}},
                    {"sharp_before", rounded(before, 3)},
                    {"sharp_after", rounded(after, 3)},
                    {"conflict", conflict}});
  }
  return list;
}

json Reckoning::drops(std::vector<std::size_t>& breaks) const {
  json lost = json::array(), appeared = json::array(), all = json::array();
  std::size_t visible = 0;
  for (const SeenDrop& drop : sight_.drops) {
    visible += drop.visible >= kDropVisible ? 1U : 0U;
    all.push_back({{"scene_x", rounded(drop.x_px, 1)},
                   {"scene_y", rounded(drop.y_px, 1)},
                   {"radius_px", rounded(drop.radius_px, 2)},
                   {"focus_px", rounded(at_middle(drop.q_px), 3)},
                   {"visible_fraction", rounded(drop.visible, 3)}});
  }
  for (const DropEvent& event : recipe_.drops) {
    const auto at = static_cast<std::size_t>(std::max(1, event.frame) - 1);
    if (at == 0 || at >= plans_.size()) continue;
    const SeenDrop& drop = sight_.drops[static_cast<std::size_t>(event.drop) - 1];
    json entry = all[static_cast<std::size_t>(event.drop) - 1];
    entry["drop"] = event.drop;
    if (event.kind == DropEvent::Kind::appears) {
      entry["first_seen"] = plans_[written_from(plans_, at)].file;
      appeared.push_back(entry);
      continue;
    }
    const double q = at_middle(drop.q_px);
    const double before = nearest_px(q, 0, at), after = nearest_px(q, at, plans_.size());
    const bool conflict =
        drop.visible >= kDropVisible && before <= kBlurLimitPx && after <= kBlurLimitPx;
    if (conflict) breaks.push_back(at);
    entry["how"] = event.kind == DropEvent::Kind::gone    ? "gone"
                   : event.kind == DropEvent::Kind::rolls ? "rolled"
                                                          : "merged";
    entry["last_seen"] = plans_[written_before(plans_, at)].file;
    entry["first_missing"] = plans_[written_from(plans_, at)].file;
    entry["optional"] =
        drop.visible < kDropVisible || before > kDropReachPx || after > kDropReachPx;
    entry["nearest_before_px"] = rounded(before, 2);
    entry["nearest_after_px"] = rounded(after, 2);
    entry["conflict"] = conflict;
    lost.push_back(entry);
  }
  return {{"visible", visible}, {"lost", lost}, {"appeared", appeared}, {"all", all}};
}

Reckoning::LargestStep Reckoning::largest_step() const {
  LargestStep largest;
  for (std::size_t k = 0; k + 1 < plans_.size(); ++k) {
    // A step across a subject that neither frame lies on is the one that matters most.
    const auto [low, high] = std::minmax(q_[k], q_[k + 1]);
    const bool across =
        share_between(subject_, low + reach_px(k), high - reach_px(k)) >= kGapShareThatCounts;
    const double step = std::abs(ring_[k + 1] - ring_[k]);
    if (((on_subject_[k] && on_subject_[k + 1]) || across) &&
        plans_[k].sweep == plans_[k + 1].sweep && step > largest.px)
      largest = {.px = step, .sweep = plans_[k].sweep};
  }
  return largest;
}

json Reckoning::turn_factor() const {
  const double largest = largest_step().px;
  return largest > 0.0 ? json(rounded(kAimedPx / largest, 4)) : json(nullptr);
}

json Reckoning::frames_for_same_turn() const {
  const LargestStep largest = largest_step();
  if (largest.px <= 0.0) return nullptr;
  double frames = 0.0;
  for (std::size_t k = 0; k < plans_.size(); ++k)
    if (plans_[k].sweep == largest.sweep && on_subject_[k]) frames += 1.0;
  return rounded(frames * largest.px / kAimedPx, 2);
}

/// Widest distance between neighbouring usable frames in order of depth with subject between them.
json Reckoning::widest_step_px() const {
  const std::vector<std::size_t> order = usable_by_depth(0, plans_.size());
  double widest = 0.0;
  for (std::size_t i = 0; i + 1 < order.size(); ++i) {
    const double low = q_[order[i]], high = q_[order[i + 1]];
    // Against what these two may be apart.
    const double allowed = reach_px(order[i]) + reach_px(order[i + 1]);
    if (share_between(subject_, low, high) >= kGapShareThatCounts)
      widest = std::max(widest, (high - low) / allowed * kAllowedStepPx);
  }
  return widest > 0.0 ? json(rounded(widest, 3)) : json(nullptr);
}

json Reckoning::written() const {
  const Optics& o = recipe_.optics;
  const std::size_t n = plans_.size();
  std::vector<std::size_t> breaks;
  const json moves = moved(breaks), water = drops(breaks);
  std::string verdict = covered(0, n) ? "complete" : "reshoot";
  if (!breaks.empty()) {
    std::ranges::sort(breaks);
    breaks.push_back(n);
    bool alone = false;
    std::size_t first = 0;
    for (const std::size_t end : breaks) {
      alone = alone || covered(first, end);
      first = end;
    }
    verdict = alone ? "complete-without" : "reshoot";
  }
  const auto end = [](const char* name, double beyond) {
    return json{{"end", name},
                {"state", beyond > kBlurLimitPx ? "open" : "covered"},
                {"beyond_px", rounded(std::max(0.0, beyond), 3)}};
  };
  const auto [beyond_far, beyond_near] = beyond(0, n);
  // The side of the first sweep's beginning.
  std::size_t last = 0;
  while (last + 1 < n && plans_[last + 1].sweep == plans_[0].sweep) ++last;
  return {{"format", "burst-truth"},
          {"version", 1},
          {"scene", recipe_.scene == SceneKind::meadow ? "beetle on a grass seed-head" : "varied"},
          {"burst", recipe_.name},
          {"width", recipe_.width_px},
          {"height", recipe_.height_px},
          {"camera",
           {{"focal_length_mm", o.focal_length_mm},
            {"aperture_diameter_mm", o.pupil_mm},
            {"pixel_pitch_mm", o.pitch_mm},
            {"v_ref_mm", o.v_ref_mm}}},
          {"verdict", verdict},
          {"first_end", q_[last] > q_[0] ? "far" : "near"},
          {"subject_px", {rounded(far_px_, 3), rounded(near_px_, 3)}},
          {"gaps", gaps(0, n)},
          {"ends", {end("near", beyond_near), end("far", beyond_far)}},
          {"widest_step_px", widest_step_px()},
          {"turn_factor", turn_factor()},
          {"frames_for_same_turn", frames_for_same_turn()},
          {"moved", moves},
          {"drops", water},
          {"frames", frames()}};
}

}  // namespace

json truth_of(const Recipe& recipe, const std::vector<FramePlan>& plans, const Sight& sight) {
  if (plans.empty() || sight.subject_q_px.empty()) {
    throw std::invalid_argument("truth_of: no frame or no subject");
  }
  return Reckoning(recipe, plans, sight).written();
}

}  // namespace ringsweep::maker
