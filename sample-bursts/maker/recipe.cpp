#include "maker/recipe.h"

#include <fmt/format.h>

#include <chrono>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <initializer_list>
#include <nlohmann/json.hpp>
#include <stdexcept>

#include "maker/random.h"
#include "ringsweep/thin_lens.h"

namespace ringsweep::maker {
namespace {

using nlohmann::json;

/// Takes named fields out of an object; what is left over at the end is a misspelt name.
class Fields {
 public:
  Fields(const json& object, std::string where) : left_(object), where_(std::move(where)) {
    if (!object.is_object()) throw std::invalid_argument(where_ + " is no object");
  }

  template <class T>
  void take(const char* name, T& value) {
    const auto found = left_.find(name);
    if (found == left_.end()) return;
    try {
      value = found->get<T>();
    } catch (const json::exception&) {
      throw std::invalid_argument(where_ + " has a wrong kind of value for '" + name + "'");
    }
    left_.erase(found);
  }

  [[nodiscard]] std::optional<json> take_object(const char* name) {
    const auto found = left_.find(name);
    if (found == left_.end()) return std::nullopt;
    json value = *found;
    left_.erase(found);
    return value;
  }

  void done() const {
    if (!left_.empty()) {
      throw std::invalid_argument(where_ + " has an unknown field '" + left_.begin().key() + "'");
    }
  }

 private:
  json left_;
  std::string where_;
};

Recipe recipe_from(const json& document) {
  Recipe recipe;
  Fields fields(document, "the recipe");
  (void)fields.take_object("comment");  // for people
  fields.take("name", recipe.name);
  fields.take("seed", recipe.seed);
  fields.take("hand_seed", recipe.hand_seed);
  fields.take("width_px", recipe.width_px);
  fields.take("height_px", recipe.height_px);
  fields.take("raster_per_px", recipe.raster_per_px);
  fields.take("depth_scale", recipe.depth_scale);
  fields.take("v_mm", recipe.v_mm);
  fields.take("shift_sd_px", recipe.shift_sd_px);
  fields.take("rotation_sd_deg", recipe.rotation_sd_deg);
  fields.take("flicker_sd_ev", recipe.flicker_sd_ev);
  fields.take("prefix", recipe.prefix);
  fields.take("first_number", recipe.first_number);
  fields.take("start_time", recipe.start_time);
  fields.take("interval_s", recipe.interval_s);
  fields.take("interval_sd_s", recipe.interval_sd_s);
  if (const auto part = fields.take_object("optics")) {
    Fields optics(*part, "'optics'");
    optics.take("focal_length_mm", recipe.optics.focal_length_mm);
    optics.take("pupil_mm", recipe.optics.pupil_mm);
    optics.take("pitch_mm", recipe.optics.pitch_mm);
    optics.take("v_ref_mm", recipe.optics.v_ref_mm);
    optics.done();
  }
  if (const auto part = fields.take_object("sweep")) {
    Fields sweep(*part, "'sweep'");
    sweep.take("from_px", recipe.sweep.from_px);
    sweep.take("to_px", recipe.sweep.to_px);
    sweep.take("smallest_step_px", recipe.sweep.smallest_step_px);
    sweep.take("largest_step_px", recipe.sweep.largest_step_px);
    if (const auto jump = sweep.take_object("jump")) {
      Fields slip(*jump, "'jump'");
      double at = 0.0;
      slip.take("at_px", at);
      slip.take("width_px", recipe.sweep.jump_px);
      slip.done();
      recipe.sweep.jump_at_px = at;
    }
    sweep.done();
  }
  if (const auto part = fields.take_object("sensor")) {
    Fields sensor(*part, "'sensor'");
    sensor.take("full_well_e", recipe.sensor.full_well_e);
    sensor.take("read_noise_e", recipe.sensor.read_noise_e);
    sensor.take("jpeg_quality", recipe.sensor.jpeg_quality);
    sensor.done();
  }
  if (const auto part = fields.take_object("flash")) {
    for (const json& entry : *part) {
      FlashEvent event;
      Fields flash(entry, "'flash'");
      flash.take("frame", event.frame);
      flash.take("ev", event.ev);
      flash.done();
      recipe.flash.push_back(event);
    }
  }
  fields.done();
  (void)plan_frames(recipe);  // says at once what cannot be
  return recipe;
}

/// Image distance of a focal position at the scale of v_ref: focal_position_px, solved for v.
double image_distance_at(const Optics& optics, double q_px) {
  const double inverse = (1.0 - q_px * optics.pitch_mm / optics.pupil_mm) / optics.v_ref_mm;
  return 1.0 / inverse;
}

std::vector<double> turn_ring(const Recipe& recipe) {
  const Sweep& sweep = recipe.sweep;
  if (!(sweep.smallest_step_px > 0.0) || sweep.largest_step_px < sweep.smallest_step_px) {
    throw std::invalid_argument(
        "the sweep's steps must be > 0 and the largest not below the smallest");
  }
  const double way = sweep.to_px > sweep.from_px ? 1.0 : -1.0;
  Stream hand(hash(recipe.hand_seed, 1));
  std::vector<double> v_mm;
  double q = sweep.from_px;
  bool slipped = false;
  while ((sweep.to_px - q) * way >= 0.0) {
    v_mm.push_back(image_distance_at(recipe.optics, q));
    const double step = hand.uniform(static_cast<float>(sweep.smallest_step_px),
                                     static_cast<float>(sweep.largest_step_px));
    const double next = q + way * step;
    const bool over = sweep.jump_at_px && !slipped &&
                      (next + way * sweep.jump_px / 2.0 - *sweep.jump_at_px) * way >= 0.0;
    slipped = slipped || over;
    q = over ? q + way * sweep.jump_px : next;
  }
  return v_mm;
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

}  // namespace

Result<Recipe> read_recipe(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in) {
    return tl::unexpected(Error{file.string(), "the recipe cannot be opened", "check its name"});
  }
  try {
    return recipe_from(json::parse(in));
  } catch (const json::exception& e) {
    return tl::unexpected(Error{file.string(), "this is no JSON (" + std::string(e.what()) + ")",
                                "correct the recipe"});
  } catch (const std::invalid_argument& e) {
    return tl::unexpected(Error{file.string(), e.what(), "correct the recipe"});
  }
}

std::vector<FramePlan> plan_frames(const Recipe& recipe) {
  const Optics& o = recipe.optics;
  if (!(o.focal_length_mm > 0.0) || !(o.pupil_mm > 0.0) || !(o.pitch_mm > 0.0) ||
      !(o.v_ref_mm > o.focal_length_mm)) {
    throw std::invalid_argument("the optics need lengths > 0 and v_ref beyond the focal length");
  }
  if (recipe.sensor.jpeg_quality < 1 || recipe.sensor.jpeg_quality > 100) {
    throw std::invalid_argument("the JPEG quality is not between 1 and 100");
  }
  const std::vector<double> v_mm = recipe.v_mm.empty() ? turn_ring(recipe) : recipe.v_mm;
  const Clock clock(recipe.start_time);
  Stream hand(hash(recipe.hand_seed, 2));
  std::vector<FramePlan> plans;
  for (std::size_t k = 0; k < v_mm.size(); ++k) {
    if (!(v_mm[k] > o.focal_length_mm)) {
      throw std::invalid_argument("an image distance is not beyond the focal length");
    }
    FramePlan plan;
    plan.file =
        fmt::format("{}{:04}.JPG", recipe.prefix, recipe.first_number + static_cast<int>(k));
    plan.v_mm = v_mm[k];
    plan.ref_q_px = focal_position_px({o.pupil_mm, o.pitch_mm}, o.v_ref_mm, v_mm[k]);
    plan.shift_x_px = recipe.shift_sd_px * hand.normal();
    plan.shift_y_px = recipe.shift_sd_px * hand.normal();
    plan.rotation_deg = recipe.rotation_sd_deg * hand.normal();
    plan.exposure_ev = recipe.flicker_sd_ev * hand.normal();
    plan.time = clock.after(static_cast<double>(k) * recipe.interval_s +
                            recipe.interval_sd_s * hand.normal());
    for (const FlashEvent& event : recipe.flash) {
      if (event.frame == static_cast<int>(k) + 1) plan.exposure_ev += event.ev;
    }
    plans.push_back(std::move(plan));
  }
  return plans;
}

}  // namespace ringsweep::maker
