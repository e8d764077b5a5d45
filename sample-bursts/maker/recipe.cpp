#include "maker/recipe.h"

#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <set>
#include <stdexcept>
#include <utility>

namespace ringsweep::maker {
namespace {

using nlohmann::json;

/// A whole number as one of type T; nothing where it is none, or does not fit.
template <class T>
bool get_whole(const json& number, T& value) {
  if (number.is_number_unsigned()) {
    const auto whole = number.get<std::uint64_t>();
    value = static_cast<T>(whole);
    return std::in_range<T>(whole);
  }
  if (!number.is_number_integer()) return false;
  const auto whole = number.get<std::int64_t>();
  value = static_cast<T>(whole);
  return std::in_range<T>(whole);
}

/// @return false where it is no value of that kind
bool get(const json& from, int& value) { return get_whole(from, value); }
bool get(const json& from, std::uint64_t& value) { return get_whole(from, value); }
bool get(const json& from, std::vector<int>& values) {
  if (!from.is_array()) return false;
  values.assign(from.size(), 0);
  for (std::size_t i = 0; i < values.size(); ++i)
    if (!get(from[i], values[i])) return false;
  return true;
}
template <class T>
bool get(const json& from, T& value) {
  try {
    value = from.get<T>();
    return true;
  } catch (const json::exception&) {
    return false;
  }
}

/// Takes named fields out of an object; what is left over at the end is a misspelt name. Nothing is
/// copied, since lists in lists in lists would take the stack for it.
class Fields {
 public:
  Fields(const json& object, std::string where) : object_(object), where_(std::move(where)) {
    if (!object.is_object()) throw std::invalid_argument(where_ + " is no object");
  }

  template <class T>
  void take(const char* name, T& value) {
    const json* part = take_part(name);
    if (part != nullptr && !get(*part, value))
      throw std::invalid_argument(where_ + " has a wrong kind of value for '" + name + "'");
  }

  /// One of some words.
  template <class T>
  void take_word(const char* name, const std::map<std::string, T>& words, T& value) {
    std::string word;
    take(name, word);
    if (word.empty()) return;
    const auto found = words.find(word);
    if (found == words.end()) {
      throw std::invalid_argument(where_ + " has for '" + name + "' the unknown word '" + word +
                                  "'");
    }
    value = found->second;
  }

  /// An object, or every object of a list, read by `read(fields)`.
  template <class Read>
  void take_each(const char* name, const Read& read) {
    const json* part = take_part(name);
    if (part == nullptr) return;
    const auto take_one = [&](const json& entry) {
      Fields fields(entry, std::string("'") + name + "'");
      read(fields);
      fields.done();
    };
    if (!part->is_array()) return take_one(*part);
    for (const json& entry : *part) take_one(entry);
  }

  /// @return nullptr where it is absent
  const json* take_part(const char* name) {
    const auto found = object_.find(name);
    if (found == object_.end()) return nullptr;
    taken_.insert(name);
    return &*found;
  }

  void done() const {
    for (const auto& [name, value] : object_.items()) {
      if (!taken_.contains(name))
        throw std::invalid_argument(where_ + " has an unknown field '" + name + "'");
    }
  }

 private:
  const json& object_;
  std::set<std::string> taken_{};
  std::string where_;
};

void take_optics(Fields& fields, Optics& optics) {
  fields.take("focal_length_mm", optics.focal_length_mm);
  fields.take("pupil_mm", optics.pupil_mm);
  fields.take("pitch_mm", optics.pitch_mm);
  fields.take("v_ref_mm", optics.v_ref_mm);
  fields.take_word<Focusing>("focusing",
                             {{"lens-fixed", Focusing::lens_fixed},
                              {"body-fixed", Focusing::body_fixed},
                              {"internal", Focusing::internal}},
                             optics.focusing);
  fields.take("breathing", optics.breathing);
  fields.take_word<PupilShape>(
      "pupil", {{"round", PupilShape::round}, {"hexagonal", PupilShape::hexagonal}}, optics.pupil);
  fields.take("vignetting", optics.vignetting);
  fields.take("spherical", optics.spherical);
  fields.take("diffraction", optics.diffraction);
  fields.take("waves_um", optics.waves_um);
}

void take_sweep(Fields& fields, Sweep& sweep) {
  fields.take("from_px", sweep.from_px);
  fields.take("to_px", sweep.to_px);
  fields.take("smallest_step_px", sweep.smallest_step_px);
  fields.take("largest_step_px", sweep.largest_step_px);
  fields.take("sway", sweep.sway);
  fields.take_each("jump", [&](Fields& jump) {
    Jump& j = sweep.jumps.emplace_back();
    jump.take("at_px", j.at_px);
    jump.take("width_px", j.width_px);
  });
  fields.take_each("hesitations", [&](Fields& part) {
    Hesitation& h = sweep.hesitations.emplace_back();
    part.take("at_px", h.at_px);
    part.take("frames", h.frames);
    part.take("back_px", h.back_px);
    part.take("play_px", h.play_px);
  });
  fields.take_each("end_stop", [&](Fields& stop) {
    double at = 0.0;
    stop.take("at_px", at);
    sweep.end_stop_px = at;
  });
  fields.take("pause_s", sweep.pause_s);
  fields.take("pupil_factor", sweep.pupil_factor);
  fields.take("bump_x_px", sweep.bump_x_px);
  fields.take("bump_y_px", sweep.bump_y_px);
  fields.take("light_turn_deg", sweep.light_turn_deg);
  fields.take("drop_growth", sweep.drop_growth);
}

void take_sensor(Fields& fields, Sensor& sensor) {
  fields.take("full_well_e", sensor.full_well_e);
  fields.take("read_noise_e", sensor.read_noise_e);
  fields.take("jpeg_quality", sensor.jpeg_quality);
  fields.take("mosaic", sensor.mosaic);
  fields.take("sharpening", sensor.sharpening);
  fields.take("sharpening_px", sensor.sharpening_px);
  fields.take("tone_curve", sensor.tone_curve);
  fields.take("preview", sensor.preview);
  fields.take_word<FileFormat>(
      "format",
      {{"jpeg", FileFormat::jpeg}, {"tiff16", FileFormat::tiff16}, {"dng", FileFormat::dng}},
      sensor.format);
}

/// What happens while the burst is shot.
void take_events(Fields& fields, Recipe& recipe) {
  fields.take_each("flash", [&](Fields& part) {
    FlashEvent& e = recipe.flash.emplace_back();
    part.take("frame", e.frame);
    part.take("ev", e.ev);
    part.take("lit_to", e.lit_to);
  });
  fields.take_each("ambient", [&](Fields& part) {
    part.take("first_ev", recipe.ambient.first_ev);
    part.take("last_ev", recipe.ambient.last_ev);
  });
  fields.take_each("shakes", [&](Fields& part) {
    ShakeEvent& e = recipe.shakes.emplace_back();
    part.take("frame", e.frame);
    part.take("x_px", e.x_px);
    part.take("y_px", e.y_px);
  });
  fields.take_each("haze", [&](Fields& part) {
    part.take("from_frame", recipe.haze.from_frame);
    part.take("share", recipe.haze.share);
    part.take("grows", recipe.haze.grows);
  });
  fields.take_each("moves", [&](Fields& part) {
    Move& m = recipe.moves.emplace_back();
    part.take("part", m.part);
    part.take("frame", m.frame);
    part.take("shift_px", m.shift_px);
    part.take("way_deg", m.way_deg);
    part.take_word<Move::Kind>("kind",
                               {{"stays", Move::Kind::stays},
                                {"drifts", Move::Kind::drifts},
                                {"to-and-fro", Move::Kind::to_and_fro}},
                               m.kind);
  });
  fields.take_each("sways", [&](Fields& part) {
    Sway& s = recipe.sways.emplace_back();
    part.take("first", s.first);
    part.take("last", s.last);
    part.take("x_px", s.x_px);
    part.take("y_px", s.y_px);
    part.take("depth_px", s.depth_px);
  });
  fields.take_each("drops", [&](Fields& part) {
    DropEvent& d = recipe.drops.emplace_back();
    part.take_word<DropEvent::Kind>("kind",
                                    {{"gone", DropEvent::Kind::gone},
                                     {"rolls", DropEvent::Kind::rolls},
                                     {"merges", DropEvent::Kind::merges},
                                     {"appears", DropEvent::Kind::appears}},
                                    d.kind);
    part.take("drop", d.drop);
    part.take("frame", d.frame);
    part.take("shift_px", d.shift_px);
  });
  fields.take("not_written", recipe.not_written);
  fields.take("cut_short", recipe.cut_short);
}

Recipe recipe_from(const json& document) {
  Recipe recipe;
  Fields fields(document, "the recipe");
  (void)fields.take_part("comment");  // for people
  fields.take("name", recipe.name);
  fields.take("seed", recipe.seed);
  fields.take("hand_seed", recipe.hand_seed);
  fields.take("width_px", recipe.width_px);
  fields.take("height_px", recipe.height_px);
  fields.take("raster_per_px", recipe.raster_per_px);
  fields.take_word<SceneKind>(
      "scene", {{"meadow", SceneKind::meadow}, {"varied", SceneKind::varied}}, recipe.scene);
  fields.take_word<Perch>(
      "perch", {{"seed-head", Perch::seed_head}, {"stem", Perch::stem}, {"leaf", Perch::leaf}},
      recipe.perch);
  fields.take_word<Lights>("lights",
                           {{"square", Lights::square},
                            {"two", Lights::two},
                            {"point", Lights::point},
                            {"round", Lights::round}},
                           recipe.lights);
  fields.take("blade", recipe.blade);
  fields.take("depth_scale", recipe.depth_scale);
  fields.take_each("optics", [&](Fields& part) { take_optics(part, recipe.optics); });
  std::vector<Sweep> sweeps;
  fields.take_each("sweep", [&](Fields& part) { take_sweep(part, sweeps.emplace_back()); });
  if (!sweeps.empty()) recipe.sweeps = sweeps;
  fields.take("v_mm", recipe.v_mm);
  fields.take("shift_sd_px", recipe.shift_sd_px);
  fields.take("rotation_sd_deg", recipe.rotation_sd_deg);
  fields.take("flicker_sd_ev", recipe.flicker_sd_ev);
  fields.take_each("sensor", [&](Fields& part) { take_sensor(part, recipe.sensor); });
  take_events(fields, recipe);
  fields.take("prefix", recipe.prefix);
  fields.take("first_number", recipe.first_number);
  fields.take("start_time", recipe.start_time);
  fields.take("interval_s", recipe.interval_s);
  fields.take("interval_sd_s", recipe.interval_sd_s);
  fields.take("buffer_frames", recipe.buffer_frames);
  fields.take("slow_interval_s", recipe.slow_interval_s);
  fields.done();
  (void)plan_frames(recipe);  // says at once what cannot be
  return recipe;
}

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

}  // namespace ringsweep::maker
