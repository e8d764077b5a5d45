// The frames of a recipe: how the hand turns the ring, and what happens when.
#include <fmt/core.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <stdexcept>

#include "maker/random.h"
#include "maker/recipe.h"
#include "maker/viewpoint.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

/// Focal positions of one sweep, px at v_ref.
std::vector<double> turn_ring(const Sweep& sweep, Stream hand) {
  if (!(sweep.smallest_step_px > 0.0) || sweep.largest_step_px < sweep.smallest_step_px) {
    throw std::invalid_argument(
        "the sweep's steps must be > 0 and the largest not below the smallest");
  }
  if (!(sweep.sway >= 0.0 && sweep.sway < 1.0)) {
    throw std::invalid_argument("the sweep's sway is not from 0 to below 1");
  }
  constexpr std::size_t kMostFrames = 2000;
  const double ahead = sweep.to_px > sweep.from_px ? 1.0 : -1.0;
  std::vector<double> q_px{};
  double q = sweep.from_px, slack = 0.0, pace = -1.0;
  const auto step = [&] {  // of the hand, from 0
    const double fresh = hand.uniform();
    pace = pace < 0.0 ? fresh : sweep.sway * pace + (1.0 - sweep.sway) * fresh;
    return std::lerp(sweep.smallest_step_px, sweep.largest_step_px, pace);
  };
  const auto turn = [&](double way) {  // the ring follows when its play is used up
    const double moved = step(), lost = std::min(slack, moved);
    slack -= lost;
    q += way * (moved - lost);
  };
  std::vector<bool> slipped(sweep.jumps.size()), hesitated(sweep.hesitations.size());
  while ((sweep.to_px - q) * ahead >= 0.0 && q_px.size() < kMostFrames) {
    if (sweep.end_stop_px && (q - *sweep.end_stop_px) * ahead >= 0.0) {
      q_px.insert(q_px.end(), 4, *sweep.end_stop_px);
      break;
    }
    q_px.push_back(q);
    const double before = q;
    turn(ahead);
    for (std::size_t i = 0; i < sweep.jumps.size(); ++i) {
      const Jump& jump = sweep.jumps[i];
      if (slipped[i] || (q + ahead * jump.width_px / 2.0 - jump.at_px) * ahead < 0.0) continue;
      slipped[i] = true;
      q = before + ahead * jump.width_px;
    }
    for (std::size_t i = 0; i < sweep.hesitations.size(); ++i) {
      const Hesitation& h = sweep.hesitations[i];
      if (hesitated[i] || (q - h.at_px) * ahead < 0.0) continue;
      hesitated[i] = true;
      q_px.insert(q_px.end(),
                  std::min(static_cast<std::size_t>(std::max(0, h.frames)), kMostFrames), q);
      if (h.back_px <= 0.0) continue;
      const double turned_at = q;
      slack = h.play_px;
      while ((turned_at - q) * ahead < h.back_px && q_px.size() < kMostFrames) {
        q_px.push_back(q);
        turn(-ahead);
      }
      slack = h.play_px;
    }
  }
  return q_px;
}

/// Adds seconds to an Exif time with milliseconds.
class Clock {
 public:
  explicit Clock(const std::string& start) {
    int year = 0;
    unsigned month = 0, day = 0;
    int hour = 0, minute = 0, second = 0, milli = 0;
    if (std::sscanf(start.c_str(), "%4d:%2u:%2u %2d:%2d:%2d.%3d", &year, &month, &day, &hour,
                    &minute, &second, &milli) != 7) {
      throw std::invalid_argument("start_time is not of the form YYYY:MM:DD HH:MM:SS.mmm");
    }
    using namespace std::chrono;
    const year_month_day date{std::chrono::year(year), std::chrono::month(month),
                              std::chrono::day(day)};
    if (!date.ok()) throw std::invalid_argument("start_time is no date of the calendar");
    start_ = sys_days(date) + hours(hour) + minutes(minute) + seconds(second) + milliseconds(milli);
  }

  [[nodiscard]] std::string after(double seconds_later) const {
    using namespace std::chrono;
    constexpr double kYears = 1e10;  // far beyond any burst; a clock of milliseconds holds it
    if (!(std::abs(seconds_later) < kYears))
      throw std::invalid_argument("a frame's time is out of all bounds");
    const auto at = start_ + milliseconds(std::llround(seconds_later * 1000.0));
    const auto midnight = floor<days>(at);
    const year_month_day date(midnight);
    const hh_mm_ss clock(at - midnight);
    return fmt::format("{:04}:{:02}:{:02} {:02}:{:02}:{:02}.{:03}", static_cast<int>(date.year()),
                       static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
                       clock.hours().count(), clock.minutes().count(), clock.seconds().count(),
                       clock.subseconds().count());
  }

 private:
  std::chrono::sys_time<std::chrono::milliseconds> start_;
};

void check(const Recipe& recipe) {
  const Optics& o = recipe.optics;
  if (!(o.focal_length_mm > 0.0) || !(o.pupil_mm > 0.0) || !(o.pitch_mm > 0.0) ||
      !(o.v_ref_mm > o.focal_length_mm)) {
    throw std::invalid_argument("the optics need lengths > 0 and v_ref beyond the focal length");
  }
  if (!(recipe.sensor.preview >= 0.0 && recipe.sensor.preview <= 1.0)) {
    throw std::invalid_argument("preview must be between 0 and 1");
  }
  if (recipe.sensor.jpeg_quality < 1 || recipe.sensor.jpeg_quality > 100) {
    throw std::invalid_argument("the JPEG quality is not between 1 and 100");
  }
  if (recipe.first_number < 0 || recipe.first_number > 1'000'000'000) {
    throw std::invalid_argument("the first number is not between 0 and a thousand million");
  }
  if (recipe.sweeps.empty()) throw std::invalid_argument("there is no sweep");
}

/// Image distances of all frames, and the sweep each belongs to.
struct Ring {
  std::vector<double> v_mm;
  std::vector<std::size_t> sweep;
};

Ring ring_of(const Recipe& recipe) {
  if (!recipe.v_mm.empty()) return {recipe.v_mm, std::vector<std::size_t>(recipe.v_mm.size())};
  Ring ring;
  for (std::size_t s = 0; s < recipe.sweeps.size(); ++s) {
    for (const double q :
         turn_ring(recipe.sweeps[s], Stream(hash(recipe.hand_seed, 1 + 100 * s)))) {
      ring.v_mm.push_back(image_distance_at(recipe.optics, q));
      ring.sweep.push_back(s);
    }
  }
  return ring;
}

void happen(const Recipe& recipe, int frame, int frames, FramePlan& plan) {
  for (const FlashEvent& e : recipe.flash) {
    if (e.frame != frame) continue;
    plan.exposure_ev += e.ev;
    plan.lit_to = std::min(plan.lit_to, e.lit_to);
  }
  for (const ShakeEvent& e : recipe.shakes) {
    if (e.frame == frame) plan.shake_x_px = e.x_px, plan.shake_y_px = e.y_px;
  }
  const double way = frames > 1 ? (frame - 1.0) / (frames - 1.0) : 0.0;
  plan.ambient_ev = std::lerp(recipe.ambient.first_ev, recipe.ambient.last_ev, way);
  const Haze& haze = recipe.haze;
  if (haze.from_frame > 0 && frame >= haze.from_frame) {
    plan.haze = haze.share;
    if (haze.grows) plan.haze *= (frame - haze.from_frame + 1.0) / (frames - haze.from_frame + 1.0);
  }
  plan.written = std::ranges::find(recipe.not_written, frame) == recipe.not_written.end();
  plan.cut_short = std::ranges::find(recipe.cut_short, frame) != recipe.cut_short.end();
}

}  // namespace

std::vector<FramePlan> plan_frames(const Recipe& recipe) {
  check(recipe);
  const Optics& o = recipe.optics;
  const Ring ring = ring_of(recipe);
  const Clock clock(recipe.start_time);
  Stream hand(hash(recipe.hand_seed, 2));
  std::vector<FramePlan> plans;
  double time_s = 0.0;
  for (std::size_t k = 0; k < ring.v_mm.size(); ++k) {
    if (!(ring.v_mm[k] > o.focal_length_mm)) {
      throw std::invalid_argument("an image distance is not beyond the focal length");
    }
    const int frame = static_cast<int>(k) + 1;
    const Sweep& sweep = recipe.sweeps[ring.sweep[k]];
    FramePlan plan;
    plan.file = fmt::format("{}{:04}.{}", recipe.prefix, recipe.first_number + frame - 1,
                            extension(recipe.sensor.format));
    plan.v_mm = ring.v_mm[k];
    plan.sweep = ring.sweep[k];
    plan.pupil_factor = sweep.pupil_factor;
    plan.ref_q_px = focused_q_px(o, plan.v_mm);
    plan.lens_q_px = focal_position_px({o.pupil_mm, o.pitch_mm}, o.v_ref_mm, plan.v_mm);
    plan.scale = picture_scale(o, plan.v_mm);
    plan.shift_x_px = sweep.bump_x_px + recipe.shift_sd_px * hand.normal();
    plan.shift_y_px = sweep.bump_y_px + recipe.shift_sd_px * hand.normal();
    plan.rotation_deg = recipe.rotation_sd_deg * hand.normal();
    plan.exposure_ev = recipe.flicker_sd_ev * hand.normal();
    if (k > 0) {
      const bool slow = recipe.buffer_frames > 0 && frame > recipe.buffer_frames;
      time_s += slow ? recipe.slow_interval_s : recipe.interval_s;
      if (plan.sweep != ring.sweep[k - 1]) time_s += sweep.pause_s;
    }
    plan.time = clock.after(time_s + recipe.interval_sd_s * hand.normal());
    happen(recipe, frame, static_cast<int>(ring.v_mm.size()), plan);
    plans.push_back(std::move(plan));
  }
  return plans;
}

const char* extension(FileFormat format) {
  switch (format) {
    case FileFormat::jpeg:
      return "JPG";
    case FileFormat::tiff16:
      return "TIF";
    case FileFormat::dng:
      return "DNG";
  }
  return "";
}

}  // namespace ringsweep::maker
