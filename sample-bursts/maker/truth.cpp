#include "maker/truth.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numeric>
#include <stdexcept>

#include "maker/camera.h"
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

}  // namespace

json truth_of(const Recipe& recipe, const std::vector<FramePlan>& plans,
              std::span<const float> subject_q_px) {
  if (plans.empty() || subject_q_px.empty()) {
    throw std::invalid_argument("truth_of: no frame or no subject");
  }
  const Optics& o = recipe.optics;
  const ThinLens lens{o.pupil_mm, o.pitch_mm};
  const auto dark = [](const FramePlan& p) { return p.exposure_ev <= kDarkEv; };

  double v_min = 0.0, v_max = 0.0;
  for (const FramePlan& p : plans) {
    if (dark(p)) continue;
    v_min = v_min == 0.0 ? p.v_mm : std::min(v_min, p.v_mm);
    v_max = std::max(v_max, p.v_mm);
  }
  const double v_0 = v_min > 0.0 ? std::sqrt(v_min * v_max) : o.v_ref_mm;

  // q at v_ref to q at v_0: the same 1/v seen at another scale.
  std::vector<double> subject(subject_q_px.begin(), subject_q_px.end());
  for (double& q : subject) {
    const double inverse_v = (1.0 - q * o.pitch_mm / o.pupil_mm) / o.v_ref_mm;
    q = focal_position_px(lens, v_0, 1.0 / inverse_v);
  }
  const double far_px = quantile(subject, 0.005), near_px = quantile(subject, 0.995);

  std::vector<double> q(plans.size());
  std::vector<bool> on_subject(plans.size());
  std::vector<std::size_t> usable;
  json frames = json::array();
  for (std::size_t k = 0; k < plans.size(); ++k) {
    const FramePlan& p = plans[k];
    q[k] = focal_position_px(lens, v_0, p.v_mm);
    on_subject[k] =
        share_between(subject, q[k] - kBlurLimitPx, q[k] + kBlurLimitPx) >= kOnSubjectShare;
    if (!dark(p)) usable.push_back(k);
    json flags = json::array();
    if (dark(p)) {
      flags.push_back("dark");
    } else if (p.exposure_ev <= kDimEv) {
      flags.push_back("dim");
    }
    const Placement placement{p.v_mm / o.v_ref_mm, p.rotation_deg, p.shift_x_px, p.shift_y_px};
    const cv::Vec4d m = frame_from_scene(placement, {recipe.width_px, recipe.height_px});
    frames.push_back(
        {{"file", p.file},
         {"index", k + 1},
         {"focus_px", rounded(q[k], 3)},
         {"on_subject", static_cast<bool>(on_subject[k])},
         {"flags", flags},
         {"v_mm", rounded(p.v_mm, 5)},
         {"u_mm", rounded(image_distance_mm(o.focal_length_mm, p.v_mm), 4)},
         {"from_scene", {rounded(m[0], 7), rounded(m[1], 7), rounded(m[2], 4), rounded(m[3], 4)}},
         {"exposure_ev", rounded(p.exposure_ev, 3)},
         {"time", p.time}});
  }

  std::vector<std::size_t> order = usable;
  std::ranges::sort(order, {}, [&q](std::size_t k) { return q[k]; });
  json gaps = json::array();
  for (std::size_t i = 0; i + 1 < order.size(); ++i) {
    const double low = q[order[i]], high = q[order[i + 1]];
    if (high - low <= kAllowedStepPx) continue;
    const double share = share_between(subject, low + kBlurLimitPx, high - kBlurLimitPx);
    if (share < kGapShare) continue;
    gaps.push_back({{"after", plans[std::min(order[i], order[i + 1])].file},
                    {"before", plans[std::max(order[i], order[i + 1])].file},
                    {"width_px", rounded(high - low, 3)},
                    {"subject_share", rounded(share, 4)}});
  }

  const auto end = [](const char* name, double beyond) {
    return json{{"end", name},
                {"state", beyond > kBlurLimitPx ? "open" : "covered"},
                {"beyond_px", rounded(std::max(0.0, beyond), 3)}};
  };
  const bool any = !order.empty();
  const double beyond_near = any ? near_px - q[order.back()] : near_px - far_px;
  const double beyond_far = any ? q[order.front()] - far_px : near_px - far_px;
  const bool open = beyond_near > kBlurLimitPx || beyond_far > kBlurLimitPx;

  double largest_step = 0.0;
  for (std::size_t k = 0; k + 1 < plans.size(); ++k) {
    if (on_subject[k] && on_subject[k + 1]) {
      largest_step = std::max(largest_step, std::abs(q[k + 1] - q[k]));
    }
  }

  return {
      {"format", "burst-truth"},
      {"version", 1},
      {"scene", "beetle on a grass seed-head"},
      {"burst", recipe.name},
      {"width", recipe.width_px},
      {"height", recipe.height_px},
      {"camera",
       {{"focal_length_mm", o.focal_length_mm},
        {"aperture_diameter_mm", o.pupil_mm},
        {"pixel_pitch_mm", o.pitch_mm},
        {"v_ref_mm", o.v_ref_mm}}},
      {"verdict", gaps.empty() && !open ? "complete" : "reshoot"},
      {"first_end", q.back() > q.front() ? "far" : "near"},
      {"subject_px", {rounded(far_px, 3), rounded(near_px, 3)}},
      {"gaps", gaps},
      {"ends", {end("near", beyond_near), end("far", beyond_far)}},
      {"turn_factor",
       largest_step > 0.0 ? json(rounded(0.75 * kAllowedStepPx / largest_step, 4)) : json(nullptr)},
      {"moved", json::array()},
      {"drops", {{"visible", 0}, {"lost", json::array()}}},
      {"frames", frames}};
}

}  // namespace ringsweep::maker
